// One chart of a trace: the frame below, the trace and its words on a canvas over it, in the
// frame's own coordinates.

import { LibraryFrame, plotOf, ticksOf } from "./frame.js";
import { PlainFrame } from "./plainframe.js";
import { onSchemeChange, readColours, readFace } from "./palette.js";
import { fontOf, paintChoice, paintHoles, paintNow, paintOver, paintPart, paintPointer, paintSays, paintTrace } from "./paint.js";
import { layoutSays, lengthText, pointerText } from "./says.js";
import { alongOf } from "./timeaxis.js";

/** @typedef {import("./columns.js").ColumnStore} ColumnStore */
/** @typedef {import("./frame.js").View} View */

/**
 * @typedef {object} Picture everything a chart shows
 * @property {View} view
 * @property {ColumnStore | null} store
 * @property {number} zeroS the run's zero on the store's time base
 * @property {import("./model.js").Line[]} lines
 * @property {{t: number, a: number} | null} now
 * @property {number} keptS armed: what is kept from before; else 0
 * @property {import("./says.js").Level[]} [levels] named levels of the current, such as the stair that was carried
 * @property {string} [name] of a lane: what it shows
 * @property {{key: string, paintUnder: (canvas: import("./runlayer.js").Canvas) => void, paint: (canvas: import("./runlayer.js").Canvas) => void}} [layer] what a page draws over the trace, under the words and over them
 */

/** The library's work is the dear part: while something grows, the frame follows after this many
 * milliseconds, or sooner once it lags by some pixels. */
const FRAME_EVERY_MS = 100;
const FRAME_SOONEST_MS = 33;
const FRAME_LAG_PX = 3;

export class TraceChart {
  /**
   * @param {HTMLElement} host
   * @param {any} option the server's option object
   * @param {Record<string, string>} words what the phases are called
   * @param {boolean} [lane] a further channel under the trace: lower, without ribbon and words
   */
  constructor(host, option, words, lane) {
    this.host = host;
    this.words = words;
    this.lane = lane ?? false;
    /** @type {number | null} the instant pointed to, seconds from the run's zero */
    this.pointed = null;
    this.pointedSays = true; // with words; else the line alone
    /** @type {[number, number] | null} a part of time being chosen */
    this.choice = null;
    const below = document.createElement("div");
    below.className = "frame-of-chart";
    this.canvas = document.createElement("canvas");
    host.replaceChildren(below, this.canvas);
    const library = /** @type {any} */ (globalThis).echarts;
    this.frame = library ? new LibraryFrame(below, option, library, this.lane) : new PlainFrame(below, this.lane);
    this.frameAt = -Infinity;
    this.drawn = "";
    this.width = 0;
    this.height = 0;
    this.dots = 1;
    /** @type {View | null} */
    this.shownView = null;
    /** @type {Picture | null} */
    this.picture = null;
    this.readStyle();
    this.fit();
    new ResizeObserver(() => this.fit()).observe(host);
    onSchemeChange(() => {
      this.readStyle();
      this.frame.applyWhole();
      this.redraw();
    });
  }

  readStyle() {
    this.colour = readColours();
    this.face = readFace();
  }

  /** Both sizes of both layers, in the same breath, or the trace would stand beside the axes. */
  fit() {
    const width = this.host.clientWidth;
    const height = this.host.clientHeight;
    if (!width || !height || (width === this.width && height === this.height)) return;
    this.width = width;
    this.height = height;
    const dots = devicePixelRatio || 1;
    this.canvas.width = Math.round(width * dots);
    this.canvas.height = Math.round(height * dots);
    this.canvas.style.width = `${width}px`;
    this.canvas.style.height = `${height}px`;
    this.dots = dots;
    this.frame.resize();
    this.redraw();
  }

  redraw() {
    this.drawn = "";
    this.frameAt = -Infinity;
    if (this.picture) this.show(this.picture);
  }

  /**
   * Draws a picture; cheap where nothing changed.
   * @param {Picture} picture
   */
  show(picture) {
    this.picture = picture;
    if (!this.width || !this.height || !this.host.offsetParent) return;
    const { view, store } = picture;
    const key = `${store?.version} ${picture.zeroS} ${picture.now?.t} ${picture.lines.map((l) => l.lead + l.value + l.more).join()} ${view.from} ${view.to} ${view.top} ${view.bottom} ${view.log} ${view.part?.from} ${view.part?.to} ${view.stretches.length} ${view.endS} ${this.pointed} ${this.pointedSays} ${this.choice} ${picture.layer?.key}`;
    const at = performance.now();
    const since = at - this.frameAt;
    const due = since >= FRAME_EVERY_MS || (since >= FRAME_SOONEST_MS && this.lagPx(view) >= FRAME_LAG_PX);
    if (key === this.drawn && !due) return;
    if (due || this.isOtherWindow(view)) {
      this.frame.show(view);
      this.frameAt = at;
      this.shownView = view;
    }
    if (key === this.drawn) return;
    this.drawn = key;
    this.paint(picture);
  }

  /** @param {View} view */
  isOtherWindow(view) {
    const v = this.shownView;
    return !v || v.from !== view.from || v.to !== view.to || v.top !== view.top || v.bottom !== view.bottom || v.log !== view.log || v.stretches.length !== view.stretches.length;
  }

  /** Where the plot stands in the chart now. */
  get plot() {
    return plotOf(this.width, this.height, this.lane);
  }

  /** How many pixels of time there are. */
  plotWidth() {
    return Math.max(1, this.plot.right - this.plot.left);
  }

  /**
   * Whether a pixel from the chart's left edge shows a time.
   * @param {number} px
   */
  inPlot(px) {
    const { left, right } = this.plot;
    return this.shownView !== null && px >= left && px <= right;
  }

  /**
   * The time at a pixel from the chart's left edge, in seconds from the run's zero.
   * @param {number} px
   */
  timeAt(px) {
    return this.frame.scale().t(px);
  }

  /**
   * The pixel of a time, from the chart's left edge.
   * @param {number} t
   */
  pixelOf(t) {
    return this.frame.scale().x(t);
  }

  /**
   * Points to an instant; null: to none.
   * @param {number | null} t
   * @param {boolean} [says] with its value in words
   */
  pointTo(t, says = true) {
    if (this.pointed === t && this.pointedSays === says) return;
    this.pointed = t;
    this.pointedSays = says;
    if (this.picture) this.show(this.picture);
  }

  /**
   * Shows a part of time while it is being chosen; null: no more.
   * @param {number | null} a
   * @param {number | null} b
   */
  chooseFrom(a, b) {
    this.choice = a === null || b === null ? null : [a, b];
    if (this.picture) this.show(this.picture);
  }

  /**
   * How far the last band of the frame is behind.
   * @param {View} view
   */
  lagPx(view) {
    const drawn = this.shownView?.stretches.at(-1)?.to ?? -Infinity;
    const now = view.stretches.at(-1)?.to ?? -Infinity;
    return ((now - drawn) / (view.to - view.from)) * this.width;
  }

  /** @param {Picture} picture */
  paint(picture) {
    const ctx = this.canvas.getContext("2d");
    const { colour, face, width, height } = this;
    if (!ctx || !colour || !face || !width || !height) return;
    const { view, store, zeroS } = picture;
    const { plot } = this;
    const scale = this.frame.scale();
    const dots = this.dots ?? 1;
    ctx.setTransform(dots, 0, 0, dots, 0, 0);
    ctx.clearRect(0, 0, width, height);
    if (store?.length) {
      const px = store.pixels(view.from + zeroS, view.to + zeroS, Math.round(plot.right - plot.left), edgesOf(view, zeroS, Math.round(plot.right - plot.left)));
      for (let i = 0; i < px.n; i++) px.t[i] -= zeroS;
      const holes = paintHoles(ctx, px, scale, plot, colour);
      paintOver(ctx, px, scale, plot, colour);
      paintTrace(ctx, px, scale, plot, colour);
      this.sayHoles(ctx, holes, scale, plot);
    }
    if (view.part) paintPart(ctx, scale.x(view.part.from), scale.x(view.part.to), plot, colour);
    if (this.choice) paintChoice(ctx, scale.x(this.choice[0]), scale.x(this.choice[1]), plot, colour);
    if (picture.now && picture.now.t <= view.to) paintNow(ctx, scale.x(picture.now.t), scale.y(Number.isFinite(picture.now.a) ? picture.now.a : view.top), plot, colour);
    const canvas = { ctx, plot, scale, colour, face, view, store };
    if (!this.lane) picture.layer?.paintUnder(canvas);
    if (this.lane) this.sayLane(ctx, picture, plot);
    else this.saySays(ctx, picture, plot, scale);
    if (!this.lane) picture.layer?.paint(canvas);
    if (this.pointed !== null) this.sayPointer(ctx, picture, plot, scale);
    this.sayUnit(ctx, view, plot, scale);
  }

  /**
   * @param {CanvasRenderingContext2D} ctx
   * @param {Picture} picture
   * @param {import("./frame.js").Plot} plot
   * @param {import("./frame.js").Scale} scale
   */
  saySays(ctx, picture, plot, scale) {
    const { view, store, zeroS } = picture;
    const { colour, face } = this;
    if (!colour || !face) return;
    const layout = layoutSays({
      plot,
      ...scale,
      levels: picture.levels ?? [],
      stretches: view.stretches,
      lines: picture.lines,
      words: this.words,
      now: picture.now,
      ratedA: view.ratedA,
      endS: view.endS,
      keptS: picture.keptS,
      peak: (from, to) => peakOf(store, from, to, zeroS),
      measure: (text, bold, size) => {
        ctx.font = fontOf({ x: 0, y: 0, parts: [], anchor: "start", size }, face, bold);
        return ctx.measureText(text).width;
      },
    });
    paintSays(ctx, layout, plot, colour, face);
  }

  /**
   * What a lane shows, and its newest value.
   * @param {CanvasRenderingContext2D} ctx
   * @param {Picture} picture
   * @param {import("./frame.js").Plot} plot
   */
  sayLane(ctx, picture, plot) {
    if (!this.colour) return;
    ctx.font = `650 13px ${this.face}`;
    ctx.fillStyle = this.colour("ink");
    ctx.textAlign = "left";
    ctx.fillText(picture.name ?? "", plot.left, plot.top - 7);
    if (!picture.now) return;
    ctx.textAlign = "right";
    ctx.fillText(`now ${pointerText({ min: picture.now.a, max: picture.now.a }, picture.view.unit ?? "A")}`, plot.right, plot.top - 7);
    ctx.textAlign = "left";
  }

  /**
   * The value under the pointer: the readings of its pixel, or the last one before it.
   * @param {CanvasRenderingContext2D} ctx
   * @param {Picture} picture
   * @param {import("./frame.js").Plot} plot
   * @param {import("./frame.js").Scale} scale
   */
  sayPointer(ctx, picture, plot, scale) {
    const { colour, face, pointed } = this;
    if (!colour || !face || pointed === null || !picture.store?.length) return;
    const x = scale.x(pointed);
    if (x < plot.left - 0.5 || x > plot.right + 0.5) return;
    const at = picture.store.around(scale.t(x - 0.5) + picture.zeroS, scale.t(x + 0.5) + picture.zeroS);
    if (!at) return;
    const t = at.t - picture.zeroS;
    const values = [at.max, at.min].filter((v) => Number.isFinite(v)).map((v) => scale.y(v));
    const words = this.pointedSays ? [timeText(t, this.secondsPerPx(picture.view)), pointerText(at, picture.view.unit ?? "A")] : [];
    paintPointer(ctx, { x: scale.x(t), ys: values, words }, plot, colour, face);
  }

  /** @param {View} view */
  secondsPerPx(view) {
    return view.log ? view.from / 20 : (view.to - view.from) / this.plotWidth();
  }

  /**
   * "seconds" between the first two ticks of time.
   * @param {CanvasRenderingContext2D} ctx
   * @param {View} view
   * @param {import("./frame.js").Plot} plot
   * @param {{x: (t: number) => number}} scale
   */
  sayUnit(ctx, view, plot, scale) {
    const [a, b] = ticksOf(view, plot).x.values;
    if (b === undefined) return;
    const room = scale.x(b) - scale.x(a);
    ctx.font = `12px ${this.face}`;
    ctx.textAlign = "center";
    ctx.fillStyle = this.colour?.("ink-soft") ?? "";
    for (const word of ["seconds", "s"]) {
      if (ctx.measureText(word).width + 40 > room) continue;
      ctx.fillText(word, scale.x(a) + room / 2, plot.ribbonBottom + 19);
      break;
    }
    ctx.textAlign = "left";
  }

  /**
   * @param {CanvasRenderingContext2D} ctx
   * @param {{from: number, to: number}[]} holes
   * @param {{x: (t: number) => number}} scale
   * @param {import("./frame.js").Plot} plot
   */
  sayHoles(ctx, holes, scale, plot) {
    ctx.font = `13px ${this.face}`;
    ctx.fillStyle = this.colour?.("ink") ?? "";
    ctx.textAlign = "center";
    for (const h of holes) {
      const text = `${lengthText(h.to - h.from)} without readings`;
      const room = scale.x(h.to) - scale.x(h.from);
      if (ctx.measureText(text).width + 8 < room) ctx.fillText(text, scale.x((h.from + h.to) / 2), plot.top + 40);
    }
    ctx.textAlign = "left";
  }
}

/**
 * A time with the digits that a pixel can tell.
 * @param {number} t
 * @param {number} perPx seconds
 */
export function timeText(t, perPx) {
  const decimals = Math.min(6, Math.max(0, Math.ceil(-Math.log10(Math.max(perPx, 1e-9)))));
  const text = t.toFixed(decimals).replace("-", "−");
  return `${/^−0(\.0*)?$/.test(text) ? text.slice(1) : text} s`;
}

/**
 * Where the pixels of a logarithmic axis begin, on the store's time base; undefined where all are even.
 * @param {View} view
 * @param {number} zeroS
 * @param {number} width
 */
function edgesOf(view, zeroS, width) {
  if (!view.log) return undefined;
  const { u, t } = alongOf(view);
  const [from, to] = [u(view.from), u(view.to)];
  return Float64Array.from({ length: width + 1 }, (_, i) => t(from + ((to - from) * i) / width) + zeroS);
}

/**
 * The largest reading between two times from the run's zero.
 * @param {ColumnStore | null} store
 * @param {number} from
 * @param {number} to
 * @param {number} zeroS
 */
export function peakOf(store, from, to, zeroS) {
  if (!store) return null;
  let best = null;
  for (let i = store.firstAtOrAfter(from + zeroS); i < store.n && store.t[i] <= to + zeroS; i++) {
    if (Number.isFinite(store.max[i]) && (!best || store.max[i] > best.a)) best = { t: store.t[i] - zeroS, a: store.max[i] };
  }
  return best;
}
