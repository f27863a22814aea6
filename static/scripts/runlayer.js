// What the page of a run draws over the trace: marks and notes where they stand, a mark's old place beside its new
// one, the readings that a figure rests on, and where a replay stands.

import { timeText } from "./chart.js";

/** @typedef {import("./frame.js").Plot} Plot */
/** @typedef {import("./frame.js").Scale} Scale */
/** @typedef {(name: string) => string} Colour */
/** @typedef {{ctx: CanvasRenderingContext2D, plot: Plot, scale: Scale, colour: Colour, face: string, view: import("./frame.js").View, store: import("./columns.js").ColumnStore | null}} Canvas */
/** @typedef {{as: string, of: string, from_s: number, to_s: number}} Use */
/** @typedef {{a: number, text: string, left?: boolean, to_s?: number}} Level */
/** @typedef {{kind: string, t: number, by: string, say: string, text?: string, wasS?: number}} LayerMark */

/**
 * @typedef {object} Layer
 * @property {LayerMark[]} marks
 * @property {Level[]} levels of the current, with their names
 * @property {{uses: Use[], say: string} | null} used
 * @property {{t: number, a: number, says: boolean} | null} play where a replay stands
 * @property {{i: number, t: number} | null} drag a mark that is being moved
 * @property {boolean} close whether this is the close look
 */

/** Readings further apart than this are drawn as dots. */
const DOTS_PX = 5;
const MOST_DOTS = 600;
/** A mark can be taken hold of this near to it. */
export const GRIP_PX = 12;

/** @param {Layer} layer */
export function layerKey(layer) {
  const { used, play, drag, marks } = layer;
  return `${marks.map((m) => `${m.kind}${m.t}${m.by}`).join()} ${used?.say} ${used?.uses.length} ${play?.t} ${play?.a} ${drag?.t}`;
}

/**
 * What stands behind the words of the chart.
 * @param {Canvas} c
 * @param {Layer} layer
 */
export function paintUnder(c, layer) {
  layer.levels.forEach((l) => paintLevel(c, l, layer.close));
}

/**
 * @param {Canvas} c
 * @param {Layer} layer
 */
export function paintLayer(c, layer) {
  c.ctx.lineWidth = 1; // the words before were drawn with a halo
  if (layer.close) paintReadings(c, layer.used?.uses ?? []);
  if (layer.used) paintUsed(c, layer.used, layer.close);
  layer.marks.forEach((m, i) => paintMark(c, layer.drag?.i === i ? { ...m, t: layer.drag.t, wasS: m.t, by: "hand" } : m, layer.close));
  if (layer.play) paintPlay(c, layer.play);
}

/**
 * @param {Canvas} c
 * @param {Level} level
 * @param {boolean} close whether there is room for its name
 */
function paintLevel(c, level, close) {
  const { ctx, plot, scale, colour, face } = c;
  const y = Math.round(scale.y(level.a)) + 0.5;
  if (y < plot.top || y > plot.bottom) return;
  ctx.strokeStyle = colour("ink-faint");
  ctx.lineWidth = 1;
  ctx.beginPath();
  ctx.moveTo(plot.left, y);
  ctx.lineTo(level.to_s === undefined ? plot.right : Math.max(plot.left, Math.min(plot.right, scale.x(level.to_s))), y);
  ctx.stroke();
  if (!close) return;
  ctx.font = `400 13px ${face}`;
  halo(c, level.text, level.left ? plot.left + 8 : plot.right - ctx.measureText(level.text).width - 8, y > plot.top + 20 ? y - 6 : y + 16);
}

/**
 * Every reading as a dot, where there is room: full where a figure rests on it, else open.
 * @param {Canvas} c
 * @param {Use[]} uses
 */
function paintReadings(c, uses) {
  const { ctx, plot, scale, colour, view, store } = c;
  if (!store || store.widthS > 0) return; // a column is no reading
  const from = store.firstAtOrAfter(view.from);
  const to = store.firstAtOrAfter(view.to);
  const n = to - from;
  if (n < 2 || n > MOST_DOTS || (plot.right - plot.left) / n < DOTS_PX) return;
  ctx.lineWidth = 1.25;
  ctx.strokeStyle = colour("ink");
  for (let i = from; i < to; i++) {
    const [x, y] = [scale.x(store.t[i]), scale.y(store.max[i])];
    if (!Number.isFinite(y)) continue;
    ctx.beginPath();
    ctx.arc(x, Math.max(plot.top, y), 2.5, 0, 2 * Math.PI);
    ctx.fillStyle = colour(uses.some((u) => u.of === "current" && store.t[i] >= u.from_s - 1e-9 && store.t[i] <= u.to_s + 1e-9) ? "ink" : "sheet");
    ctx.fill();
    ctx.stroke();
  }
}

/**
 * A dimension line over what a figure rests on, and a bar at the foot of each of its stretches.
 * @param {Canvas} c
 * @param {{uses: Use[], say: string}} used
 * @param {boolean} close
 */
function paintUsed(c, used, close) {
  const { ctx, plot, scale, colour, face } = c;
  const uses = used.uses.filter((u) => u.of === "current");
  if (!uses.length) return;
  const clip = (/** @type {number} */ t) => Math.min(plot.right, Math.max(plot.left, scale.x(t)));
  ctx.fillStyle = colour("ink");
  for (const u of uses) {
    const [x1, x2] = [scale.x(u.from_s), scale.x(u.to_s)];
    if (x2 < plot.left || x1 > plot.right) continue;
    const left = clip(u.from_s);
    ctx.fillRect(left - (x2 - x1 < 2 ? 1 : 0), plot.bottom - 4, Math.max(2, clip(u.to_s) - left), 4);
    if (u.as !== "edge" || !close) continue;
    ctx.strokeStyle = colour("ink-soft");
    ctx.setLineDash([2, 3]);
    for (const x of [x1, x2]) if (x >= plot.left && x <= plot.right) upright(ctx, x, plot.top, plot.bottom);
    ctx.setLineDash([]);
  }
  if (!close) return;
  const from = Math.min(...uses.map((u) => u.from_s));
  const to = Math.max(...uses.map((u) => u.to_s));
  const [x1, x2, y] = [clip(from), clip(to), plot.bottom - 20];
  ctx.font = `650 13px ${face}`;
  const text = `used for “${used.say}”`;
  const width = ctx.measureText(text).width;
  ctx.strokeStyle = colour("ink");
  ctx.lineWidth = 1;
  if (x2 - x1 > 3) {
    ctx.beginPath();
    ctx.moveTo(x1, Math.round(y) + 0.5);
    ctx.lineTo(x2, Math.round(y) + 0.5);
    ctx.stroke();
    if (scale.x(from) >= plot.left) head(ctx, x1, y, 6);
    if (scale.x(to) <= plot.right) head(ctx, x2, y, -6);
  }
  halo(c, text, Math.min(plot.right - width - 4, Math.max(plot.left + 4, (x1 + x2 - width) / 2)), y - 7);
}

/**
 * @param {Canvas} c
 * @param {LayerMark} m
 * @param {boolean} close
 */
function paintMark(c, m, close) {
  const { ctx, plot, scale, colour, face } = c;
  const x = scale.x(m.t);
  const y = plot.bottom;
  if (m.wasS !== undefined) {
    const was = scale.x(m.wasS);
    if (was >= plot.left && was <= plot.right) {
      ctx.strokeStyle = colour("ink");
      ctx.setLineDash([3, 3]);
      upright(ctx, was, plot.top, plot.bottom);
      ctx.setLineDash([]);
      square(ctx, was, y, colour("sheet"), colour("ink"));
    }
  }
  if (x < plot.left - 1 || x > plot.right + 1) return;
  const isNote = m.kind === "note";
  if (m.by === "hand" || isNote) {
    ctx.strokeStyle = colour("ink");
    upright(ctx, x, plot.top, plot.bottom);
    square(ctx, x, isNote ? plot.top + 8 : y, colour("ink"), colour("ink"));
  } else if (close) {
    ctx.beginPath();
    ctx.arc(x, y, 4, 0, 2 * Math.PI);
    ctx.fillStyle = colour("ink");
    ctx.fill();
    ctx.strokeStyle = colour("sheet");
    ctx.lineWidth = 1.5;
    ctx.stroke();
    ctx.lineWidth = 1;
  }
  if (isNote && m.text) {
    ctx.font = `400 13px ${face}`;
    const text = clipText(ctx, m.text, Math.min(280, plot.right - x - 24));
    if (text) halo(c, text, x + 10, plot.top + 12);
  } else if (close && m.by === "hand") {
    ctx.font = `650 13px ${face}`;
    const text = `${m.say.toLowerCase()}, by hand`;
    const width = ctx.measureText(text).width;
    halo(c, text, x + 10 + width > plot.right ? x - 10 - width : x + 10, plot.top + 0.6 * (plot.bottom - plot.top));
  }
}

/**
 * @param {Canvas} c
 * @param {{t: number, a: number, says: boolean}} play
 */
function paintPlay(c, play) {
  const { ctx, plot, scale, colour, face, view } = c;
  const x = scale.x(play.t);
  if (x < plot.left || x > plot.right) return;
  ctx.strokeStyle = colour("ink");
  ctx.lineWidth = 1.5;
  upright(ctx, x, plot.top, plot.ribbonBottom);
  ctx.lineWidth = 1;
  const y = Number.isFinite(play.a) ? Math.min(plot.bottom, Math.max(plot.top, scale.y(play.a))) : plot.top;
  ctx.beginPath();
  ctx.arc(x, y, 5, 0, 2 * Math.PI);
  ctx.fillStyle = colour("ink");
  ctx.fill();
  ctx.strokeStyle = colour("sheet");
  ctx.stroke();
  if (!play.says) return;
  ctx.font = `650 13px ${face}`;
  const perPx = view.log ? view.from / 20 : (view.to - view.from) / (plot.right - plot.left);
  const text = `${timeText(play.t, perPx)}${Number.isFinite(play.a) ? `, ${play.a.toFixed(2).replace("-", "−")} A` : ""}`;
  const width = ctx.measureText(text).width;
  halo(c, text, x - 10 - width < plot.left ? x + 10 : x - 10 - width, Math.min(plot.bottom - 44, Math.max(plot.top + 40, y + 24)));
}

/**
 * Words with a halo of sheet round them.
 * @param {Canvas} c
 * @param {string} text
 * @param {number} x
 * @param {number} y
 */
function halo({ ctx, colour }, text, x, y) {
  ctx.textAlign = "left";
  ctx.textBaseline = "alphabetic";
  ctx.strokeStyle = colour("sheet");
  ctx.lineWidth = 4;
  ctx.lineJoin = "round";
  ctx.strokeText(text, x, y);
  ctx.lineWidth = 1;
  ctx.fillStyle = colour("ink");
  ctx.fillText(text, x, y);
}

/**
 * @param {CanvasRenderingContext2D} ctx
 * @param {string} text
 * @param {number} room
 */
function clipText(ctx, text, room) {
  if (ctx.measureText(text).width <= room) return text;
  let n = text.length;
  while (n > 0 && ctx.measureText(text.slice(0, n) + "…").width > room) n--;
  return n > 2 ? text.slice(0, n) + "…" : "";
}

/**
 * @param {CanvasRenderingContext2D} ctx
 * @param {number} x
 * @param {number} y1
 * @param {number} y2
 */
function upright(ctx, x, y1, y2) {
  ctx.beginPath();
  ctx.moveTo(Math.round(x) + 0.5, y1);
  ctx.lineTo(Math.round(x) + 0.5, y2);
  ctx.stroke();
}

/**
 * @param {CanvasRenderingContext2D} ctx
 * @param {number} x
 * @param {number} y
 * @param {string} fill
 * @param {string} edge
 */
function square(ctx, x, y, fill, edge) {
  ctx.fillStyle = fill;
  ctx.fillRect(x - 4.5, y - 4.5, 9, 9);
  ctx.strokeStyle = edge;
  ctx.lineWidth = 1.5;
  ctx.strokeRect(x - 4.5, y - 4.5, 9, 9);
  ctx.lineWidth = 1;
}

/**
 * @param {CanvasRenderingContext2D} ctx
 * @param {number} x
 * @param {number} y
 * @param {number} length negative points right
 */
function head(ctx, x, y, length) {
  const py = Math.round(y) + 0.5;
  ctx.beginPath();
  ctx.moveTo(x, py);
  ctx.lineTo(x + length, py - 3);
  ctx.lineTo(x + length, py + 3);
  ctx.fill();
}
