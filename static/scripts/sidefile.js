// The saved page of runs side by side: all it draws is in it.

import { SideChart } from "./sidechart.js";
import { lookAt } from "./sidelook.js";
import { offerPictures, windowText } from "./sidepicture.js";
import { storeOf } from "./sidetraces.js";

const data = JSON.parse(document.getElementById("page-data")?.textContent ?? "{}");
const says = document.getElementById("sides-says");
const host = /** @type {HTMLElement} */ (document.getElementById("sides"));
const chart = new SideChart(/** @type {HTMLElement} */ (document.getElementById("sides-chart")), data, /** @type {any} */ (globalThis).echarts);
chart.take(
  data.columns.whole.map((/** @type {any} */ c) => storeOf(c)),
  data.columns.bands ?? [],
);
chart.takeClose(
  data.columns.whole.map((/** @type {any} */ c, /** @type {number} */ i) => storeOf(c, data.columns.close[i])),
  data.columns.close_bands ?? [],
);
const look = lookAt(chart, host, data.chosen, (window) => {
  const where = document.getElementById("sides-window");
  if (where) where.textContent = window ? windowText(window, data.words.zero) : "";
});
for (const button of /** @type {NodeListOf<HTMLElement>} */ (document.querySelectorAll(".look-row [data-key]"))) {
  button.addEventListener("click", () => look.press(button.dataset.key ?? ""));
}
addEventListener("keydown", (e) => {
  if (!e.ctrlKey && !e.metaKey && !e.altKey && look.press(e.key)) e.preventDefault();
});
offerPictures(chart, data.file, (error) => {
  if (says) says.textContent = error instanceof Error ? error.message : String(error);
});
chart.fit();
Object.assign(globalThis, { letthrough: { sides: chart, look } });
document.body.dataset.drawn = "yes";
