// From what is known of the bench to what a chart shows. Pure.

import { niceTop } from "./axes.js";
import { stretches } from "./phases.js";
import { closeLook, waiting, wholeHold } from "./windows.js";

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
  return {
    view: {
      ...window,
      top,
      ratedA,
      endS: mode === "idle" ? NaN : model.holdS,
      stretches: mode === "armed" ? [{ phase: "idle", from: -KEPT_S, to: 0 }] : mode === "idle" ? [] : stretches(marks, window.from, reached),
      waiting: mode === "armed",
    },
    store,
    zeroS,
    lines: model.lines,
    now: mode === "after" || !store?.length || !model.receives ? null : { t: reached, a: store.newest },
    keptS: mode === "armed" ? KEPT_S : 0,
  };
}

/**
 * A hold that has not begun is drawn as what is kept and blank sheet.
 * @param {BenchModel} model
 * @param {number} reached
 */
function windowOf(model, reached) {
  if (!model.hasOnset && model.mode === "recording") return waiting(KEPT_S, model.holdS);
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
