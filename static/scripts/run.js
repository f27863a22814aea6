// One stored run: the whole trace and a close look at it, its figures and what they rest on, its marks, what other
// settings would make of it, and its replay.

import { ask } from "./api.js";
import { niceTop } from "./axes.js";
import { pointTo } from "./gestures.js";
import { LookPanel } from "./look.js";
import { openMark } from "./marksform.js";
import { GAP } from "./columns.js";
import { element, isTextField, make, pageData, setText, shape } from "./page.js";
import { inOrder, stretches } from "./phases.js";
import { layerKey, paintLayer, paintUnder } from "./runlayer.js";
import { closingAddress, readAddress, writeAddress } from "./runaddress.js";
import { dragMarks } from "./runmarks.js";
import { markFrom, phaseAt, Replay, showReplay } from "./runreplay.js";
import { SettingsPanel, watchDerivations } from "./runsettings.js";
import { RunStore } from "./runstore.js";
import { wholeRun } from "./windows.js";

/** @typedef {import("./runlayer.js").LayerMark} LayerMark */

const data = pageData();
const panel = new LookPanel(data.option, data.words.phases, { whole: "The whole run" });
const store = new RunStore(data.id, data.full_scale_a || Infinity, again, wrong);
const replay = new Replay(data.id, { moved: again, spoke: (text) => setText(element("speak"), text) });
const address = readAddress(location.search);

/** @type {any | null} what other settings would make of the run, while somebody looks */
let preview = null;
/** @type {{uses: import("./runlayer.js").Use[], say: string, key: string} | null} */
let used = null;
/** @type {{i: number, t: number} | null} */
let drag = null;
/** @type {any | null} which readings the figures rest on, once somebody asked */
let uses = null;
let due = false;

/** Draws with the next frame, however often it is asked for. */
function again() {
  if (due) return;
  due = true;
  requestAnimationFrame(() => {
    due = false;
    draw();
    if (replay.playing) again();
  });
}

/** @param {unknown} error */
function wrong(error) {
  const text = error instanceof Error ? error.message : String(error);
  element("chart-says").replaceChildren(shape("fail"), text);
}

/** @returns {LayerMark[]} */
function layerMarks() {
  return inOrder(preview ? preview.marks.map(markOfDerivation) : data.marks).map((m) => ({ ...m, wasS: preview ? undefined : /** @type {any} */ (m).was_s }));
}

/** @param {any} m */
const markOfDerivation = (m) => ({ id: m.id, kind: m.kind, t: m.t_s + preview.zero_s, by: m.by, say: data.words.marks[m.kind] ?? m.kind, text: m.text });

/** @returns {import("./chart.js").Picture | null} */
function picture() {
  const i = store.current;
  const whole = store.whole?.stores[i];
  if (!whole) return null;
  const marks = layerMarks();
  const window = wholeRun(data.from_s, data.to_s);
  const seen = whole.extremes(-Infinity, Infinity);
  const rated = data.unit.rated_current_a ?? 0;
  return {
    view: {
      ...window,
      top: niceTop(Math.max(seen?.max ?? 0, 1.2 * rated, 0.1), 5),
      stretches: stretches(/** @type {any} */ (marks), window.from, data.to_s),
      ratedA: rated,
      endS: data.hold_s > 0 && data.hold_s < data.to_s ? data.hold_s : NaN,
    },
    store: whole,
    zeroS: 0,
    lines: preview ? preview.lines : replay.on ? [] : data.lines, // a replay's own figures stand beside the trace
    now: null,
    keptS: 0,
  };
}

function draw() {
  const p = picture();
  if (!p) return;
  const t = replay.atS;
  const marks = layerMarks();
  const layer = (/** @type {boolean} */ close) => {
    const at = Number.isFinite(t) ? { t, a: valueAt(t), says: close || !panel.near } : null;
    const l = { marks, levels: data.levels, used, play: at, drag: close ? drag : null, close: close || !panel.near };
    return { key: layerKey(l), paintUnder: (/** @type {import("./runlayer.js").Canvas} */ c) => paintUnder(c, l), paint: (/** @type {import("./runlayer.js").Canvas} */ c) => paintLayer(c, l) };
  };
  p.layer = layer(false);
  panel.closeLayer = layer(true);
  const current = store.current;
  const others = store.channels.flatMap((channel, index) => (index === current || !store.whole ? [] : [{ channel, index, store: store.whole.stores[index] }]));
  panel.show(p, others);
  showReplay(replay, data.words.phases, p.view.stretches);
  showScrub(t, p.view);
  writeAddress({ look: panel.lens.chosen ? panel.near : null, log: panel.lens.log, at: replay.standing && !replay.playing ? replay.standing.at_s : null, open: used?.key ?? null });
}

/**
 * The reading at an instant, as fine as it is known.
 * @param {number} t
 */
function valueAt(t) {
  const view = panel.near ?? { from: t, to: t + 1e-9 };
  const s = store.of(t >= view.from && t <= view.to ? view : { from: data.from_s, to: data.to_s }, store.current);
  const v = s ? s.at(t) : NaN;
  return v;
}

/**
 * @param {number} t
 * @param {{from: number, to: number}} view
 */
function showScrub(t, view) {
  const scrub = /** @type {HTMLInputElement} */ (element("scrub"));
  scrub.min = String(view.from);
  scrub.max = String(data.to_s);
  scrub.step = "any";
  if (Number.isFinite(t) && document.activeElement !== scrub) scrub.value = String(t);
  if (Number.isFinite(t)) scrub.setAttribute("aria-valuetext", `${t.toFixed(3)} seconds`);
}

panel.fine = (/** @type {import("./frame.js").View} */ view, /** @type {number | null} */ index) => store.of(view, index ?? store.current);
panel.acts.limits = () => {
  const p = panel.picture?.view ?? { from: data.from_s, to: data.to_s };
  return { from: p.from, to: p.to, leastS: Math.max(4 * data.interval_s, 2e-6) };
};
panel.speak = (/** @type {string} */ text) => setText(element("speak"), text);

dragMarks(
  panel.close,
  () => (data.operator && !preview ? layerMarks() : []),
  (d) => {
    drag = d;
    again();
  },
  (m, t, perPx) => openMark({ does: "move", kind: m.kind, was: m.t, at: t, within: Math.max(perPx / 2, data.interval_s / 2) }),
);

// Looking, and the replay, by keys: letters and arrows mean what LOOK says as long as nothing is typed.
addEventListener("keydown", (event) => {
  if (event.defaultPrevented || event.ctrlKey || event.metaKey || event.altKey || isTextField(event.target) || document.querySelector("dialog[open]")) return;
  const target = event.target instanceof Element ? event.target : null;
  const arrow = event.key.startsWith("Arrow");
  if (arrow && target?.closest("input[type=range], [role=radio], select")) return;
  if (does(event.key, event.shiftKey)) event.preventDefault();
});

/**
 * @param {string} key
 * @param {boolean} shift
 */
function does(key, shift) {
  switch (key) {
    case "p":
    case "P":
      replay.toggle();
      break;
    case ",":
    case ".":
      replay.ask({ do: "step", by: key === "." ? 1 : -1 });
      break;
    case "l":
    case "L":
      loop();
      break;
    case "ArrowLeft":
    case "ArrowRight":
      if (shift) return panel.press(key);
      toMark(key === "ArrowRight" ? 1 : -1);
      break;
    case "Escape":
      if (!replay.standing) return false;
      replay.leave();
      break;
    case "f":
    case "F":
      return false;
    default:
      return panel.press(key);
  }
  again();
  return true;
}

const MOST_GAPS = 3;

/** Gaps are among what one wants to look at: the longest ones. */
function showGaps() {
  const s = store.whole?.stores[store.current];
  if (!s) return;
  const gaps = [];
  for (let i = s.start + 1; i < s.n; i++) if (s.flags[i] & GAP) gaps.push({ from: s.t[i - 1], to: s.t[i] });
  gaps.sort((a, b) => b.to - b.from - (a.to - a.from));
  for (const g of gaps.slice(0, MOST_GAPS)) {
    const button = make("button", "plain", gaps.length > 1 ? `the gap at ${g.from.toFixed(1)} s` : "the gap");
    button.setAttribute("type", "button");
    const aside = 0.4 * (g.to - g.from);
    button.addEventListener("click", () => {
      panel.lens.select(g.from - aside, g.to + aside, panel.acts.limits());
      again();
    });
    element("jumps").append(" ", button);
  }
}

/** @param {1 | -1} way */
function toMark(way) {
  const times = layerMarks().map((m) => m.t);
  const from = Number.isFinite(replay.atS) ? replay.atS : way > 0 ? -Infinity : Infinity;
  const t = markFrom(times, from, way);
  if (t === null) return;
  replay.ask({ do: "pause" });
  replay.go(t);
  bring(t);
  const m = layerMarks().find((x) => x.t === t);
  if (m) setText(element("speak"), `${m.say} at ${t.toFixed(3)} seconds`);
}

/**
 * Moves the close look so that an instant is in it.
 * @param {number} t
 */
function bring(t) {
  const near = panel.near;
  if (!near || (t >= near.from && t <= near.to)) return;
  const half = (near.to - near.from) / 2;
  panel.lens.select(t - half, t + half, panel.acts.limits());
}

function loop() {
  if (replay.standing?.loop_s) {
    replay.ask({ do: "loop" });
    return;
  }
  const p = panel.picture;
  if (!p) return;
  const phase = phaseAt(p.view.stretches, (Number.isFinite(replay.atS) ? replay.atS : 0) + 1e-7);
  const part = phase && phase.phase !== "idle" ? phase : panel.near ?? p.view;
  replay.ask({ do: "loop", from_s: part.from, to_s: Math.min(part.to, data.to_s) });
  if (!replay.playing) replay.toggle();
}

for (const button of document.querySelectorAll("[data-replay]")) {
  button.addEventListener("click", () => does(/** @type {HTMLElement} */ (button).dataset.replay ?? "", false));
}
element("speed").addEventListener("change", () => {
  if (replay.standing) replay.sendSpeed();
});
const scrub = /** @type {HTMLInputElement} */ (element("scrub"));
scrub.addEventListener("input", () => {
  const t = Number(scrub.value);
  replay.go(t);
  bring(t);
});

// Places to look at: the fault, the first retry, the gap; and every mark of the list.
for (const button of document.querySelectorAll("[data-look]")) {
  button.addEventListener("click", () => {
    const [from, to] = (/** @type {HTMLElement} */ (button).dataset.look ?? "").split(" ").map(Number);
    const near = panel.near;
    const half = from < to ? 0 : near ? (near.to - near.from) / 2 : Math.max(0.02 * (data.to_s - data.from_s), 50 * data.interval_s);
    panel.lens.select(from - half, to + half, panel.acts.limits());
    if (half) pointTo(panel.acts, from, panel.close);
    again();
  });
}
for (const button of document.querySelectorAll("[data-mark]")) {
  button.addEventListener("click", () => {
    const [kind, at] = (/** @type {HTMLElement} */ (button).dataset.mark ?? "").split(" ");
    openMark({ does: "move", kind, was: Number(at), at: replay.on ? replay.atS : Number(at), within: replay.on ? data.interval_s : NaN });
  });
}
document.getElementById("note-pin")?.addEventListener("click", () => {
  const near = panel.near ?? panel.picture?.view;
  const t = Number.isFinite(replay.atS) ? replay.atS : panel.close.pointed ?? (near ? (Math.max(near.from, 0) + near.to) / 2 : 0);
  openMark({ does: "add", kind: "note", was: NaN, at: t, within: Math.max(data.interval_s, 1e-3) });
});

// What a figure rests on.
for (const why of document.querySelectorAll("details.why")) {
  why.addEventListener("toggle", () => showUsed(/** @type {HTMLDetailsElement} */ (why)));
}

/** @param {HTMLDetailsElement} why */
async function showUsed(why) {
  const key = why.dataset.figure ?? "";
  if (!why.open) {
    if (used?.key === key) used = null;
    again();
    return;
  }
  const say = why.querySelector(".say")?.textContent ?? key;
  const says = why.querySelector(".how-used");
  try {
    uses ??= await ask("GET", `/api/runs/${data.id}/used`);
  } catch (error) {
    if (says) setText(/** @type {HTMLElement} */ (says), error instanceof Error ? error.message : String(error));
    return;
  }
  if (!why.open) return;
  const list = uses.figures[key] ?? [];
  if (says instanceof HTMLElement) setText(says, usedText(key, list));
  used = list.length ? { uses: list, say, key } : null;
  bringUses(list);
  again();
}

/**
 * @param {string} key
 * @param {import("./runlayer.js").Use[]} list
 */
function usedText(key, list) {
  if (!data.current) return "The readings used are shown for the current derivation only.";
  if (uses.changed.includes(key)) return "An older version of the program worked this out otherwise than this one does: derive the run again to see the readings used.";
  if (!list.length) return "It rests on no reading of its own.";
  const parts = list.length > 4 ? `${list.length} stretches of readings` : list.map((u) => `${data.words.uses[u.as]}, ${stretchText(u)}`).join("; ");
  return `Used: ${parts}. Full dots in the close look, where it is close enough; the others are open.`;
}

/** @param {import("./runlayer.js").Use} u */
function stretchText(u) {
  const at = (/** @type {number} */ t) => t.toFixed(Math.min(6, Math.max(2, Math.ceil(-Math.log10(Math.max(u.to_s - u.from_s, 1e-6))) + 2))).replace("-", "−");
  return u.to_s > u.from_s ? `${at(u.from_s)} to ${at(u.to_s)} s` : `${at(u.from_s)} s`;
}

/**
 * Brings what a figure rests on into the close look, unless it is there.
 * @param {import("./runlayer.js").Use[]} list
 */
function bringUses(list) {
  if (!list.length) return;
  const from = Math.min(...list.map((u) => u.from_s));
  const to = Math.max(...list.map((u) => u.to_s));
  const near = panel.near;
  const span = Math.max(to - from, 8 * data.interval_s);
  if (near && from >= near.from && to <= near.to && span > 0.2 * (near.to - near.from)) return;
  panel.lens.select(from - 0.15 * span, to + 0.15 * span, panel.acts.limits());
}

const kept = () => location.assign(closingAddress());
watchDerivations(data.id, kept);
if (document.getElementById("settings")) {
  new SettingsPanel(data.id, {
    preview(derived) {
      preview = derived;
      again();
    },
    kept,
  });
}

document.getElementById("note-form")?.addEventListener("submit", async (event) => {
  event.preventDefault();
  const note = /** @type {HTMLTextAreaElement} */ (element("note")).value;
  const says = element("note-says");
  try {
    await ask("PATCH", `/api/runs/${data.id}`, { note });
    setText(says, "kept");
  } catch (error) {
    says.replaceChildren(shape("fail"), error instanceof Error ? error.message : String(error));
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
    wrong(error);
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

store
  .load()
  .then(() => {
    const p = picture();
    if (!p) {
      setText(element("chart-says"), "No reading of a current was kept of this run.");
      return;
    }
    showGaps();
    panel.picture = p;
    panel.lens.log = address.log;
    if (address.look) panel.lens.still(address.look);
    if (address.at !== null) replay.go(address.at);
    const open = address.open && document.querySelector(`details.why[data-figure="${CSS.escape(address.open)}"]`);
    if (open instanceof HTMLDetailsElement) open.open = true;
    draw();
    draw(); // now it is known whether there is a close look
    document.body.dataset.drawn = "yes";
    performance.mark("drawn");
  })
  .catch(wrong);

// For the browser test: what the page drew.
Object.assign(globalThis, { letthrough: { whole: panel.whole, close: panel.close, look: panel, store, replay } });
