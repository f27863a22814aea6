// The frame of a chart: ground, axes, phase bands, reference lines and the phase ribbon. Made of the
// option object the server sends and drawn by the chart library. It also owns the coordinates in
// which the trace is drawn over it.

import { niceTicks, tickText } from "./axes.js";
import { coloured, hatchTile, readColours, readFace } from "./palette.js";

/** @typedef {import("./phases.js").Stretch} Stretch */

/**
 * @typedef {object} View what a chart shows now
 * @property {number} from seconds
 * @property {number} to seconds
 * @property {number} top amperes at the top of the current axis
 * @property {Stretch[]} stretches
 * @property {number} ratedA 0 where unknown
 * @property {number} endS where the hold ends, NaN where that is not to be shown
 * @property {boolean} [waiting] armed: the stretch before 0 is what is kept
 */

/** @typedef {{left: number, right: number, top: number, bottom: number, ribbonTop: number, ribbonBottom: number}} Plot */

/** Distances in pixels, as the option object of the server has them too. */
export const ROOM = { left: 48, right: 4, top: 24, bottom: 68, ribbon: 28, ribbonBottom: 26 };

/** A segment of the ribbon narrower than this is filled instead of hatched. */
export const THIN_PX = 9;

/**
 * Where things stand in a chart of this size.
 * @param {number} width
 * @param {number} height
 * @returns {Plot}
 */
export function plotOf(width, height) {
  return {
    left: ROOM.left,
    right: width - ROOM.right,
    top: ROOM.top,
    bottom: height - ROOM.bottom,
    ribbonTop: height - ROOM.ribbonBottom - ROOM.ribbon,
    ribbonBottom: height - ROOM.ribbonBottom,
  };
}

/**
 * The ticks of a view.
 * @param {View} view
 * @param {Plot} plot
 */
export function ticksOf(view, plot) {
  // Before the onset there is little to read off; ticks begin there, unless nothing else is shown.
  const from = view.waiting || view.to <= 0 ? view.from : Math.max(view.from, 0);
  return {
    x: niceTicks(from, view.to, Math.max(2, Math.min(7, (plot.right - plot.left) / 90))),
    y: niceTicks(0, view.top, Math.max(2, Math.min(5, (plot.bottom - plot.top) / 50))),
  };
}

/** Draws with the chart library. */
export class LibraryFrame {
  /**
   * @param {HTMLElement} host
   * @param {any} option of the server
   * @param {any} library the global `echarts`
   */
  constructor(host, option, library) {
    this.host = host;
    this.option = option;
    this.colour = readColours();
    this.shown = "";
    /** @type {Record<string, HTMLCanvasElement | null>} */
    this.tiles = {};
    this.chart = library.init(host, null, { renderer: "canvas" });
    this.applyWhole();
  }

  applyWhole() {
    this.colour = readColours();
    this.tiles = {};
    const option = coloured(this.option, this.colour);
    option.textStyle = { fontFamily: readFace() };
    this.chart.setOption(option, { notMerge: true, silent: true });
    this.shown = "";
  }

  resize() {
    this.chart.resize();
    this.shown = "";
  }

  /**
   * Shows a view; does nothing where the picture would be the same.
   * @param {View} view
   */
  show(view) {
    const width = this.chart.getWidth();
    const plot = plotOf(width, this.chart.getHeight());
    const scale = (plot.right - plot.left) / (view.to - view.from);
    const key = JSON.stringify([
      view.from,
      view.to,
      view.top,
      view.ratedA,
      view.endS,
      view.waiting,
      view.stretches.map((s) => [s.phase, Math.round(s.from * scale), Math.round(s.to * scale)]),
    ]);
    if (key === this.shown) return;
    this.shown = key;
    this.chart.setOption(this.patch(view, plot), { silent: true, lazyUpdate: false });
  }

  /**
   * @param {View} view
   * @param {Plot} plot
   */
  patch(view, plot) {
    const ticks = ticksOf(view, plot);
    const lastY = ticks.y.values[ticks.y.values.length - 1];
    const range = { min: view.from, max: view.to };
    return {
      xAxis: [
        range,
        {
          ...range,
          axisTick: { customValues: ticks.x.values },
          axisLabel: { customValues: ticks.x.values, formatter: (/** @type {number} */ v) => tickText(v, ticks.x.step) },
        },
      ],
      yAxis: [
        {
          min: 0,
          max: view.top,
          axisTick: { customValues: ticks.y.values },
          axisLabel: {
            customValues: ticks.y.values,
            formatter: (/** @type {number} */ v) => tickText(v, ticks.y.step) + (v === lastY ? " A" : ""),
          },
        },
      ],
      series: [
        { name: "phases", markArea: { data: view.stretches.filter((s) => s.phase !== "idle" || view.waiting).map((s) => this.band(s)) } },
        { name: "references", markLine: { data: this.references(view) } },
        this.ribbon(view.stretches.filter((s) => s.phase !== "idle")),
      ],
    };
  }

  /** @param {Stretch} s */
  band(s) {
    const name = s.phase === "idle" ? "off" : s.phase;
    return [{ xAxis: s.from, itemStyle: { color: this.colour(`phase-${name}`) } }, { xAxis: s.to }];
  }

  /** @param {View} view */
  references(view) {
    const lines = [];
    if (view.ratedA > 0 && view.ratedA < view.top) {
      lines.push({ yAxis: view.ratedA, lineStyle: { type: [2, 3], color: this.colour("ink"), width: 1 } });
    }
    if (view.endS > view.from && view.endS <= view.to) {
      lines.push({ xAxis: view.endS, lineStyle: { type: "solid", color: this.colour("ink-faint"), width: 1 } });
    }
    return lines;
  }

  /** @param {Stretch[]} segments */
  ribbon(segments) {
    return {
      name: "ribbon",
      data: segments.map((s) => [s.from, s.to, 0, s.phase]),
      renderItem: (/** @type {any} */ params, /** @type {any} */ api) => {
        const s = segments[params.dataIndex];
        if (!s) return undefined;
        const box = params.coordSys;
        const left = Math.max(box.x, api.coord([s.from, 0])[0]);
        const right = Math.min(box.x + box.width, api.coord([s.to, 0])[0]);
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

  /**
   * @param {string} phase
   * @param {number} width
   */
  ribbonFill(phase, width) {
    if (phase === "off") return this.colour("phase-off");
    if (width < THIN_PX) return this.colour(`phase-${phase}-line`);
    const tile = (this.tiles[phase] ??= hatchTile(phase, this.colour));
    return tile ? { image: tile, repeat: "repeat" } : this.colour(`phase-${phase}`);
  }

  /** The chart's own coordinates: pixels of a time and a current. */
  scale() {
    const toPixel = (/** @type {number} */ t, /** @type {number} */ a) => this.chart.convertToPixel({ gridIndex: 0 }, [t, a]);
    return linear(toPixel);
  }
}

/**
 * Both axes are linear: two points say all, and a frame of the trace needs no call into the library.
 * @param {(t: number, a: number) => number[]} toPixel
 */
export function linear(toPixel) {
  const [x0, y0] = toPixel(0, 0);
  const [x1, y1] = toPixel(1, 1);
  return {
    x: (/** @type {number} */ t) => x0 + (x1 - x0) * t,
    y: (/** @type {number} */ a) => y0 + (y1 - y0) * a,
  };
}
