// Draws on the canvas over the frame: the trace, what is missing or beyond the range, dimension
// lines and words.

import { GAP, OVER } from "./columns.js";

/** @typedef {import("./columns.js").Pixels} Pixels */
/** @typedef {import("./frame.js").Plot} Plot */
/** @typedef {import("./says.js").Say} Say */
/** @typedef {(name: string) => string} Colour */
/** @typedef {{x: (t: number) => number, y: (a: number) => number}} Scale */

const TRACE_WIDTH = 1.75;

/** A pixel in which the trace turns this often and reaches this far is a ripple too fast to be drawn as a line. */
const RIPPLE_TURNS = 3;
const RIPPLE_PX = 10;

/**
 * The one ink line. Over a gap it is not drawn, whatever lies on either side. Where a ripple is too
 * fast for the pixels, its two edges are inked and what lies between is toned, so that the phases
 * behind stay to be seen; no extreme is lost by that.
 * @param {CanvasRenderingContext2D} ctx
 * @param {Pixels} px times already from the run's zero
 * @param {Scale} scale
 * @param {Plot} plot
 * @param {Colour} colour
 */
export function paintTrace(ctx, px, scale, plot, colour) {
  // A reading beyond the range without a number stands at the top edge: it is more than can be shown.
  const y = (/** @type {number} */ a) => (Number.isFinite(a) ? Math.max(scale.y(a), plot.top) : a > 0 ? plot.top : plot.bottom);
  const ripples = (/** @type {number} */ i) => px.turns[i] >= RIPPLE_TURNS && y(px.min[i]) - y(px.max[i]) > RIPPLE_PX;
  ctx.save();
  ctx.beginPath();
  ctx.rect(plot.left, plot.top - 2, plot.right - plot.left, plot.bottom - plot.top + 4);
  ctx.clip();
  ctx.strokeStyle = ctx.fillStyle = colour("ink");
  ctx.lineWidth = TRACE_WIDTH;
  ctx.lineJoin = "round";
  const line = new Path2D();
  for (let i = 0; i < px.n; i++) {
    if (ripples(i)) {
      let end = i;
      while (end + 1 < px.n && ripples(end + 1) && !(px.flags[end + 1] & GAP)) end++;
      if (end - i >= 2) {
        line.lineTo(scale.x(px.t[i]), y(px.first[i]));
        paintRipple(ctx, px, i, end, scale, y);
        line.moveTo(scale.x(px.t[end]), y(px.last[end]));
        i = end;
        continue;
      }
    }
    const x = scale.x(px.t[i]);
    if (i === 0 || px.flags[i] & GAP) line.moveTo(x, y(px.first[i]));
    else line.lineTo(x, y(px.first[i]));
    if (px.max[i] > px.min[i]) {
      line.lineTo(x, y(px.min[i]));
      line.lineTo(x, y(px.max[i]));
      line.lineTo(x, y(px.last[i]));
    }
  }
  ctx.stroke(line);
  ctx.restore();
}

/**
 * @param {CanvasRenderingContext2D} ctx
 * @param {Pixels} px
 * @param {number} from
 * @param {number} to
 * @param {Scale} scale
 * @param {(a: number) => number} y
 */
function paintRipple(ctx, px, from, to, scale, y) {
  const top = new Path2D();
  const bottom = new Path2D();
  const between = new Path2D();
  for (let i = from; i <= to; i++) {
    top.lineTo(scale.x(px.t[i]), y(px.max[i]));
    bottom.lineTo(scale.x(px.t[i]), y(px.min[i]));
    between.lineTo(scale.x(px.t[i]), y(px.max[i]));
  }
  for (let i = to; i >= from; i--) between.lineTo(scale.x(px.t[i]), y(px.min[i]));
  ctx.globalAlpha = 0.3;
  ctx.fill(between);
  ctx.globalAlpha = 1;
  ctx.stroke(top);
  ctx.stroke(bottom);
}

/**
 * Gaps: the sheet itself is missing, trace and ribbon alike. Only those wide enough to be seen.
 * @param {CanvasRenderingContext2D} ctx
 * @param {Pixels} px
 * @param {Scale} scale
 * @param {Plot} plot
 * @param {Colour} colour
 * @returns {{from: number, to: number}[]} what was drawn, in seconds
 */
export function paintHoles(ctx, px, scale, plot, colour) {
  const holes = [];
  for (let i = 1; i < px.n; i++) {
    if (!(px.flags[i] & GAP)) continue;
    const left = Math.max(plot.left, scale.x(px.t[i - 1]));
    const right = Math.min(plot.right, scale.x(px.t[i]));
    if (right - left < 3) continue;
    holes.push({ from: px.t[i - 1], to: px.t[i] });
    ctx.fillStyle = colour("paper");
    ctx.fillRect(left, plot.top, right - left, plot.ribbonBottom - plot.top);
    ctx.strokeStyle = colour("ink-faint");
    ctx.lineWidth = 1;
    ctx.setLineDash([3, 3]);
    stroke(ctx, left, plot.top, left, plot.ribbonBottom);
    stroke(ctx, right, plot.top, right, plot.ribbonBottom);
    ctx.setLineDash([]);
  }
  return holes;
}

/**
 * Beyond the range: hatched from the most the range shows to the top of the chart.
 * @param {CanvasRenderingContext2D} ctx
 * @param {Pixels} px
 * @param {Scale} scale
 * @param {Plot} plot
 * @param {Colour} colour
 */
export function paintOver(ctx, px, scale, plot, colour) {
  ctx.strokeStyle = colour("ink-faint");
  ctx.lineWidth = 1;
  for (let i = 0; i < px.n; i++) {
    if (!(px.flags[i] & OVER)) continue;
    const left = scale.x(px.t[i]);
    let last = i;
    while (last + 1 < px.n && px.flags[last + 1] & OVER) last++;
    const right = Math.max(left + 2, scale.x(px.t[Math.min(last + 1, px.n - 1)]));
    const level = Number.isFinite(px.max[i]) ? Math.max(plot.top, scale.y(px.max[i])) : plot.top + 10;
    ctx.save();
    ctx.beginPath();
    ctx.rect(left, plot.top, right - left, level - plot.top);
    ctx.clip();
    for (let x = left - (level - plot.top); x < right; x += 6) stroke(ctx, x, level, x + (level - plot.top), plot.top);
    ctx.restore();
    stroke(ctx, left, level, right, level);
    i = last;
  }
}

/**
 * @param {CanvasRenderingContext2D} ctx
 * @param {ReturnType<import("./says.js").layoutSays>} layout
 * @param {Plot} plot
 * @param {Colour} colour
 * @param {string} face
 */
export function paintSays(ctx, layout, plot, colour, face) {
  ctx.strokeStyle = ctx.fillStyle = colour("ink");
  ctx.lineWidth = 1;
  ctx.setLineDash([9, 3, 2, 3]);
  for (const l of layout.levels) stroke(ctx, plot.left, l.y, plot.right, l.y);
  ctx.setLineDash([]);
  const shows = (/** @type {number} */ x) => x >= plot.left - 1 && x <= plot.right + 1;
  for (const d of layout.dims) {
    // A length that reaches out of the window has no end there.
    const [x1, x2] = [Math.max(d.x1, plot.left), Math.min(d.x2, plot.right)];
    if (shows(d.x1)) stroke(ctx, x1, d.y - 5, x1, Math.max(d.y + 5, d.foot1));
    if (shows(d.x2)) stroke(ctx, x2, d.y - 5, x2, Math.max(d.y + 5, d.foot2));
    if (x2 - x1 < 3) continue;
    stroke(ctx, x1, d.y, x2, d.y);
    if (x2 - x1 < 14) continue;
    ctx.fillStyle = colour("ink");
    if (shows(d.x1)) head(ctx, x1, d.y, 6);
    if (shows(d.x2)) head(ctx, x2, d.y, -6);
  }
  for (const l of layout.leaders) if (shows(l.x1) && shows(l.x2)) stroke(ctx, l.x1, l.y1, l.x2, l.y2);
  for (const d of layout.dots) if (shows(d.x)) dot(ctx, d.x, d.y, 4, colour);
  for (const s of layout.says) paintSay(ctx, s, plot, colour, face);
}

/**
 * The latest reading: a line through trace and ribbon, and a dot.
 * @param {CanvasRenderingContext2D} ctx
 * @param {number} x
 * @param {number} y
 * @param {Plot} plot
 * @param {Colour} colour
 */
export function paintNow(ctx, x, y, plot, colour) {
  ctx.strokeStyle = colour("ink");
  ctx.lineWidth = 1;
  stroke(ctx, x, plot.top, x, plot.ribbonBottom);
  dot(ctx, x, Math.max(plot.top, Math.min(plot.bottom, y)), 5, colour);
}

/**
 * The frame on the whole trace: what the close look shows.
 * @param {CanvasRenderingContext2D} ctx
 * @param {number} x1
 * @param {number} x2
 * @param {Plot} plot
 * @param {Colour} colour
 */
export function paintPart(ctx, x1, x2, plot, colour) {
  const left = Math.max(plot.left, x1) + 1;
  const right = Math.min(plot.right, x2) - 1;
  if (right <= plot.left || left >= plot.right) return;
  ctx.strokeStyle = colour("ink");
  ctx.lineWidth = 2;
  ctx.strokeRect(left, plot.top, Math.max(2, right - left), plot.bottom - plot.top);
  ctx.lineWidth = 1;
}

/**
 * A part of time while it is being chosen.
 * @param {CanvasRenderingContext2D} ctx
 * @param {number} x1
 * @param {number} x2
 * @param {Plot} plot
 * @param {Colour} colour
 */
export function paintChoice(ctx, x1, x2, plot, colour) {
  ctx.strokeStyle = colour("ink");
  ctx.setLineDash([4, 3]);
  ctx.strokeRect(Math.min(x1, x2), plot.top, Math.abs(x2 - x1), plot.bottom - plot.top);
  ctx.setLineDash([]);
}

/**
 * The pointer: a line, a ring on every end of what it points to, and the words on a plain sheet.
 * @param {CanvasRenderingContext2D} ctx
 * @param {{x: number, ys: number[], words: string[]}} at
 * @param {Plot} plot
 * @param {Colour} colour
 * @param {string} face
 */
export function paintPointer(ctx, at, plot, colour, face) {
  ctx.strokeStyle = colour("ink-soft");
  ctx.lineWidth = 1;
  stroke(ctx, at.x, plot.top, at.x, plot.ribbonBottom);
  for (const y of at.ys) {
    ctx.beginPath();
    ctx.arc(at.x, Math.max(plot.top, Math.min(plot.bottom, y)), 4, 0, 2 * Math.PI);
    ctx.fillStyle = colour("sheet");
    ctx.fill();
    ctx.strokeStyle = colour("ink");
    ctx.lineWidth = 1.5;
    ctx.stroke();
  }
  if (!at.words.length) return;
  ctx.font = `650 13px ${face}`;
  const width = Math.max(...at.words.map((w) => ctx.measureText(w).width)) + 16;
  const height = 18 * at.words.length + 8;
  const left = at.x + 10 + width > plot.right ? at.x - 10 - width : at.x + 10;
  const top = Math.max(plot.top + 4, plot.bottom - height - 24);
  ctx.fillStyle = colour("sheet");
  ctx.strokeStyle = colour("rule-strong");
  ctx.lineWidth = 1;
  ctx.fillRect(left, top, width, height);
  ctx.strokeRect(Math.round(left) + 0.5, Math.round(top) + 0.5, Math.round(width), height);
  ctx.fillStyle = colour("ink");
  ctx.textAlign = "left";
  ctx.textBaseline = "alphabetic";
  at.words.forEach((w, i) => ctx.fillText(w, left + 8, top + 19 + 18 * i));
}

/**
 * @param {Say} say
 * @param {string} face
 * @param {boolean} [bold]
 */
export const fontOf = (say, face, bold) => `${bold ? 650 : 400} ${say.size}px ${face}`;

/**
 * @param {CanvasRenderingContext2D} ctx
 * @param {Say} say
 * @param {Plot} plot
 * @param {Colour} colour
 * @param {string} face
 */
function paintSay(ctx, say, plot, colour, face) {
  ctx.textBaseline = "alphabetic";
  ctx.textAlign = "left";
  let width = 0;
  for (const p of say.parts) {
    ctx.font = fontOf(say, face, p.bold);
    width += ctx.measureText(p.text).width;
  }
  let x = say.anchor === "start" ? say.x : say.anchor === "end" ? say.x - width : say.x - width / 2;
  const onSheet = say.y > plot.top && say.y < plot.bottom + 2;
  for (const p of say.parts) {
    ctx.font = fontOf(say, face, p.bold);
    if (onSheet || say.y > plot.ribbonTop) {
      ctx.strokeStyle = colour("sheet");
      ctx.lineWidth = 4;
      ctx.lineJoin = "round";
      if (say.y < plot.ribbonBottom) ctx.strokeText(p.text, x, say.y);
    }
    ctx.fillStyle = colour(say.soft ? "ink-soft" : "ink");
    ctx.fillText(p.text, x, say.y);
    x += ctx.measureText(p.text).width;
  }
}

/**
 * @param {CanvasRenderingContext2D} ctx
 * @param {number} x
 * @param {number} y
 * @param {number} length negative points right
 */
function head(ctx, x, y, length) {
  const px = Math.round(x) + 0.5;
  const py = Math.round(y) + 0.5;
  ctx.beginPath();
  ctx.moveTo(px, py);
  ctx.lineTo(px + length, py - 3);
  ctx.lineTo(px + length, py + 3);
  ctx.fill();
}

/**
 * @param {CanvasRenderingContext2D} ctx
 * @param {number} x
 * @param {number} y
 * @param {number} r
 * @param {Colour} colour
 */
function dot(ctx, x, y, r, colour) {
  ctx.beginPath();
  ctx.arc(x, y, r, 0, 2 * Math.PI);
  ctx.fillStyle = colour("ink");
  ctx.fill();
  ctx.strokeStyle = colour("sheet");
  ctx.lineWidth = 1.5;
  ctx.stroke();
  ctx.strokeStyle = colour("ink");
  ctx.lineWidth = 1;
}

/**
 * Level and upright lines on whole pixels, so that hairlines stay hairlines.
 * @param {CanvasRenderingContext2D} ctx
 * @param {number} x1
 * @param {number} y1
 * @param {number} x2
 * @param {number} y2
 */
function stroke(ctx, x1, y1, x2, y2) {
  const snap = x1 === x2 || y1 === y2;
  const at = (/** @type {number} */ v) => (snap ? Math.round(v) + 0.5 : v);
  ctx.beginPath();
  ctx.moveTo(at(x1), at(y1));
  ctx.lineTo(at(x2), at(y2));
  ctx.stroke();
}
