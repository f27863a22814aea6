// Side by side: the traces, and what is done to them. The table is the server's.

import { ask } from "./api.js";
import { element, isTextField, pageData, setText, shape } from "./page.js";
import { SideChart } from "./sidechart.js";
import { lookAt } from "./sidelook.js";
import { offerPictures, windowText } from "./sidepicture.js";
import { addressOf, decadesOf, storeOf } from "./sidetraces.js";

/** Columns asked for: about one a pixel of a wide screen. */
const COLUMNS = 1200;

/** What one zooms past on the way is not asked for. */
const SETTLE_MS = 180;

const data = pageData();
const library = /** @type {any} */ (globalThis).echarts;

/** @param {unknown} error */
function fail(error) {
  element("sides-says").replaceChildren(shape("fail"), error instanceof Error ? error.message : String(error));
}

if (!library) fail("The chart library is not part of this build, so there is no picture; the table says it all.");
else start().catch(fail);

/**
 * The currents of a window, by run.
 * @param {{from: number, to: number}} w
 */
async function columnsIn(w) {
  const answer = await ask("GET", `${data.ask}&from_s=${w.from}&to_s=${w.to}&columns=${COLUMNS}`);
  return {
    runs: answer.runs.map((/** @type {any} */ r) => r.channels.find((/** @type {any} */ c) => c.quantity === "current") ?? { t_s: [], min: [], max: [], mean: [], flags: [], single: true }),
    bands: answer.bands.map((/** @type {any} */ b) => ({ t: b.t_s, min: b.min, mean: b.mean, max: b.max })),
  };
}

async function start() {
  const chart = new SideChart(element("sides-chart"), data, library);
  const whole = await columnsIn(data.span);
  const wholes = whole.runs.map((/** @type {any} */ c) => storeOf(c));
  chart.take(wholes, whole.bands);
  let asked = 0;
  /** @type {ReturnType<typeof setTimeout> | undefined} */
  let timer;

  const nearer = async () => {
    const mine = ++asked;
    const w = chart.shown;
    const parts = await Promise.all((data.log ? decadesOf(w) : [w]).map(columnsIn));
    if (mine !== asked) return; // moved on meanwhile
    chart.takeClose(
      whole.runs.map((/** @type {any} */ c, /** @type {number} */ i) => storeOf(c, ...parts.map((p) => p.runs[i]))),
      parts.map((p) => p.bands),
    );
    if (data.log) chart.draw(); // there the whole is made of the same columns
    else chart.drawClose();
    element("sides-says").replaceChildren();
  };

  const look = lookAt(chart, element("sides"), data.chosen, (window) => {
    const address = addressOf(location.search, window);
    history.replaceState(null, "", address);
    for (const link of /** @type {NodeListOf<HTMLAnchorElement>} */ (document.querySelectorAll(".choices a, #save"))) {
      const url = new URL(link.href);
      if (keepsWindow(url)) link.href = url.pathname + addressOf(url.search, window);
    }
    setText(element("sides-window"), window ? windowText(window, data.words.zero) : "");
    clearTimeout(timer);
    timer = setTimeout(() => nearer().catch(fail), SETTLE_MS);
  });
  for (const button of document.querySelectorAll(".look-row [data-key]")) {
    button.addEventListener("click", () => look.press(/** @type {HTMLElement} */ (button).dataset.key ?? ""));
  }
  addEventListener("keydown", (e) => {
    if (e.ctrlKey || e.metaKey || e.altKey || isTextField(e.target) || document.querySelector("dialog[open]")) return;
    if (look.press(e.key)) e.preventDefault();
  });
  offerPictures(chart, data.file, fail);
  chart.fit();
  Object.assign(globalThis, { letthrough: { sides: chart, look } });
  await nearer();
  document.body.dataset.drawn = "yes";
}

/**
 * Another alignment or another axis of time has another window.
 * @param {URL} to
 */
function keepsWindow(to) {
  const here = new URL(location.href);
  return ["align", "time"].every((k) => (here.searchParams.get(k) ?? "") === (to.searchParams.get(k) ?? ""));
}
