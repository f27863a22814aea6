// From the columns of a trace to what a chart of Side by side draws. Pure.

import { niceTop } from "./axes.js";
import { ColumnStore, GAP } from "./columns.js";

/** @typedef {{t_s: number[], min: (number | null)[], max: (number | null)[], mean: (number | null)[], flags: number[], single: boolean}} Columns */
/** @typedef {{t: number[], min: number[], mean: number[], max: number[]}} Band several runs of one unit: from the least to the largest, and their mean */
/** @typedef {{from: number, to: number}} Window */

/** A ripple that turns about once a pixel over so many pixels to either side, and reaches further than
 * RIPPLE_PX, is too fast to be drawn as a line. Its edges are those of EDGE_PX to either side. */
const RIPPLE_REACH_PX = 8;
const RIPPLE_PX = 5;
const EDGE_PX = 2;

/** Readings further apart than this are shown as such. */
const APART_PX = 9;

/**
 * Columns as a store; several sets are joined, the finer ones counting where they are.
 * @param {Columns[]} sets coarse ones first
 */
export function storeOf(...sets) {
  /** @type {Columns} */
  let all = { t_s: [], min: [], max: [], mean: [], flags: [], single: true };
  for (const s of sets) {
    if (!s?.t_s.length) continue;
    const put = putInto(all.t_s, s.t_s);
    const join = (/** @type {"t_s" | "min" | "max" | "flags"} */ k) => put(/** @type {any[]} */ (all[k]), s[k]);
    all = { t_s: join("t_s"), min: join("min"), max: join("max"), mean: [], flags: join("flags"), single: false };
  }
  const store = new ColumnStore();
  // What had no number was beyond the range.
  const values = (/** @type {(number | null)[]} */ v) => Float32Array.from(v, (x) => (x === null ? Infinity : x));
  store.take({ backlog: true, channel: 0, lost: 0, widthS: 0, t: Float64Array.from(all.t_s), min: values(all.min), max: values(all.max), flags: Uint8Array.from(all.flags) });
  return store;
}

/**
 * Bands joined like the columns they are of.
 * @param {(Band | undefined)[]} sets coarse ones first
 * @returns {Band}
 */
export function bandOf(...sets) {
  /** @type {Band} */
  let all = { t: [], min: [], mean: [], max: [] };
  for (const s of sets) {
    if (!s?.t.length) continue;
    const put = putInto(all.t, s.t);
    all = { t: put(all.t, s.t), min: put(all.min, s.min), mean: put(all.mean, s.mean), max: put(all.max, s.max) };
  }
  return all;
}

/**
 * What puts finer columns in the place of those of the same time.
 * @param {number[]} times of the coarse ones
 * @param {number[]} finer times; not empty
 * @returns {(old: any[], fresh: any[]) => any[]}
 */
function putInto(times, finer) {
  const before = lowerBound(times, finer[0]);
  let after = before;
  while (after < times.length && times[after] <= finer[finer.length - 1]) after++;
  return (old, fresh) => old.slice(0, before).concat(fresh, old.slice(after));
}

/**
 * @param {number[]} sorted
 * @param {number} v
 */
function lowerBound(sorted, v) {
  let lo = 0;
  let hi = sorted.length;
  while (lo < hi) {
    const mid = (lo + hi) >> 1;
    if (sorted[mid] < v) lo = mid + 1;
    else hi = mid;
  }
  return lo;
}

/**
 * What one trace is in one panel.
 * @typedef {object} Drawn
 * @property {([number, number] | [number, null])[]} line points; null breaks it
 * @property {{top: [number, number][], bottom: [number, number][]}[]} tones stretches of ripple
 * @property {boolean} dots whether single readings are to be seen
 */

/**
 * @param {ColumnStore} store
 * @param {Window} window seconds
 * @param {{px: number, pxPerUnit: number, scale: number, top: number, along: {u: (t: number) => number}}} panel
 * `scale` is what an ampere becomes on the axis
 * @returns {Drawn}
 */
export function traceIn(store, window, panel) {
  /** @type {Drawn} */
  const out = { line: [], tones: [], dots: false };
  if (!store.length) return out;
  const y = (/** @type {number} */ a) => (Number.isFinite(a) ? Math.min(a * panel.scale, panel.top) : panel.top);
  const far = (/** @type {number} */ lo, /** @type {number} */ hi) => (y(hi) - y(lo)) * panel.pxPerUnit > RIPPLE_PX;
  const px = pixelsIn(store, window, Math.max(8, Math.round(panel.px)), panel.along.u, far);
  const ripple = ripples(px, far);
  for (let i = 0; i < px.length; i++) {
    const p = px[i];
    if (ripple[i]) {
      let end = i;
      while (end + 1 < px.length && ripple[end + 1] && !px[end + 1].gap) end++;
      /** @type {Drawn["tones"][number]} */
      const tone = { top: [], bottom: [] };
      for (let k = i; k <= end; k++) {
        const near = px.slice(Math.max(i, k - EDGE_PX), Math.min(end, k + EDGE_PX) + 1);
        tone.top.push([px[k].u, y(Math.max(...near.map((n) => n.max)))]);
        tone.bottom.push([px[k].u, y(Math.min(...near.map((n) => n.min)))]);
      }
      out.tones.push(tone);
      if (p.gap) out.line.push([p.u, null]);
      out.line.push([p.u, y(p.first)], ...tone.top, [px[end].u, y(px[end].last)]);
      i = end;
      continue;
    }
    if (p.gap) out.line.push([p.u, null]);
    out.line.push([p.u, y(p.first)]);
    if (p.max > p.min) out.line.push([p.u, y(p.min)], [p.u, y(p.max)], [p.u, y(p.last)]);
  }
  out.dots = px.length > 1 && px.length < panel.px / APART_PX;
  return out;
}

/**
 * @typedef {object} Pixel all readings of one pixel
 * @property {number} u along the axis
 * @property {number} min
 * @property {number} max
 * @property {number} first
 * @property {number} last
 * @property {boolean} gap whether something is missing before it
 * @property {number} turns how often the trace turns in it
 */

/**
 * A window reduced to pixels, even along the axis; the columns before and behind it are taken along, so that
 * the line runs to both edges.
 * @param {ColumnStore} store
 * @param {Window} window
 * @param {number} width pixels
 * @param {(t: number) => number} u
 * @param {(lo: number, hi: number) => boolean} far whether two values are far apart on the screen
 * @returns {Pixel[]}
 */
function pixelsIn(store, window, width, u, far) {
  /** @type {Pixel[]} */
  const out = [];
  const [left, right] = [u(window.from), u(window.to)];
  const end = Math.min(store.n, store.firstAtOrAfter(window.to) + 1);
  let at = NaN;
  const swing = new Swing(far);
  for (let i = Math.max(store.start, store.firstAtOrAfter(window.from) - 1); i < end; i++) {
    const place = u(store.t[i]);
    const pixel = Math.max(-1, Math.min(width, Math.floor(((place - left) / (right - left)) * width)));
    const up = store.rising(i);
    const gap = (store.flags[i] & GAP) !== 0;
    const [lo, hi] = [store.min[i], store.max[i]];
    if (pixel !== at || gap) {
      at = pixel;
      out.push({ u: Math.max(place, left - (right - left)), min: lo, max: hi, first: up ? lo : hi, last: up ? hi : lo, gap: gap && out.length > 0, turns: 0 });
    }
    const p = out[out.length - 1];
    if (lo < p.min) p.min = lo;
    if (hi > p.max) p.max = hi;
    p.last = up ? hi : lo;
    for (const v of up ? [lo, hi] : [hi, lo]) p.turns += swing.to(v) ? 1 : 0;
  }
  return out;
}

/** Counts where a trace turns and comes so far back that it can be seen: noise does not count. */
class Swing {
  /** @param {(lo: number, hi: number) => boolean} far */
  constructor(far) {
    this.far = far;
    this.way = 0; // 1 up, -1 down, 0 not known yet
    this.most = -Infinity; // the furthest it went up, and down, since it turned
    this.least = Infinity;
  }

  /**
   * Whether it turned on the way to this value.
   * @param {number} v
   */
  to(v) {
    this.most = Math.max(this.most, v);
    this.least = Math.min(this.least, v);
    const back = this.way >= 0 && this.far(v, this.most) ? -1 : this.way <= 0 && this.far(this.least, v) ? 1 : 0;
    if (back === 0) return false;
    const turned = this.way !== 0;
    this.way = back;
    this.most = this.least = v;
    return turned;
  }
}

/**
 * Which pixels belong to a ripple too fast for a line: around them the trace turns about once a pixel, and
 * reaches far.
 * @param {Pixel[]} px
 * @param {(lo: number, hi: number) => boolean} far
 */
function ripples(px, far) {
  const out = new Array(px.length).fill(false);
  for (let i = 0; i < px.length; i++) {
    const near = px.slice(Math.max(0, i - RIPPLE_REACH_PX), i + RIPPLE_REACH_PX + 1);
    const turns = near.reduce((n, p) => n + p.turns, 0);
    if (near.length > RIPPLE_REACH_PX && turns >= 0.9 * near.length) out[i] = far(Math.min(...near.map((n) => n.min)), Math.max(...near.map((n) => n.max)));
  }
  return out;
}

/**
 * The top of the axis that all panels share.
 * @param {ColumnStore[]} stores
 * @param {number[]} rated of each run, on the axis; 0 where unknown
 * @param {number[]} scales
 */
export function topOf(stores, rated, scales) {
  let most = 0.01;
  stores.forEach((s, i) => {
    most = Math.max(most, (s.extremes(-Infinity, Infinity)?.max ?? 0) * scales[i], 1.1 * rated[i]);
  });
  return niceTop(most * 1.12, 5);
}

/**
 * The value of a trace at an instant, where it has one: of the nearest column not later.
 * @param {ColumnStore} store
 * @param {number} t
 * @returns {number}
 */
export function valueAt(store, t) {
  const next = store.firstAtOrAfter(t);
  if (next === store.start && store.t[next] > t) return NaN;
  if (next >= store.n) return NaN;
  if (store.t[next] > t && store.flags[next] & GAP) return NaN;
  return store.at(t);
}

/**
 * The decades that a logarithmic axis shows, each asked for by itself: even columns would leave the first
 * of them empty.
 * @param {Window} window from above 0
 * @returns {Window[]}
 */
export function decadesOf(window) {
  const out = [];
  for (let from = window.from; from < window.to * (1 - 1e-9) && out.length < 8; from *= 10) out.push({ from, to: Math.min(from * 10, window.to) });
  return out;
}

/**
 * The address of what is seen.
 * @param {string} search of the page's address
 * @param {Window | null} window null: the page's own choice
 */
export function addressOf(search, window) {
  const q = new URLSearchParams(search);
  q.delete("from");
  q.delete("to");
  if (window) {
    const digits = Math.min(9, Math.max(0, 3 - Math.floor(Math.log10(window.to - window.from))));
    q.set("from", String(Number(window.from.toFixed(digits))));
    q.set("to", String(Number(window.to.toFixed(digits))));
  }
  return "?" + q.toString().replaceAll("%2C", ",");
}
