// A series in the dock: how far it is, when the contact closes next, and the button that stops it, or that
// goes on with one that was stopped.

import { ask } from "./api.js";
import { element, setText } from "./page.js";

/**
 * What the row shows, and what its button does.
 * @param {any} state
 * @param {{id: number, rig: string, text: string} | null} stopped the newest series that was stopped before this page came
 * @returns {{text: string, act: "" | "stop" | "resume", id: number, rig: string}}
 */
export function seriesView(state, stopped) {
  const now = state?.series;
  if (now) return { text: `Series ${now.id}: ${now.text}`, act: "stop", id: now.id, rig: now.rig };
  const last = state?.last_series;
  const idle = state?.bench === "idle";
  if (last) return { text: last.text, act: last.stage === "stopped" && idle ? "resume" : "", id: last.id, rig: last.rig };
  if (stopped && idle) return { text: stopped.text, act: "resume", id: stopped.id, rig: stopped.rig };
  return { text: "", act: "", id: 0, rig: "" };
}

export class SeriesRow {
  /**
   * @param {import("./dock.js").Dock} dock
   * @param {{id: number, rig: string, text: string} | null} stopped
   * @param {(rig: string, then: () => unknown) => void} before the cautions
   */
  constructor(dock, stopped, before) {
    this.dock = dock;
    this.stopped = stopped;
    this.before = before;
    this.button = document.getElementById("b-series");
    this.button?.addEventListener("click", () => this.press());
  }

  press() {
    const view = seriesView(this.dock.model.state, this.stopped);
    if (view.act === "stop") return this.dock.run(() => ask("POST", "/api/series", { do: "stop" }));
    if (view.act === "resume") return this.before(view.rig, () => this.dock.run(() => ask("POST", "/api/series", { do: "resume", id: view.id })));
  }

  refresh() {
    const view = seriesView(this.dock.model.state, this.stopped);
    const row = element("series");
    const hidden = view.text === "" || (view.act === "" && this.dock.model.mode !== "after" && this.dock.model.mode !== "idle");
    if (row.hidden !== hidden) row.hidden = hidden;
    if (hidden) return;
    setText(element("series-says"), view.text);
    if (!(this.button instanceof HTMLButtonElement)) return;
    this.button.hidden = view.act === "";
    this.button.disabled = !this.dock.operates;
    const label = this.button.querySelector(".label");
    if (label instanceof HTMLElement) setText(label, view.act === "resume" ? "Go on with it" : "Stop the series");
  }
}
