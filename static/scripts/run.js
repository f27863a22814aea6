// One stored run: its whole trace, and the beginning of the fault beside it.

import { ask } from "./api.js";
import { niceTop } from "./axes.js";
import { TraceChart } from "./chart.js";
import { ColumnStore } from "./columns.js";
import "./marksform.js";
import { element, pageData, setText, shape } from "./page.js";
import { inOrder, stretches } from "./phases.js";
import { closePicture } from "./pictures.js";

const data = pageData();
const whole = new TraceChart(element("whole"), data.option, data.words.phases);
const close = new TraceChart(element("close"), data.option, data.words.phases);

/** Columns asked for: about one a pixel of a wide screen. */
const COLUMNS = 1600;

/**
 * The current of the run between two times as a column store.
 * @param {number | null} from
 * @param {number | null} to
 */
async function load(from, to) {
  const window = from === null || to === null ? "" : `from_s=${from}&to_s=${to}&`;
  const answer = await ask("GET", `/api/runs/${data.id}/samples?${window}columns=${COLUMNS}`);
  const channel = answer.channels.find((/** @type {any} */ c) => c.quantity === "current");
  const store = new ColumnStore();
  if (!channel) return store;
  const n = channel.t_s.length;
  // What had no number was beyond the range.
  const values = (/** @type {(number | null)[]} */ v) => Float32Array.from(v, (x) => (x === null ? Infinity : x));
  store.take({
    backlog: true,
    channel: 0,
    lost: 0,
    widthS: 0,
    t: Float64Array.from(channel.t_s),
    min: values(channel.min),
    max: values(channel.max),
    flags: Uint8Array.from(flagsOf(channel, n)),
  });
  return store;
}

/**
 * @param {any} channel
 * @param {number} n
 */
function flagsOf(channel, n) {
  if (!Array.isArray(channel.flags)) return new Array(n).fill(0);
  return channel.flags.map((/** @type {any} */ f) => (typeof f === "number" ? f : (String(f).includes("over") ? 1 : 0) | (String(f).includes("gap") ? 2 : 0)));
}

/**
 * @param {ColumnStore} store
 * @returns {import("./chart.js").Picture}
 */
function pictureOf(store) {
  const marks = inOrder(data.marks);
  const from = Math.min(data.from_s, 0);
  const span = Math.max(data.to_s - from, 1e-3);
  const seen = store.extremes(-Infinity, Infinity);
  const rated = data.unit.rated_current_a ?? 0;
  return {
    view: {
      // The pre-record before the onset tells little: a twentieth of the run is room enough.
      from: Math.max(from, -0.05 * span),
      to: data.to_s + 0.01 * span,
      top: niceTop(Math.max(seen?.max ?? 0, 1.2 * rated, 0.1), 5),
      stretches: stretches(marks, from, data.to_s),
      ratedA: rated,
      endS: data.hold_s > 0 && data.hold_s < data.to_s ? data.hold_s : NaN,
    },
    store,
    zeroS: 0,
    lines: data.lines,
    now: null,
    keptS: 0,
  };
}

async function show() {
  const store = await load(null, null);
  const picture = pictureOf(store);
  const views = element("views");
  const near = closePicture(picture, views.clientWidth);
  if (!near) {
    whole.show(picture);
    return;
  }
  views.classList.add("has-close");
  element("close-view").hidden = false;
  setText(element("close-title"), `The first ${Number(near.view.to.toPrecision(2))} s`);
  setText(element("whole-title"), "The whole run");
  const fine = await load(near.view.from, near.view.to);
  whole.show({ ...picture, lines: picture.lines.filter((l) => l.key.startsWith("retry")) });
  close.show({ ...near, store: fine.length ? fine : store });
}

show().catch((error) => {
  setText(element("chart-says"), error instanceof Error ? error.message : String(error));
});

document.getElementById("note-form")?.addEventListener("submit", async (event) => {
  event.preventDefault();
  const note = /** @type {HTMLTextAreaElement} */ (element("note")).value;
  try {
    await ask("PATCH", `/api/runs/${data.id}`, { note });
    setText(element("note-says"), "kept");
  } catch (error) {
    setText(element("note-says"), error instanceof Error ? error.message : String(error));
  }
});

const reasonFor = /** @type {HTMLDialogElement | null} */ (document.getElementById("exclude-dialog"));
document.getElementById("exclude")?.addEventListener("click", () => reasonFor?.showModal());
document.getElementById("exclude-form")?.addEventListener("submit", async (event) => {
  event.preventDefault();
  const reason = /** @type {HTMLInputElement} */ (element("exclude-reason")).value.trim();
  try {
    await ask("POST", `/api/runs/${data.id}/exclude`, { reason });
    location.reload();
  } catch (error) {
    element("exclude-says").replaceChildren(shape("fail"), error instanceof Error ? error.message : String(error));
  }
});
document.getElementById("include")?.addEventListener("click", async () => {
  try {
    await ask("POST", `/api/runs/${data.id}/include`, {});
    location.reload();
  } catch (error) {
    setText(element("chart-says"), error instanceof Error ? error.message : String(error));
  }
});

for (const button of document.querySelectorAll("[data-final-fall]")) {
  button.addEventListener("click", async () => {
    try {
      const answer = /** @type {HTMLElement} */ (button).dataset.finalFall;
      await ask("POST", `/api/runs/${data.id}/derive`, { settings: { final_fall: answer }, keep: true });
      location.reload();
    } catch (error) {
      element("final-fall-says").replaceChildren(shape("fail"), error instanceof Error ? error.message : String(error));
    }
  });
}

// For the browser test: what the page drew.
Object.assign(globalThis, { letthrough: { whole, close } });
