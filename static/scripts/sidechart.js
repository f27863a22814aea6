// Draws runs side by side: the option object of the server, filled with the traces of this moment. Used by
// the page and by the file that is saved of it.

import { niceTicks, tickText } from "./axes.js";
import { coloured, hatchTile, onSchemeChange, readColours, readFace } from "./palette.js";
import { sideLayout } from "./sidelayout.js";
import { bandOf, topOf, traceIn, valueAt } from "./sidetraces.js";
import { alongOf, timeTicks } from "./timeaxis.js";

/** @typedef {import("./columns.js").ColumnStore} ColumnStore */
/** @typedef {import("./sidelayout.js").Panel} Panel */
/** @typedef {import("./sidelayout.js").Layout} Layout */
/** @typedef {import("./lens.js").Window} Window */

/**
 * @typedef {object} SideRun
 * @property {string} name
 * @property {string} plate
 * @property {number} rated_a 0 where unknown
 * @property {{phase: string, from_s: number, to_s: number}[]} stretches
 * @property {{kind: string, from_s: number, to_s: number, a: number, text: string}[]} labels
 */

/**
 * @typedef {object} SideData what the server says of the chart
 * @property {any} option
 * @property {Panel[]} panels
 * @property {string} view over, stack or beside
 * @property {boolean} rated as multiples of the rating
 * @property {boolean} log logarithmic time
 * @property {SideRun[]} runs
 * @property {number[][]} bands places of the runs that each band is of
 * @property {{least_to_most: string, mean: string}[]} band_keys what ground and line of each band are called
 * @property {Window} span all there is
 * @property {Window} close what the close look shows by itself
 * @property {{close: string, whole: string, zero: string}} words
 */

/** @typedef {import("./sidetraces.js").Band} Band */

/** How lines of several runs in one panel differ beside their colour; the first is the plain one. */
const DASHES = [[], [7, 4], [2, 3], [12, 3, 2, 3], [5, 2, 2, 2, 2, 2], [14, 6]];
const INKS = ["ink", "second", "ink-soft", "second", "ink", "ink-soft"];

/** How much of the ink the ground of a band takes. */
const BAND_OPACITY = 0.22;

/** A segment of a ribbon narrower than this is filled instead of hatched. */
const THIN_PX = 9;

/** Braces and bars would end a label's own mark-up. */
const plain = (/** @type {string} */ s) => s.replaceAll("{", "(").replaceAll("}", ")").replaceAll("|", "/");

export class SideChart {
  /**
   * @param {HTMLElement} host
   * @param {SideData} data
   * @param {any} library
   */
  constructor(host, data, library) {
    this.host = host;
    this.data = data;
    this.library = library;
    this.along = alongOf({ log: data.log });
    /** @type {ColumnStore[]} by run */
    this.whole = [];
    /** @type {ColumnStore[]} by run, finer where the close look is */
    this.close = [];
    /** @type {Band[]} */
    this.bands = [];
    /** @type {Band[]} finer where the close look is */
    this.closeBands = [];
    /** @type {Window} */
    this.shown = data.close;
    /** @type {Layout | null} */
    this.layout = null;
    this.width = 0;
    this.top = 1;
    /** @type {Record<string, HTMLCanvasElement | null>} */
    this.tiles = {};
    this.onLayout = () => {};
    /** @type {CanvasRenderingContext2D | null | undefined} */
    this.ruler = undefined;
    this.colour = readColours();
    this.chart = library.init(host, null, { renderer: "canvas" });
    this.dress();
    onSchemeChange(() => {
      this.dress();
      this.draw();
    });
    new ResizeObserver(() => this.fit()).observe(host);
  }

  /** What an ampere of a run becomes on the axis. @param {number} run */
  scaleOf(run) {
    return this.data.rated ? 1 / this.data.runs[run].rated_a : 1;
  }

  dress() {
    this.colour = readColours();
    this.face = readFace();
    this.tiles = {};
    const option = coloured(this.data.option, this.colour);
    option.textStyle = { fontFamily: this.face };
    option.tooltip.formatter = (/** @type {any} */ at) => this.said(at);
    this.chart.setOption(option, { notMerge: true, silent: true });
  }

  fit() {
    const width = this.host.clientWidth;
    if (!width || (width === this.width && this.layout)) return;
    this.width = width;
    this.draw();
  }

  /**
   * @param {ColumnStore[]} whole
   * @param {Band[]} bands
   */
  take(whole, bands) {
    this.whole = whole;
    this.bands = bands;
    const scales = this.data.runs.map((_, i) => this.scaleOf(i));
    this.top = topOf(whole, this.data.runs.map((r, i) => r.rated_a * scales[i]), scales);
  }

  /**
   * Takes finer columns of what the close look shows; outside them the whole's stay.
   * @param {ColumnStore[]} close by run
   * @param {Band[][]} parts bands of one stretch of time after another
   */
  takeClose(close, parts) {
    this.close = close;
    this.closeBands = this.bands.map((whole, b) => bandOf(whole, ...parts.map((p) => p[b])));
  }

  /** @param {string} text */
  measure(text) {
    const ctx = (this.ruler ??= document.createElement("canvas").getContext("2d"));
    if (!ctx) return 8 * text.length;
    ctx.font = `650 14px ${this.face}`;
    return ctx.measureText(text).width;
  }

  /** What the close look is called now. */
  closeTitle() {
    const { close, words } = this.data;
    const { from, to } = this.shown;
    if (from === close.from && to === close.to) return words.close;
    if (this.data.log) return `${Number(from.toPrecision(2))} to ${Number(to.toPrecision(3))} s`;
    const digits = Math.min(6, Math.max(0, 2 - Math.floor(Math.log10(to - from))));
    return `${tickText(from, 10 ** -digits)} to ${tickText(to, 10 ** -digits)} s`;
  }

  /** What a panel shows. @param {Panel} p @returns {Window} */
  windowOf(p) {
    return p.kind === "close" ? this.shown : this.data.span;
  }

  /** Draws everything for the width there is. */
  draw() {
    if (!this.width || !this.whole.length) return;
    const { data } = this;
    const layout = (this.layout = sideLayout({
      width: this.width,
      view: data.view,
      names: data.runs.map((r) => r.name),
      bands: data.bands.map((runs, b) => ({ runs, ...data.band_keys[b] })),
      plates: data.runs.map((r) => r.plate),
      close: data.words.close,
      whole: data.words.whole,
      measure: (t) => this.measure(t),
    }));
    this.host.style.height = `${layout.height}px`;
    this.chart.resize();
    this.chart.setOption(
      {
        grid: layout.boxes.map((b) => ({ left: b.left, top: b.top, width: b.width, height: b.height })),
        graphic: { elements: this.words(layout) },
        ...this.axesAndTraces(() => true),
      },
      { silent: true, replaceMerge: ["graphic"] },
    );
    this.onLayout();
  }

  /** Draws the close looks anew, as they are moved. */
  drawClose() {
    if (!this.layout) return;
    const title = this.closeTitle();
    const titles = this.layout.words.flatMap((w, i) => (w.text === this.data.words.close ? [this.wordsOf({ ...w, text: title }, i)] : []));
    this.chart.setOption({ graphic: { elements: titles }, ...this.axesAndTraces((p) => p.kind === "close") }, { silent: true });
  }

  /**
   * @param {(p: Panel) => boolean} wanted
   */
  axesAndTraces(wanted) {
    /** @type {any[]} */
    const xAxis = [];
    /** @type {any[]} */
    const yAxis = [];
    /** @type {any[]} */
    const series = [];
    this.data.panels.forEach((p, i) => {
      xAxis.push(this.xAxisOf(p, i));
      yAxis.push(this.yAxisOf(p, i));
      if (!wanted(p)) {
        // Only the frame about what the close look shows has moved.
        if (p.kind === "whole") series.push(this.marksOf(p, i, /** @type {Layout} */ (this.layout).boxes[i]));
      } else if (p.kind === "ribbon") series.push(this.ribbonOf(p, i));
      else series.push(...this.tracesOf(p, i));
    });
    return { xAxis, yAxis, series };
  }

  /** @param {Panel} p @param {number} i */
  xAxisOf(p, i) {
    const box = /** @type {Layout} */ (this.layout).boxes[i];
    const w = this.windowOf(p);
    const log = this.data.log;
    const ticks = timeTicks({ ...w, log }, log ? w.from : Math.max(w.from, w.to > 0 && p.kind !== "close" ? 0 : w.from), Math.max(2, Math.min(7, box.width / 80)));
    const at = ticks.values.map((v) => this.along.u(v));
    const last = ticks.texts.length - 1;
    return {
      min: this.along.u(w.from),
      max: this.along.u(w.to),
      axisTick: { show: box.ticksX, customValues: at },
      axisLabel: {
        show: box.ticksX,
        customValues: at,
        formatter: (/** @type {number} */ v) => {
          const k = nearest(at, v);
          return ticks.texts[k] + (k === last ? " s" : "");
        },
      },
    };
  }

  /** @param {Panel} p @param {number} i */
  yAxisOf(p, i) {
    if (p.kind === "ribbon") return {};
    const box = /** @type {Layout} */ (this.layout).boxes[i];
    const ticks = niceTicks(0, this.top, Math.max(2, Math.min(5, box.height / 40)));
    const last = ticks.values[ticks.values.length - 1];
    return {
      min: 0,
      max: this.top,
      axisTick: { customValues: ticks.values },
      axisLabel: { customValues: ticks.values, formatter: (/** @type {number} */ v) => tickText(v, ticks.step) + (v === last ? (this.data.rated ? " ×" : " A") : "") },
    };
  }

  /**
   * The traces of a panel with everything that belongs to them.
   * @param {Panel} p
   * @param {number} i
   */
  tracesOf(p, i) {
    const box = /** @type {Layout} */ (this.layout).boxes[i];
    const window = this.windowOf(p);
    const many = p.runs.length > 1;
    /** @type {any[]} */
    const out = [];
    const banded = new Set(many ? this.data.bands.flat() : []);
    for (const r of p.runs) {
      const store = (p.kind === "close" || this.data.log ? this.close[r] : null) ?? this.whole[r];
      const drawn = banded.has(r)
        ? { line: [], tones: [], dots: false }
        : traceIn(store, window, { px: box.width, pxPerUnit: box.height / this.top, scale: this.scaleOf(r), top: this.top, along: this.along });
      const style = this.styleOf(many ? r : 0);
      out.push({
        id: `trace${i}-${r}`,
        data: drawn.line,
        showSymbol: drawn.dots && p.kind === "close",
        symbolSize: 5,
        lineStyle: { color: style.stroke, type: style.lineDash.length ? style.lineDash : "solid" },
        itemStyle: { color: this.colour("sheet"), borderColor: style.stroke, borderWidth: 1.5 },
        z: 3 + (many ? p.runs.length - r : 0),
      });
      out.push(this.shape(`tone${i}-${r}`, drawn.tones, (api, tone) => this.tone(api, tone, style)));
    }
    this.data.bands.forEach((of, b) => {
      const band = (p.kind === "close" || this.data.log ? this.closeBands[b] : null) ?? this.bands[b];
      const drawn = many && band ? [band] : [];
      out.push(this.shape(`band${i}-${b}`, drawn, (api, one) => this.bandShape(api, one, of, window)));
    });
    out.push(this.marksOf(p, i, box));
    return out;
  }

  /** @param {number} run */
  styleOf(run) {
    return { stroke: this.colour(INKS[run]), lineDash: DASHES[run], lineWidth: 1.75 };
  }

  /**
   * A series whose shapes are drawn by hand; it has one item, or none where there is nothing.
   * @template T
   * @param {string} id
   * @param {T[]} things
   * @param {(api: any, thing: T) => any} draw
   */
  shape(id, things, draw) {
    return {
      id,
      data: things.length ? [[0, 0]] : [],
      renderItem: (/** @type {any} */ _, /** @type {any} */ api) => ({ type: "group", children: things.map((t) => draw(api, t)).filter(Boolean) }),
    };
  }

  /**
   * A ripple too fast for the pixels: toned between its edges, of which the line draws the upper one.
   * @param {any} api
   * @param {{top: [number, number][], bottom: [number, number][]}} tone
   * @param {{stroke: string, lineDash: number[], lineWidth: number}} style
   */
  tone(api, tone, style) {
    const bottom = tone.bottom.map((p) => api.coord(p));
    return {
      type: "group",
      children: [
        { type: "polygon", shape: { points: [...tone.top.map((p) => api.coord(p)), ...bottom.toReversed()] }, style: { fill: style.stroke, opacity: 0.25 }, silent: true },
        { type: "polyline", shape: { points: bottom }, style: { fill: "none", stroke: style.stroke, lineWidth: style.lineWidth, lineDash: style.lineDash }, silent: true },
      ],
    };
  }

  /**
   * Several runs of one unit: the ground from the least to the largest, the mean as a line.
   * @param {any} api
   * @param {Band} band
   * @param {number[]} of
   * @param {Window} window
   */
  bandShape(api, band, of, window) {
    const scale = this.scaleOf(of[0]);
    const style = this.styleOf(of[0]);
    const at = (/** @type {number[]} */ v) => band.t.flatMap((t, k) => (t >= window.from && t <= window.to ? [api.coord([this.along.u(t), Math.min(v[k] * scale, this.top)])] : []));
    const low = at(band.min);
    if (low.length < 2) return null;
    return {
      type: "group",
      children: [
        { type: "polygon", shape: { points: [...at(band.max), ...low.toReversed()] }, style: { fill: style.stroke, opacity: BAND_OPACITY }, silent: true },
        { type: "polyline", shape: { points: at(band.mean) }, style: { fill: "none", stroke: style.stroke, lineWidth: style.lineWidth, lineDash: style.lineDash }, silent: true },
      ],
    };
  }

  /**
   * Phases, ratings, lengths and words of a panel.
   * @param {Panel} p
   * @param {number} i
   * @param {import("./sidelayout.js").Box} box
   */
  marksOf(p, i, box) {
    const { data } = this;
    const w = this.windowOf(p);
    const u = this.along.u;
    const many = p.runs.length > 1;
    const bands = many ? [] : data.runs[p.runs[0]].stretches.filter((s) => s.phase !== "idle" && s.to_s > w.from && s.from_s < w.to);
    /** @type {any[]} */
    const areas = bands.map((s) => [
      { xAxis: u(Math.max(s.from_s, w.from)), itemStyle: { color: this.colour(`phase-${s.phase}`) } },
      { xAxis: u(Math.min(s.to_s, w.to)) },
    ]);
    if (p.kind === "whole" && (this.shown.from > data.span.from || this.shown.to < data.span.to)) {
      const frame = { color: "transparent", borderColor: this.colour("ink"), borderWidth: 1, borderType: [3, 3] };
      areas.push([{ xAxis: u(Math.max(this.shown.from, data.span.from)), itemStyle: frame }, { xAxis: u(Math.min(this.shown.to, data.span.to)) }]);
    }
    const { lines, points } = this.saysOf(p, w, box);
    return {
      id: `marks${i}`,
      z: 20,
      data: [],
      markArea: { data: areas },
      markLine: { data: [...this.ratingsOf(p, box), ...lines] },
      markPoint: { silent: true, animation: false, symbol: "circle", symbolSize: 0.01, data: points },
    };
  }

  /**
   * The ratings as dotted lines, named where there is room.
   * @param {Panel} p
   * @param {import("./sidelayout.js").Box} box
   */
  ratingsOf(p, box) {
    /** @type {Map<number, number[]>} */
    const at = new Map();
    for (const r of p.runs) {
      const rated = this.data.runs[r].rated_a * this.scaleOf(r);
      if (rated > 0 && rated < this.top) at.set(rated, [...(at.get(rated) ?? []), r]);
    }
    let named = -Infinity; // where the last name stands
    return [...at].sort((a, b) => a[0] - b[0]).map(([y, runs]) => {
      const names = runs.map((r) => this.data.runs[r].name).join(", ");
      const amps = this.data.rated ? "" : ` ${Number(y.toPrecision(3))} A`;
      const text = p.runs.length > 1 && !(this.data.rated && runs.length === p.runs.length) ? `${names} rated${amps}` : `rated${amps}`;
      const clear = ((y - named) / this.top) * box.height > 16 && this.measure(text) < box.width * 0.6;
      const show = p.kind === "close" && clear;
      if (show) named = y;
      return {
        yAxis: y,
        lineStyle: { type: [2, 3], color: this.colour(p.runs.length > 1 ? INKS[runs[0]] : "ink"), width: 1 },
        label: {
          show,
          position: "insideEndTop",
          distance: [2, 2],
          formatter: () => text,
          fontSize: 12,
          color: this.colour("ink-soft"),
          textBorderColor: this.colour("sheet"),
          textBorderWidth: 3,
        },
      };
    });
  }

  /**
   * Lengths between their arrow heads, and words on the traces.
   * @param {Panel} p
   * @param {Window} w
   * @param {import("./sidelayout.js").Box} box
   * @returns {{lines: any[], points: any[]}}
   */
  saysOf(p, w, box) {
    const u = this.along.u;
    const many = p.runs.length > 1;
    const [left, right] = [u(w.from), u(w.to)];
    /** @type {any[]} */
    const lines = [];
    /** @type {any[]} */
    const points = [];
    const rows = Math.max(3, Math.floor(box.height / 21));
    let row = 0;
    const high = () => this.top * (1 - (row + 0.75) / rows);
    const say = (/** @type {number} */ x, /** @type {string} */ text, /** @type {number} */ r, /** @type {boolean} */ bold) => {
      const lead = many ? `{n|${plain(this.data.runs[r].name)}} ` : "";
      const wide = this.measure((many ? this.data.runs[r].name + " " : "") + text);
      if (wide > box.width - 8) return false;
      // Right of the instant where it fits, else as far left as it must.
      const from = Math.max(2, Math.min(((x - left) / (right - left)) * box.width + 8, box.width - wide - 4));
      points.push({
        coord: [left + (from / box.width) * (right - left), high()],
        label: {
          show: true,
          position: "right",
          distance: 0,
          formatter: () => lead + (bold ? `{n|${plain(text)}}` : plain(text)),
          rich: { n: { fontWeight: 650, fontSize: 12.5, color: this.colour(many ? INKS[r] : "ink"), textBorderColor: this.colour("sheet"), textBorderWidth: 4 } },
          fontSize: 12.5,
          color: this.colour(many ? INKS[r] : "ink"),
          textBorderColor: this.colour("sheet"),
          textBorderWidth: 4,
        },
      });
      return true;
    };
    for (const r of p.runs) {
      for (const label of this.data.runs[r].labels) {
        if ((label.kind === "after") !== (p.kind === "whole") || row >= rows) continue;
        if (p.runs.length > 3 && label.kind !== "length") continue; // the table says it

        if (p.kind === "whole") {
          if (!(box.height / rows > 12) || !say(left + 0.06 * (right - left), label.text, r, false)) continue;
        } else if (label.kind === "length") {
          const [a, b] = [Math.max(label.from_s, w.from), Math.min(label.to_s, w.to)];
          if (!(b >= a) || label.from_s > w.to || label.to_s < w.from) continue;
          const ink = this.colour(many ? INKS[r] : "ink");
          const wide = ((u(b) - u(a)) / (right - left)) * box.width;
          if (label.to_s > label.from_s && wide > 3) {
            const heads = wide > 16;
            lines.push([
              { coord: [u(a), high()], symbol: heads && a === label.from_s ? "arrow" : "none", symbolSize: 7, lineStyle: { color: ink, type: "solid", width: 1 } },
              { coord: [u(b), high()], symbol: heads && b === label.to_s ? "arrow" : "none", symbolSize: 7 },
            ]);
          }
          if (!many && wide > this.measure(label.text) + 12) row += 0.9; // under its line
          const x = !many && wide > this.measure(label.text) + 12 ? u(a) : u(b);
          if (!say(x, label.text, r, true)) continue;
        } else if (!say(u(Math.max(label.from_s, w.from)), label.text, r, false)) continue;
        row++;
      }
    }
    return { lines, points };
  }

  /**
   * Phases to scale.
   * @param {Panel} p
   * @param {number} i
   */
  ribbonOf(p, i) {
    const { span } = this.data;
    const segments = this.data.runs[p.runs[0]].stretches.filter((s) => s.phase !== "idle" && s.to_s > span.from);
    return {
      id: `ribbon${i}`,
      data: segments.map((s) => [this.along.u(Math.max(s.from_s, span.from)), 0]),
      renderItem: (/** @type {any} */ params, /** @type {any} */ api) => {
        const s = segments[params.dataIndex];
        if (!s) return undefined;
        const box = params.coordSys;
        const left = Math.max(box.x, api.coord([this.along.u(Math.max(s.from_s, span.from)), 0])[0]);
        const right = Math.min(box.x + box.width, api.coord([this.along.u(s.to_s), 0])[0]);
        if (!(right > left)) return undefined;
        const width = Math.max(1, right - left);
        return {
          type: "rect",
          shape: { x: left, y: box.y, width, height: box.height },
          style: { fill: this.ribbonFill(s.phase, width), stroke: width >= THIN_PX ? this.colour("sheet") : undefined, lineWidth: 1 },
        };
      },
    };
  }

  /** @param {string} phase @param {number} width */
  ribbonFill(phase, width) {
    if (phase === "off") return this.colour("phase-off");
    if (width < THIN_PX) return this.colour(`phase-${phase}-line`);
    const tile = (this.tiles[phase] ??= hatchTile(phase, this.colour));
    return tile ? { image: tile, repeat: "repeat", imageWidth: tile.width, imageHeight: tile.height } : this.colour(`phase-${phase}`);
  }

  /** @param {Layout} layout */
  words(layout) {
    const title = this.closeTitle();
    const words = layout.words.map((w, i) => this.wordsOf(w.text === this.data.words.close ? { ...w, text: title } : w, i));
    return [...words, ...layout.keys.flatMap((k, i) => this.keyOf(k, i))];
  }

  /** @param {import("./sidelayout.js").Words} w @param {number} i */
  wordsOf(w, i) {
    return {
      id: `words${i}`,
      type: "text",
      silent: true,
      style: {
        x: w.x,
        y: w.y,
        text: w.text,
        font: `${w.bold ? 650 : 400} ${w.bold ? 14 : 13}px ${this.face}`,
        fill: this.colour(w.soft ? "ink-soft" : "ink"),
        align: w.align ?? "left",
        verticalAlign: "middle",
      },
    };
  }

  /** @param {import("./sidelayout.js").Key} k @param {number} i */
  keyOf(k, i) {
    const style = this.styleOf(k.run);
    const sample = k.ground
      ? { type: "rect", shape: { x: k.x, y: k.y - 7, width: 34, height: 14 }, style: { fill: style.stroke, opacity: BAND_OPACITY } }
      : { type: "line", shape: { x1: k.x, y1: k.y, x2: k.x + 34, y2: k.y }, style };
    return [{ id: `key${i}`, silent: true, ...sample }, this.wordsOf({ x: k.x + 42, y: k.y, text: k.text, bold: true }, 100 + i)];
  }

  /**
   * What the pointer says: every run's current at that instant.
   * @param {any} at
   */
  said(at) {
    const first = Array.isArray(at) ? at[0] : at;
    const value = first?.axisValue;
    if (!Number.isFinite(value)) return "";
    const t = this.data.log ? 10 ** value : value;
    const digits = Math.min(6, Math.max(0, 3 - Math.floor(Math.log10((this.shown.to - this.shown.from) / 2))));
    const head = `${tickText(t, 10 ** -digits)} s ${this.data.words.zero}`;
    const rows = this.data.runs.map((r, i) => {
      const v = valueAt(this.close[i] ?? this.whole[i], t);
      const text = Number.isNaN(v) ? "no reading" : Number.isFinite(v) ? `${(v * this.scaleOf(i)).toFixed(3)} ${this.data.rated ? "× rated" : "A"}` : "beyond the range";
      return `${r.name}: ${text}`;
    });
    return [head, ...rows].join("\n");
  }

  /**
   * The instant at a place of a panel.
   * @param {number} i panel
   * @param {number} x pixels from the chart's left edge
   */
  timeAt(i, x) {
    const box = /** @type {Layout} */ (this.layout).boxes[i];
    const w = this.windowOf(this.data.panels[i]);
    const [a, b] = [this.along.u(w.from), this.along.u(w.to)];
    return this.along.t(a + ((x - box.left) / box.width) * (b - a));
  }

  /** Puts the pointer on all panels. @param {number} i @param {number} t */
  pointTo(i, t) {
    const box = /** @type {Layout} */ (this.layout).boxes[i];
    const w = this.windowOf(this.data.panels[i]);
    const [a, b] = [this.along.u(w.from), this.along.u(w.to)];
    const x = box.left + ((this.along.u(t) - a) / (b - a)) * box.width;
    this.chart.dispatchAction({ type: "showTip", x, y: box.top + box.height / 2 });
  }

  unpoint() {
    this.chart.dispatchAction({ type: "hideTip" });
    this.chart.dispatchAction({ type: "updateAxisPointer", currTrigger: "leave" });
  }

  /**
   * The chart as a picture, with its ground. PNG is twice as fine as the screen; SVG has no pixels.
   * @param {"svg" | "png"} kind
   * @returns {string} a data address, or the SVG text
   */
  picture(kind) {
    const ground = this.colour("paper");
    const face = this.face ?? "";
    if (kind === "png") return this.chart.getDataURL({ type: "png", pixelRatio: 2, backgroundColor: ground });
    // The library puts a font's name into an attribute as it is: a quotation mark would end it.
    this.face = face.replaceAll('"', "'");
    const still = this.library.init(null, null, { renderer: "svg", ssr: true, width: this.width, height: /** @type {Layout} */ (this.layout).height });
    const option = coloured(this.data.option, this.colour);
    option.textStyle = { fontFamily: this.face };
    option.backgroundColor = ground;
    option.tooltip.show = false;
    still.setOption(option, { notMerge: true, silent: true });
    const layout = /** @type {Layout} */ (this.layout);
    still.setOption(
      {
        grid: layout.boxes.map((b) => ({ left: b.left, top: b.top, width: b.width, height: b.height })),
        graphic: { elements: this.words(layout) },
        ...this.axesAndTraces(() => true),
      },
      { silent: true, replaceMerge: ["graphic"] },
    );
    const svg = still.renderToSVGString();
    still.dispose();
    this.face = face;
    return svg;
  }
}

/**
 * @param {number[]} list
 * @param {number} v
 */
function nearest(list, v) {
  let best = 0;
  for (let i = 1; i < list.length; i++) if (Math.abs(list[i] - v) < Math.abs(list[best] - v)) best = i;
  return best;
}
