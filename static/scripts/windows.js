// Which stretch of time a chart shows. Times are seconds from the run's zero. Pure.

import { niceStep } from "./axes.js";

/** @typedef {{from: number, to: number}} Window */

/**
 * The whole hold with a little before and behind; while the recovery is watched, and once a run has
 * ended, also what came after the hold.
 * @param {number} holdS
 * @param {number} reachedS the newest reading
 * @returns {Window}
 */
export function wholeHold(holdS, reachedS) {
  const room = Math.max(holdS, 1e-3);
  const to = reachedS > room * 1.001 ? Math.max(reachedS, room) * 1.01 : room * 1.033;
  return { from: -0.04 * room, to };
}

/**
 * A load that is raised until the unit trips: what there is so far, with room for some more of it. It
 * grows in steps, so that the trace does not creep all the time.
 * @param {number} mostS the longest it may take
 * @param {number} reachedS
 * @returns {Window}
 */
export function growing(mostS, reachedS) {
  const step = niceStep(Math.max(reachedS, 5), 5);
  const to = Math.max(Math.min((Math.floor(reachedS / step + 0.25) + 1) * step, Math.max(mostS, step)), reachedS);
  return { from: -0.03 * to, to: to * 1.01 };
}

/**
 * Armed: what is kept from before, then the hold as blank sheet.
 * @param {number} keptS
 * @param {number} holdS
 * @returns {Window}
 */
export function waiting(keptS, holdS) {
  return { from: -keptS, to: holdS * 1.033 };
}

/**
 * A stored run from its first reading, however long before the onset that was: what came before is part of what a
 * person looks back at, and the replay begins there.
 * @param {number} fromS the first reading
 * @param {number} toS the last one
 * @returns {Window}
 */
export function wholeRun(fromS, toS) {
  const from = Math.min(fromS, 0);
  return { from, to: toS + 0.01 * Math.max(toS - from, 1e-3) };
}

/**
 * The close look at the beginning of a fault, or null where the fault is wide enough on the whole
 * hold to be read there.
 * @param {Window} whole
 * @param {number} widthPx of the whole hold's chart
 * @param {number} faultS how long the fault lasted, NaN where it has not ended
 * @returns {Window | null}
 */
export function closeLook(whole, widthPx, faultS) {
  if (!(faultS > 0)) return null;
  if ((faultS / (whole.to - whole.from)) * widthPx >= 60) return null;
  return { from: -0.5 * faultS, to: 3.5 * faultS };
}
