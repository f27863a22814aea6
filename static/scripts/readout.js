// The read-out for the camera: phase, current, clock and the three figures that matter most, large.

import { Live, liveOrReplayURL } from "./live.js";
import { BenchModel } from "./model.js";
import { Replayer } from "./replayer.js";
import { clockText, element, make, pageData, plateText, setText } from "./page.js";
import { hatchTile, onSchemeChange, readColours } from "./palette.js";
import { stretches } from "./phases.js";
import { THIN_PX } from "./frame.js";
import { amps } from "./says.js";
import { chirpFor } from "./tones.js";

const data = pageData();
const model = new BenchModel();
let colour = readColours();
onSchemeChange(() => {
  colour = readColours();
});

/** The figures shown, the first three that have a number. */
const KEYS = ["peak_current_a", "time_to_cutoff_s", "time_to_limit_s", "retry_period_s", "sustained_current_a", "let_through_a2s"];

let figuresSaid = "";
let connected = false;

const main = element("main");
const shelf = main.dataset.show === "shelf";
let aheadS = -Infinity; // the bench's clock before the page's
let telling = false;
/** @type {Set<string>} */
const clapped = new Set();

const replayer = new Replayer();
replayer.live = new Live(liveOrReplayURL(), {
  text(message) {
    replayer.take(message);
    if (message.replay) aheadS = -Infinity; // its clock runs at a speed of its own
    if (typeof message.now_at_s === "number") {
      const ahead = message.now_at_s - performance.now() / 1000;
      aheadS = Math.abs(ahead - aheadS) > 1 ? ahead : Math.max(ahead, aheadS - 0.001);
    }
    if (message.type === "hello") telling = true; // what is past is told once more
    if (message.type === "state") telling = false;
    const changed = model.take(message);
    if (changed === "mark" && message.kind === "onset" && !message.withdrawn) clap(message);
    if (shelf && (changed === "run" || (changed === "figures" && message.anew)) && model.runState !== "open") fill();
  },
  binary: (buffer) => model.takeBinary(buffer),
  line: (up) => {
    connected = up;
  },
});

/**
 * One flash at a fixed time after the onset, the same as the chirp's, to line up the video.
 * @param {any} m
 */
function clap(m) {
  const key = `${m.run} ${m.id}`;
  if (clapped.has(key)) return;
  clapped.add(key);
  if (telling || main.dataset.flash !== "true") return;
  const lateS = performance.now() / 1000 - (m.at_s - aheadS);
  const chirp = chirpFor(Math.max(0, lateS));
  if (!chirp) return;
  setTimeout(() => {
    const el = element("cam-flash");
    setText(element("cam-flash-says"), `onset, ${chirp.afterS} s ago`);
    el.hidden = false;
    setTimeout(() => (el.hidden = true), 120);
  }, 1000 * (chirp.afterS - lateS));
}

let filling = 0;

/** The shelf's table as the server now has it. A run is in the store a moment after it ended. */
async function fill() {
  const mine = ++filling;
  for (const waitMs of [300, 1500, 4000]) {
    await new Promise((done) => setTimeout(done, waitMs));
    if (mine !== filling) return;
    try {
      const answer = await fetch(location.href);
      if (!answer.ok) continue;
      const table = new DOMParser().parseFromString(await answer.text(), "text/html").getElementById("cam-shelf");
      if (table) element("cam-shelf").replaceWith(document.adoptNode(table));
    } catch {
      // The line is broken; the page says so, and fills again with the next run.
    }
  }
}

function makeAddress() {
  const value = (/** @type {string} */ id) => /** @type {HTMLSelectElement} */ (element(id)).value;
  const q = new URLSearchParams({ foot: "0" });
  if (value("cam-show") !== "run") q.set("show", value("cam-show"));
  if (value("cam-ground") !== "paper") q.set("ground", value("cam-ground"));
  if (!(/** @type {HTMLInputElement} */ (element("cam-clapper")).checked)) q.set("flash", "0");
  const address = `${location.origin}/readout?${q}`;
  /** @type {HTMLInputElement} */ (element("cam-address")).value = address;
  element("cam-open").setAttribute("href", address);
  return address;
}

async function copyAddress() {
  const address = makeAddress();
  try {
    await navigator.clipboard.writeText(address);
    setText(element("cam-says"), "Copied. Paste it where the video is put together.");
  } catch {
    /** @type {HTMLInputElement} */ (element("cam-address")).select();
    setText(element("cam-says"), "This browser lets nothing be copied by a page: copy it from the field.");
  }
}

document.getElementById("cam-make")?.addEventListener("click", () => {
  /** @type {HTMLDialogElement} */ (element("cam-dialog")).showModal();
  copyAddress();
});
document.getElementById("cam-copy")?.addEventListener("click", copyAddress);
document.getElementById("cam-form")?.addEventListener("input", makeAddress);
document.querySelector("#cam-dialog [data-close]")?.addEventListener("click", () => /** @type {HTMLDialogElement} */ (element("cam-dialog")).close());

function frame() {
  const unit = model.runUnit ?? model.state?.unit;
  setText(element("cam-unit"), unit?.name ?? "letthrough");
  const rated = document.getElementById("cam-rated");
  if (rated) setText(rated, unit ? `rated ${plateText(unit)}` : "");
  const { mode } = model;
  const open = mode === "recording" || mode === "watching" || mode === "after";
  setText(element("cam-clock"), open && model.hasOnset ? clockText(model.nowS - model.zeroS) : "");
  showPhase();
  const now = model.current?.newest ?? NaN;
  setText(element("cam-amps"), Number.isFinite(now) ? amps(now) : Number.isNaN(now) ? "–" : "over");
  if (!shelf) {
    showFigures();
    drawRibbon();
  }
  const foot = document.getElementById("cam-foot");
  if (foot) setText(foot, open ? `run ${model.run}, hold ${Math.round(model.holdS * 1000) / 1000} s` : "");
  requestAnimationFrame(frame);
}

function showPhase() {
  const el = element("cam-phase");
  const { mode } = model;
  const phase = model.state?.phase ?? "idle";
  let text = data.words.phases[phase] ?? phase;
  if (!connected) text = "not connected";
  else if (mode === "armed") text = "armed";
  else if (mode === "idle") text = "nothing armed";
  else if (mode === "after") text = model.behaviour || "run complete";
  else if (mode === "watching") text = "watching";
  else if (phase === "retry") text = `${text} ${model.marksInOrder().filter((m) => m.kind === "retry_on").length}`;
  if (el.textContent !== text) {
    setText(el, text);
    setText(element("speak"), text);
  }
  el.dataset.phase = mode === "recording" ? phase : "idle";
}

function showFigures() {
  const lines = KEYS.map((k) => model.lines.find((l) => l.key === k && l.value)).filter((l) => l !== undefined).slice(0, 3);
  const said = JSON.stringify(lines);
  if (said === figuresSaid) return;
  figuresSaid = said;
  element("cam-figs").replaceChildren(
    ...lines.map((l) => {
      const value = make("dd", "");
      if (l.lead) value.append(make("small", "", `${l.lead} `));
      value.append(`${l.value} ${l.unit}`);
      return make("div", "", make("dt", "", l.say.charAt(0).toLowerCase() + l.say.slice(1)), value);
    }),
  );
}

function drawRibbon() {
  const canvas = /** @type {HTMLCanvasElement} */ (element("cam-ribbon"));
  const dots = devicePixelRatio || 1;
  const width = canvas.clientWidth;
  const height = canvas.clientHeight;
  if (canvas.width !== Math.round(width * dots)) canvas.width = Math.round(width * dots);
  if (canvas.height !== Math.round(height * dots)) canvas.height = Math.round(height * dots);
  const ctx = canvas.getContext("2d");
  if (!ctx) return;
  ctx.setTransform(dots, 0, 0, dots, 0, 0);
  ctx.clearRect(0, 0, width, height);
  if (!model.hasOnset) return;
  const reached = model.nowS - model.zeroS;
  const end = Math.max(model.holdS, reached);
  ctx.fillStyle = colour("sheet");
  ctx.fillRect(0, 0, width, height);
  for (const s of stretches(model.marksInOrder(), 0, model.seenS - model.zeroS)) {
    if (s.phase === "idle") continue;
    const left = (s.from / end) * width;
    const wide = Math.max(2, ((s.to - s.from) / end) * width);
    ctx.fillStyle = colour(`phase-${s.phase}${wide < 3 * THIN_PX && s.phase !== "off" ? "-line" : ""}`);
    const tile = wide >= 3 * THIN_PX ? hatchTile(s.phase, colour) : null;
    if (tile) ctx.fillStyle = ctx.createPattern(tile, "repeat") ?? ctx.fillStyle;
    ctx.fillRect(left, 0, wide, height);
  }
  ctx.strokeStyle = colour("ink");
  ctx.lineWidth = 4;
  ctx.strokeRect(2, 2, width - 4, height - 4);
  ctx.fillStyle = colour("ink");
  ctx.fillRect((Math.min(reached, end) / end) * width - 3, 0, 6, height);
}

requestAnimationFrame(frame);
