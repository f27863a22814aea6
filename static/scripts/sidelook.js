// Looking at runs side by side: gestures and keys move one lens, and all close looks follow it. Used by the
// page and by the file that is saved of it.

import { lookKey, watchChart } from "./gestures.js";
import { Lens } from "./lens.js";

/** @typedef {import("./sidechart.js").SideChart} SideChart */
/** @typedef {import("./lens.js").Window} Window */

/**
 * Lets a chart be looked at. `moved` is called after the close look has moved.
 * @param {SideChart} chart
 * @param {HTMLElement} host in which the panels lie
 * @param {Window | null} chosen what the address says
 * @param {(window: Window | null) => void} moved
 */
export function lookAt(chart, host, chosen, moved) {
  const { data } = chart;
  const lens = new Lens();
  lens.log = data.log;
  if (chosen) lens.select(chosen.from, chosen.to, limits());
  function limits() {
    return { from: data.span.from, to: data.span.to, leastS: Math.max(1e-6, (data.span.to - data.span.from) * 1e-7) };
  }
  let waiting = 0;
  const look = {
    lens,
    limits,
    shown: () => chart.shown,
    charts: [],
    changed: () => {
      lens.log = data.log; // its own address, not a key
      chart.shown = lens.at(NaN) ?? data.close;
      if (waiting) return;
      waiting = requestAnimationFrame(() => {
        waiting = 0;
        chart.drawClose();
        moved(lens.window);
      });
    },
  };
  chart.shown = lens.window ?? data.close;

  /** @type {HTMLElement[]} one over each panel: what is done there is done to it */
  const areas = [];
  data.panels.forEach((p, i) => {
    if (p.kind === "ribbon") return;
    const area = document.createElement("div");
    area.className = "side-area";
    host.append(area);
    areas[i] = area;
    const left = () => chart.layout?.boxes[i].left ?? 0;
    /** @type {any} what gestures know of a chart */
    const panel = {
      host: area,
      inPlot: (/** @type {number} */ x) => x >= 0 && x <= area.clientWidth,
      timeAt: (/** @type {number} */ x) => chart.timeAt(i, x + left()),
      plotWidth: () => area.clientWidth,
      chooseFrom: () => {},
      pointTo: () => {},
    };
    panel.lane = null;
    watchChart(panel, /** @type {any} */ (look), p.kind === "whole");
    area.addEventListener("pointermove", (e) => chart.pointTo(i, chart.timeAt(i, e.clientX - area.getBoundingClientRect().left + left())));
    area.addEventListener("pointerleave", () => chart.unpoint());
  });
  chart.onLayout = () => {
    data.panels.forEach((p, i) => {
      const box = chart.layout?.boxes[i];
      if (!areas[i] || !box) return;
      Object.assign(areas[i].style, { left: `${box.left}px`, top: `${box.top}px`, width: `${box.width}px`, height: `${box.height}px` });
    });
  };
  return {
    lens,
    /** @param {string} key */
    press: (key) => !["f", "F", "t", "T"].includes(key) && lookKey(key, /** @type {any} */ (look)),
  };
}
