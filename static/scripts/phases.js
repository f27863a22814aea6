// From marks to phases. Pure; the same cut as the program makes for stored runs.

/** @typedef {"idle" | "fault" | "limiting" | "off" | "retry"} Phase */

/**
 * @typedef {object} Mark
 * @property {number} id
 * @property {string} kind
 * @property {number} t seconds from the run's zero
 * @property {boolean} [provisional]
 * @property {boolean} [withdrawn]
 * @property {string} by detector, contact or hand
 * @property {string} [text]
 * @property {number} [level_a]
 * @property {string} say the mark in words
 */

/**
 * @typedef {object} Stretch
 * @property {Phase} phase
 * @property {number} from seconds
 * @property {number} to seconds
 */

/** @type {Record<string, Phase>} */
const BEGINS = {
  onset: "fault",
  limited: "limiting",
  cut_off: "off",
  retry_off: "off",
  retry_on: "retry",
  removed: "idle",
};

/**
 * Cuts from..to into phases by marks that are in order of time.
 * @param {Mark[]} marks
 * @param {number} from seconds
 * @param {number} to seconds
 * @returns {Stretch[]}
 */
export function stretches(marks, from, to) {
  /** @type {Stretch[]} */
  const out = [];
  /** @type {Phase} */
  let phase = "idle";
  let start = from;
  const cut = (/** @type {number} */ t, /** @type {Phase} */ next) => {
    t = Math.min(Math.max(t, start), to);
    const last = out[out.length - 1];
    if (t > start) {
      if (last && last.phase === phase && last.to === start) last.to = t;
      else out.push({ phase, from: start, to: t });
    }
    phase = next;
    start = t;
  };
  for (const m of marks) {
    const next = BEGINS[m.kind];
    if (next && !m.withdrawn) cut(m.t, next);
  }
  cut(to, phase);
  return out;
}

/**
 * In order of time, without what was withdrawn.
 * @param {Iterable<Mark>} marks
 */
export function inOrder(marks) {
  return [...marks].filter((m) => !m.withdrawn).sort((a, b) => a.t - b.t || a.id - b.id);
}
