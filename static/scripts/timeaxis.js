// The time axis of a chart: linear, or logarithmic from the onset on. Pure. `u` is where a time lies
// along the axis, in units in which the axis is even: seconds, or their decimal logarithm.

import { niceTicks, tickText } from "./axes.js";

/** @typedef {{u: (t: number) => number, t: (u: number) => number}} Along */

/** No time below this has a place on a logarithmic axis: it stands at the left edge. */
const LEAST_S = 1e-6;

/** @type {Along} */
const LINEAR = { u: (t) => t, t: (u) => u };

/** @type {Along} */
const LOGARITHMIC = { u: (t) => Math.log10(Math.max(t, LEAST_S)), t: (u) => 10 ** u };

/**
 * @param {{log?: boolean}} view
 * @returns {Along}
 */
export const alongOf = (view) => (view.log ? LOGARITHMIC : LINEAR);

/**
 * A window as a logarithmic axis can show it: from the first instant that readings can tell.
 * @param {{from: number, to: number}} window
 * @param {number} leastS the interval between readings, or 0 where it is unknown
 */
export function logWindow(window, leastS) {
  const to = Math.max(window.to, 10 * LEAST_S);
  const from = window.from > 0 ? window.from : Math.min(to / 10, Math.max(leastS, to / 1e5, LEAST_S));
  return { from, to };
}

/**
 * Ticks of time: on a logarithmic axis the powers of ten, and 2 and 5 times them while there is room.
 * @param {{from: number, to: number, log?: boolean}} view
 * @param {number} from where ticks begin, in seconds
 * @param {number} most parts
 * @returns {{step: number, values: number[], texts: string[]}} values in seconds
 */
export function timeTicks(view, from, most) {
  if (!view.log) {
    const { step, values } = niceTicks(from, view.to, most);
    return { step, values, texts: values.map((v) => tickText(v, step)) };
  }
  const low = Math.floor(Math.log10(view.from) + 1e-9);
  const high = Math.ceil(Math.log10(view.to) - 1e-9);
  const every = (/** @type {number[]} */ parts) => {
    const out = [];
    for (let k = low; k <= high; k++) for (const p of parts) out.push(Number((p * 10 ** k).toPrecision(1)));
    return out.filter((v) => v >= view.from * (1 - 1e-9) && v <= view.to * (1 + 1e-9));
  };
  let values = every([1, 2, 5]);
  if (values.length > most) values = every([1]);
  while (values.length > most && values.length > 2) values = values.filter((_, i) => i % 2 === 0);
  return { step: values[0] ?? 1, values, texts: values.map((v) => tickText(v, 10 ** Math.floor(Math.log10(v) + 1e-9))) };
}
