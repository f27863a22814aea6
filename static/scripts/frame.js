// The frame of a chart: ground, axes, phase bands, reference lines and the phase ribbon. Made of the
// option object the server sends and drawn by the chart library. It also owns the coordinates in
// which the trace is drawn over it.

import { niceTicks, tickText } from "./axes.js";
import { coloured, hatchTile, readColours, readFace } from "./palette.js";
import { alongOf, timeTicks } from "./timeaxis.js";

/** @typedef {import("./phases.js").Stretch} Stretch */

/**
 * @typedef {object} View what a chart shows now
 * @property {number} from seconds
 * @property {number} to seconds
 * @property {number} top at the top of the upright axis, in its unit
 * @property {number} [bottom] at its foot; 0 where left out
 * @property {string} [unit] of that axis; A where left out
 * @property {Stretch[]} stretches
 * @property {number} ratedA 0 where unknown
 * @property {number} endS where the hold ends, NaN where that is not to be shown
 * @property {boolean} [waiting] armed: the stretch before 0 is what is kept
 * @property {boolean} [log] logarithmic time
 * @property {{from: number, to: number} | null} [part] what the close look beside it shows
 */

/** @typedef {{left: number, right: number, top: number, bottom: number, ribbonTop: number, ribbonBottom: number}} Plot */

/** Distances in pixels, as the option object of the server has them too. */
export const ROOM = { left: 48, right: 4, top: 24, bottom: 68, ribbon: 28, ribbonBottom: 26 };

/** A lane, which shows a further channel under the trace, has no ribbon of its own. */
const LANE_ROOM = { top: 20, bottom: 24 };

/** A segment of the ribbon narrower than this is filled instead of hatched. */
export const THIN_PX = 9;

/**
 * Where things stand in a chart of this size.
 * @param {number} width
 * @param {number} height
 * @param {boolean} [lane]
 * @returns {Plot}
 */
export function plotOf(width, height, lane) {
  if (lane) {
    const bottom = height - LANE_ROOM.bottom;
    return { left: ROOM.left, right: width - ROOM.right, top: LANE_ROOM.top, bottom, ribbonTop: bottom, ribbonBottom: bottom };
  }
  return {
    left: ROOM.left,
    right: width - ROOM.right,
    top: ROOM.top,
    bottom: height - ROOM.bottom,
    ribbonTop: height - ROOM.ribbonBottom - ROOM.ribbon,
    ribbonBottom: height - ROOM.ribbonBottom,
  };
}

/** The close look at a fault leaves an eighth of it before the onset. */
const LITTLE_BEFORE = 0.13;

/**
 * The ticks of a view.
 * @param {View} view
 * @param {Plot} plot
 */
export function ticksOf(view, plot) {
  // In the little room that a look leaves before the onset there is nothing to read off: ticks begin at it. Where more
  // of the time before is shown, it has its ticks.
  const little = view.to > 0 && !view.waiting && -view.from <= LITTLE_BEFORE * (view.to - view.from);
  const from = little ? Math.max(view.from, 0) : view.from;
  return {
    x: timeTicks(view, from, Math.max(2, Math.min(7, (plot.right - plot.left) / 90))),
    y: niceTicks(view.bottom ?? 0, view.top, Math.max(2, Math.min(5, (plot.bottom - plot.top) / 50))),
  };
}

/** Draws with the chart library. */
export class LibraryFrame {
  /**
   * @param {HTMLElement} host
   * @param {any} option of the server
   * @param {any} library the global `echarts`
   * @param {boolean} [lane]
   */
  constructor(host, option, library, lane) {
    this.host = host;
    this.lane = lane ?? false;
    this.option = lane ? laneOption(option) : option;
    /** @type {import("./timeaxis.js").Along} */
    this.along = alongOf({});
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
    const plot = plotOf(width, this.chart.getHeight(), this.lane);
    this.along = alongOf(view);
    const { u } = this.along;
    const scale = (plot.right - plot.left) / (u(view.to) - u(view.from));
    const key = JSON.stringify([
      view.from,
      view.to,
      view.top,
      view.ratedA,
      view.bottom,
      view.log,
      view.endS,
      view.waiting,
      view.stretches.map((s) => [s.phase, Math.round(u(s.from) * scale), Math.round(u(s.to) * scale)]),
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
    const { u } = this.along;
    const range = { min: u(view.from), max: u(view.to) };
    const at = ticks.x.values.map(u);
    const timeLabels = {
      axisTick: { customValues: at },
      axisLabel: { customValues: at, formatter: (/** @type {number} */ v) => ticks.x.texts[nearest(at, v)] ?? "" },
    };
    const unit = view.unit ?? "A";
    return {
      xAxis: this.lane ? [{ ...range, ...timeLabels }, range] : [range, { ...range, ...timeLabels }],
      yAxis: [
        {
          min: view.bottom ?? 0,
          max: view.top,
          axisTick: { customValues: ticks.y.values },
          axisLabel: {
            customValues: ticks.y.values,
            formatter: (/** @type {number} */ v) => tickText(v, ticks.y.step) + (v === lastY ? ` ${unit}` : ""),
          },
        },
      ],
      series: [
        { name: "phases", markArea: { data: inWindow(view).filter((s) => s.phase !== "idle" || view.waiting).map((s) => this.band(s)) } },
        { name: "references", markLine: { data: this.references(view) } },
        this.ribbon(this.lane ? [] : inWindow(view).filter((s) => s.phase !== "idle")),
      ],
    };
  }

  /** @param {Stretch} s */
  band(s) {
    const name = s.phase === "idle" ? "off" : s.phase;
    return [{ xAxis: this.along.u(s.from), itemStyle: { color: this.colour(`phase-${name}`) } }, { xAxis: this.along.u(s.to) }];
  }

  /** @param {View} view */
  references(view) {
    const lines = [];
    if (view.ratedA > 0 && view.ratedA < view.top) {
      lines.push({ yAxis: view.ratedA, lineStyle: { type: [2, 3], color: this.colour("ink"), width: 1 } });
    }
    if (view.endS > view.from && view.endS <= view.to) {
      lines.push({ xAxis: this.along.u(view.endS), lineStyle: { type: "solid", color: this.colour("ink-faint"), width: 1 } });
    }
    return lines;
  }

  /** @param {Stretch[]} segments */
  ribbon(segments) {
    return {
      name: "ribbon",
      data: segments.map((s) => [this.along.u(s.from), this.along.u(s.to), 0, s.phase]),
      renderItem: (/** @type {any} */ params, /** @type {any} */ api) => {
        const s = segments[params.dataIndex];
        if (!s) return undefined;
        const box = params.coordSys;
        const left = Math.max(box.x, api.coord([this.along.u(s.from), 0])[0]);
        const right = Math.min(box.x + box.width, api.coord([this.along.u(s.to), 0])[0]);
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
    return linear(toPixel, this.along);
  }
}

/** @typedef {{x: (t: number) => number, y: (a: number) => number, t: (px: number) => number}} Scale pixels of a time and of a value, and the time of a pixel */

/**
 * Along the axes all is even: two points say all, and a frame of the trace needs no call into the
 * library.
 * @param {(u: number, a: number) => number[]} toPixel
 * @param {import("./timeaxis.js").Along} along
 * @returns {Scale}
 */
export function linear(toPixel, along) {
  const [x0, y0] = toPixel(0, 0);
  const [x1, y1] = toPixel(1, 1);
  const { u, t } = along;
  return {
    x: (time) => x0 + (x1 - x0) * u(time),
    y: (a) => y0 + (y1 - y0) * a,
    t: (px) => t((px - x0) / (x1 - x0)),
  };
}

/**
 * The stretches that a view shows, cut to its window.
 * @param {View} view
 */
function inWindow(view) {
  const out = [];
  for (const s of view.stretches) {
    const from = Math.max(s.from, view.from);
    const to = Math.min(s.to, view.to);
    if (to > from) out.push({ ...s, from, to });
  }
  return out;
}

/**
 * @param {number[]} values
 * @param {number} v
 */
function nearest(values, v) {
  let best = 0;
  for (let i = 1; i < values.length; i++) if (Math.abs(values[i] - v) < Math.abs(values[best] - v)) best = i;
  return best;
}

/**
 * The server's option object for a lane: the second grid, which holds the ribbon, is folded away, and
 * the first carries the labels of time.
 * @param {any} option
 */
function laneOption(option) {
  const lane = structuredClone(option);
  lane.grid[0].top = LANE_ROOM.top;
  lane.grid[0].bottom = LANE_ROOM.bottom;
  Object.assign(lane.grid[1], { show: false, height: 0, bottom: LANE_ROOM.bottom });
  const labels = lane.xAxis[1];
  lane.xAxis[0].axisLabel = labels.axisLabel;
  lane.xAxis[0].axisTick = labels.axisTick;
  labels.axisLabel = labels.axisTick = { show: false };
  lane.xAxis[1] = { ...labels, axisLine: { show: false } };
  return lane;
}
