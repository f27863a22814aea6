// From what is known of the bench to what a chart shows. Pure.

import { niceTop } from "./axes.js";
import { stretches } from "./phases.js";
import { logWindow } from "./timeaxis.js";
import { closeLook, growing, waiting, wholeHold } from "./windows.js";

/** @typedef {import("./model.js").BenchModel} BenchModel */
/** @typedef {import("./chart.js").Picture} Picture */

const KEPT_S = 5; // of the pre-record, as the Bench shows it
const IDLE_S = 10;

/**
 * The whole hold, or what is received while nothing runs.
 * @param {BenchModel} model
 * @param {number} parts of the current axis
 * @returns {Picture}
 */
export function wholePicture(model, parts) {
  const { mode, nowS } = model;
  const unit = model.runUnit ?? model.state?.unit;
  const ratedA = unit?.rated_current_a ?? 0;
  const store = model.current;
  const quiet = mode === "idle" || mode === "armed";
  const zeroS = quiet ? nowS : model.zeroS;
  if (!Number.isFinite(zeroS)) return empty(model.holdS, ratedA);
  const reached = nowS - zeroS;
  const window = mode === "idle" ? { from: -IDLE_S, to: 0 } : mode === "armed" ? waiting(KEPT_S, model.holdS) : windowOf(model, reached);
  const seen = store?.extremes(window.from + zeroS, Math.min(window.to, reached) + zeroS);
  const top = niceTop(Math.max(seen?.max ?? 0, quiet ? 3.5 * ratedA : 1.6 * ratedA, quiet ? 0.5 : 0.1), parts);
  const marks = model.marksInOrder();
  const seenS = model.seenS - zeroS;
  return {
    view: {
      ...window,
      top,
      ratedA,
      endS: mode === "idle" ? NaN : model.holdS,
      stretches: mode === "armed" ? [{ phase: "idle", from: -KEPT_S, to: 0 }] : mode === "idle" ? [] : stretches(marks, window.from, seenS),
      waiting: mode === "armed",
    },
    store,
    zeroS,
    lines: model.lines,
    now: mode === "after" || !store?.length || !model.receives ? null : { t: reached, a: store.newest },
    keptS: mode === "armed" ? KEPT_S : 0,
    levels: levelsOf(model.lines),
  };
}

/** What a level of the current is called where a ramp, stairs or a carried load have shown it. */
const LEVELS = { carried_current_a: "carried", tripped_current_a: "tripped by", trip_current_a: "trips at", load_current_a: "load" };

/**
 * The levels that the figures of a ramp, of stairs, an overload or a carry tell.
 * @param {import("./model.js").Line[]} lines
 * @returns {import("./says.js").Level[]}
 */
export function levelsOf(lines) {
  return lines.flatMap((l) => {
    const name = /** @type {Record<string, string>} */ (LEVELS)[l.key];
    const a = Number(l.value.replace("−", "-")) * (l.unit === "mA" ? 1e-3 : 1);
    return name && l.value && Number.isFinite(a) ? [{ a, text: [name, l.lead, l.value, l.unit].filter(Boolean).join(" ") }] : [];
  });
}

/**
 * A hold that has not begun is drawn as what is kept and blank sheet.
 * @param {BenchModel} model
 * @param {number} reached
 */
function windowOf(model, reached) {
  if (!model.hasOnset && model.mode === "recording") return waiting(KEPT_S, model.holdS);
  // How long a load is raised nobody knows before: the sheet grows with it.
  if (model.procedure === "ramp" || model.procedure === "steps") return growing(model.holdS, reached);
  return wholeHold(model.holdS, reached);
}

/**
 * The close look at the beginning, null where the whole hold shows it well enough.
 * @param {Picture} whole
 * @param {number} widthPx
 * @returns {Picture | null}
 */
export function closePicture(whole, widthPx) {
  const fault = whole.view.stretches.find((s) => s.phase === "fault");
  const reached = whole.view.stretches[whole.view.stretches.length - 1]?.to ?? 0;
  if (!fault || fault.to >= reached) return null;
  const window = closeLook(whole.view, widthPx, fault.to - fault.from);
  if (!window) return null;
  const inside = whole.view.stretches.filter((s) => s.to > window.from && s.from < window.to);
  const now = whole.now && whole.now.t <= window.to ? whole.now : null;
  return {
    ...whole,
    view: { ...whole.view, ...window, stretches: inside.map((s) => ({ ...s, from: Math.max(s.from, window.from), to: Math.min(s.to, window.to) })), endS: NaN },
    now,
  };
}

/**
 * The same picture through another window. Where only little flows there, the current axis follows.
 * @param {Picture} whole
 * @param {{from: number, to: number}} window seconds from the run's zero
 * @param {number} parts of the current axis
 * @returns {Picture}
 */
export function lookPicture(whole, window, parts) {
  const { view, store, zeroS } = whole;
  const seen = store?.extremes(window.from + zeroS, window.to + zeroS);
  const top = seen && seen.max < 0.2 * view.top ? niceTop(Math.max(seen.max, 0.002), parts) : view.top;
  return {
    ...whole,
    view: { ...view, ...window, top, endS: view.endS <= window.to && view.endS >= window.from ? view.endS : NaN, stretches: view.stretches.filter((s) => s.to > window.from && s.from < window.to), part: null },
    now: whole.now && whole.now.t >= window.from && whole.now.t <= window.to ? whole.now : null,
  };
}

/**
 * The same picture on logarithmic time, from the first instant after the onset that readings can tell.
 * @param {Picture} picture
 * @returns {Picture}
 */
export function logPicture(picture) {
  return { ...picture, view: { ...picture.view, ...logWindow(picture.view, intervalS(picture.store)), log: true } };
}

/**
 * The interval between readings, or columns where there are several a column; 0 where it is unknown.
 * @param {import("./columns.js").ColumnStore | null} store
 */
export function intervalS(store) {
  if (!store || store.length < 3) return 0;
  const from = Math.max(store.start, store.n - 1000);
  return (store.t[store.n - 1] - store.t[from]) / (store.n - 1 - from);
}

/**
 * What there is to be looked at in a picture.
 * @param {Picture} whole
 * @returns {import("./lens.js").Limits}
 */
export function limitsOf(whole) {
  return { from: whole.view.from, to: whole.view.to, leastS: Math.max(10 * intervalS(whole.store), 1e-5) };
}

/**
 * A further channel under the trace, in the same window.
 * @param {Picture} whole
 * @param {{instrument: string, quantity: string, unit: string}} channel
 * @param {import("./columns.js").ColumnStore} store
 * @param {boolean} named whether the instrument has to be named, since there are several
 * @returns {Picture}
 */
export function lanePicture(whole, channel, store, named) {
  const { view, zeroS } = whole;
  const seen = store.extremes(view.from + zeroS, view.to + zeroS);
  const most = niceTop(Math.max(seen?.max ?? 0, 0.1), 3);
  const least = seen && seen.min < -0.02 * Math.max(most, -seen.min) ? -niceTop(-seen.min, 3) : 0;
  const newest = store.newestS - zeroS;
  const quantity = channel.quantity.charAt(0).toUpperCase() + channel.quantity.slice(1);
  return {
    ...whole,
    view: { ...view, top: most, bottom: least, unit: channel.unit, ratedA: 0, part: null },
    store,
    lines: [],
    levels: [],
    name: named ? `${quantity}, ${channel.instrument}` : quantity,
    now: whole.now && newest <= view.to ? { t: newest, a: store.newest } : null,
  };
}

/**
 * @param {number} holdS
 * @param {number} ratedA
 * @returns {Picture}
 */
function empty(holdS, ratedA) {
  return {
    view: { ...waiting(KEPT_S, holdS), top: niceTop(Math.max(3.5 * ratedA, 1), 5), ratedA, endS: holdS, stretches: [], waiting: true },
    store: null,
    zeroS: 0,
    lines: [],
    now: null,
    keptS: 0,
  };
}
