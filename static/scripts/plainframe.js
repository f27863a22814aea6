// The frame without the chart library: the same ground, axes, bands and ribbon, drawn plainly on a
// canvas, so that a test can be watched on a machine where the library was not built.

import { tickText } from "./axes.js";
import { linear, plotOf, ticksOf } from "./frame.js";
import { hatchTile, readColours, readFace } from "./palette.js";
import { alongOf } from "./timeaxis.js";

/** @typedef {import("./frame.js").View} View */

export class PlainFrame {
  /**
   * @param {HTMLElement} host
   * @param {boolean} [lane]
   */
  constructor(host, lane) {
    this.host = host;
    this.lane = lane ?? false;
    this.canvas = document.createElement("canvas");
    this.canvas.style.width = this.canvas.style.height = "100%";
    host.replaceChildren(this.canvas);
    this.applyWhole();
    this.resize();
  }

  applyWhole() {
    this.colour = readColours();
    this.face = readFace();
  }

  resize() {
    this.width = this.host.clientWidth;
    this.height = this.host.clientHeight;
    const dots = devicePixelRatio || 1;
    this.canvas.width = Math.round(this.width * dots);
    this.canvas.height = Math.round(this.height * dots);
    this.dots = dots;
  }

  /** @param {View} view */
  show(view) {
    const ctx = this.canvas.getContext("2d");
    const colour = this.colour;
    if (!ctx || !colour) return;
    this.view = view;
    const plot = plotOf(this.width ?? 0, this.height ?? 0, this.lane);
    const { x, y } = this.scale();
    const clip = (/** @type {number} */ px) => Math.min(plot.right, Math.max(plot.left, px));
    const dots = this.dots ?? 1;
    ctx.setTransform(dots, 0, 0, dots, 0, 0);
    ctx.clearRect(0, 0, this.width ?? 0, this.height ?? 0);
    ctx.fillStyle = colour("sheet");
    ctx.fillRect(plot.left, plot.top, plot.right - plot.left, plot.bottom - plot.top);
    for (const s of view.stretches) {
      if (s.phase === "idle" && !view.waiting) continue;
      const left = clip(x(s.from));
      const right = clip(x(s.to));
      ctx.fillStyle = colour(`phase-${s.phase === "idle" ? "off" : s.phase}`);
      ctx.fillRect(left, plot.top, right - left, plot.bottom - plot.top);
      const tile = hatchTile(s.phase, colour);
      if (tile) ctx.fillStyle = ctx.createPattern(tile, "repeat") ?? ctx.fillStyle;
      if (s.phase !== "idle") ctx.fillRect(left, plot.ribbonTop, right - left, plot.ribbonBottom - plot.ribbonTop);
    }
    this.axes(ctx, view, plot);
    if (view.ratedA > 0 && view.ratedA < view.top) {
      ctx.setLineDash([2, 3]);
      line(ctx, plot.left, y(view.ratedA), plot.right, y(view.ratedA));
      ctx.setLineDash([]);
    }
    if (view.endS > view.from && view.endS <= view.to) line(ctx, x(view.endS), plot.top, x(view.endS), plot.ribbonBottom);
  }

  /**
   * @param {CanvasRenderingContext2D} ctx
   * @param {View} view
   * @param {import("./frame.js").Plot} plot
   */
  axes(ctx, view, plot) {
    const colour = this.colour;
    if (!colour) return;
    const ticks = ticksOf(view, plot);
    const { x, y } = this.scale();
    ctx.strokeStyle = colour("ink");
    ctx.lineWidth = 1;
    line(ctx, plot.left, plot.top, plot.left, plot.bottom);
    line(ctx, plot.left, plot.bottom, plot.right, plot.bottom);
    ctx.fillStyle = colour("ink-faint");
    ctx.font = `12px ${this.face}`;
    ctx.textBaseline = "middle";
    ctx.textAlign = "right";
    const last = ticks.y.values[ticks.y.values.length - 1];
    for (const v of ticks.y.values) ctx.fillText(tickText(v, ticks.y.step) + (v === last ? ` ${view.unit ?? "A"}` : ""), plot.left - 8, y(v));
    ctx.textAlign = "center";
    ticks.x.values.forEach((v, i) => ctx.fillText(ticks.x.texts[i], x(v), plot.ribbonBottom + 15));
  }

  /** Pixels of a time and a current. */
  scale() {
    const view = this.view;
    const plot = plotOf(this.width ?? 0, this.height ?? 0, this.lane);
    const along = alongOf(view ?? {});
    const [from, to] = [along.u(view?.from ?? 0), along.u(view?.to ?? 1)];
    const foot = view?.bottom ?? 0;
    return linear(
      (u, a) => [
        view ? plot.left + ((u - from) / (to - from)) * (plot.right - plot.left) : 0,
        view ? plot.bottom - ((a - foot) / (view.top - foot)) * (plot.bottom - plot.top) : 0,
      ],
      along,
    );
  }
}

/**
 * @param {CanvasRenderingContext2D} ctx
 * @param {number} x1
 * @param {number} y1
 * @param {number} x2
 * @param {number} y2
 */
function line(ctx, x1, y1, x2, y2) {
  ctx.beginPath();
  ctx.moveTo(Math.round(x1) + 0.5, Math.round(y1) + 0.5);
  ctx.lineTo(Math.round(x2) + 0.5, Math.round(y2) + 0.5);
  ctx.stroke();
}
