// The Bench: what the instrument says now, and the run that is being recorded.

import { ask } from "./api.js";
import { TraceChart } from "./chart.js";
import { Cautions } from "./cautions.js";
import { Dock } from "./dock.js";
import { rigAddress } from "./fromrig.js";
import { GuardBar } from "./guardbar.js";
import { GuardTones } from "./guardtones.js";
import { Hand } from "./hand.js";
import { Live, liveOrReplayURL } from "./live.js";
import { rateText, showEvents, showFigures, showInstruments } from "./lists.js";
import { BenchModel } from "./model.js";
import { clockText, element, make, pageData, plateText, setText, shape } from "./page.js";
import { LookPanel } from "./look.js";
import { wholePicture } from "./pictures.js";
import { phrase } from "./says.js";
import { Replayer } from "./replayer.js";
import { SeriesRow } from "./series.js";
import { Sounds } from "./sounds.js";
import { Steps } from "./steps.js";

const data = pageData();
const model = new BenchModel();
model.role = data.role;
const look = new LookPanel(data.option, data.words.phases, { whole: "The whole hold" });
look.speak = (/** @type {string} */ text) => setText(element("speak"), text);
const listening = new TraceChart(element("listening"), data.option, data.words.phases);
const dock = new Dock(model);
const steps = new Steps(model, dock);
const hand = new Hand(model, dock);
const guardBar = new GuardBar();
const sounds = new Sounds();
const guardTones = new GuardTones(sounds);
const cautions = new Cautions(data.cautions_read);
dock.before = (/** @type {string} */ rig, /** @type {() => unknown} */ then) => cautions.before(rig, then, (/** @type {string} */ problem) => dock.tell(problem));
const series = new SeriesRow(dock, data.stopped_series ?? null, dock.before);
const replayer = new Replayer();

let shownMode = "";
let lineUp = true;
/** @type {Set<string>} */
const dirty = new Set(["state", "mark", "figures"]);
/** @type {Set<string>} */
const spoken = new Set();
/** What has happened before this page came is told once more: it is no news, and makes no sound. */
let telling = false;

const live = new Live(liveOrReplayURL(), {
  text(message) {
    const before = model.runState;
    if (message.type === "hello") telling = true;
    if (message.type === "state") telling = false;
    replayer.take(message);
    if (message.replay) sounds.aheadS = -Infinity; // its clock runs at a speed of its own
    if (typeof message.now_at_s === "number") sounds.clock(message.now_at_s);
    const changed = model.take(message);
    // It ended while the line was down: the store knows how.
    if (message.type === "hello" && before === "open" && model.runState === "interrupted" && model.run !== null) runAnew(model.run);
    if (changed === "mark") speak(message);
    if (changed === "figures" && message.anew) runAnew(message.run);
    if (changed === "skipped") dock.tell(`This page lagged and skipped ${message.seconds.toFixed(1)} s to come to now. Nothing recorded is missing.`);
    if (changed === "run") dirty.add("mark").add("figures");
    if (changed) dirty.add(changed);
  },
  binary(buffer) {
    model.takeBinary(buffer);
  },
  line(up) {
    lineUp = up;
    element("line-broken").hidden = up;
    dirty.add("state");
  },
});
replayer.live = live;

/**
 * Says a mark aloud once, when it is first made.
 * @param {any} m
 */
function speak(m) {
  const key = `${m.run} ${m.id}`;
  if (spoken.has(key) || m.withdrawn) return;
  spoken.add(key);
  if (!telling) sounds.mark(m);
  setText(element("speak"), `${m.say || m.kind}${Number.isFinite(model.zeroS) ? ` at ${(m.at_s - model.zeroS).toFixed(2)} seconds` : ""}`);
}

/**
 * Asks the store for a run that is over: derived anew its marks may be others too, and one that ended while the
 * line was down was told to nobody here.
 * @param {number} run
 */
async function runAnew(run) {
  try {
    const answer = await ask("GET", `/api/runs/${run}`);
    if (model.run !== run) return;
    model.takeStored(answer);
    dirty.add("mark").add("figures").add("state");
  } catch {
    // What stands here is what was last heard; the run's own page has the rest.
  }
}

for (const button of document.querySelectorAll("[data-final-fall]")) {
  button.addEventListener("click", async () => {
    const answer = /** @type {HTMLElement} */ (button).dataset.finalFall;
    element("final-fall-says").replaceChildren();
    try {
      await ask("POST", `/api/runs/${model.run}/derive`, { settings: { final_fall: answer }, keep: true });
    } catch (error) {
      element("final-fall-says").replaceChildren(shape("fail"), error instanceof Error ? error.message : String(error));
    }
  });
}

function frame() {
  if (dirty.size) {
    refresh();
    dirty.clear();
  }
  drawCharts();
  setText(element("clock"), clockOf());
  sounds.countdown(model.mode === "recording" && model.hasOnset ? model.zeroS + model.holdS - model.nowS : NaN);
  requestAnimationFrame(frame);
}

function refresh() {
  const mode = model.mode;
  if (mode !== shownMode) {
    shownMode = mode;
    document.body.dataset.mode = mode;
    if (mode === "armed" || mode === "idle") look.forget();
    element("first").hidden = mode !== "idle";
    element("bench").hidden = mode === "idle";
    element("unit-change").hidden = mode !== "after";
    dirty.add("mark").add("figures");
  }
  if (dirty.has("state") || dirty.has("run")) showState();
  if (dirty.has("mark")) showEvents(element("events"), model.marksInOrder());
  // Armed, the words beside the chart say whether the contact may be closed: that hangs on the state.
  if (dirty.has("figures") || dirty.has("mark") || (mode === "armed" && dirty.has("state"))) showFiguresNow();
  dock.refresh(lineUp);
  guardBar.show(model.state?.guard, mode);
  guardTones.take(model.state?.guard);
  series.refresh();
  steps.refresh();
  hand.refresh();
}

function showState() {
  const { mode, state } = model;
  const unit = model.runUnit ?? state?.unit;
  setText(element("title"), mode === "idle" ? "Nothing armed yet" : unit?.name ?? "No unit");
  setText(element("under"), underTitle(unit));
  const titles = { idle: "Bench", armed: `${unit?.name}, armed`, recording: `${unit?.name}, recording`, watching: `${unit?.name}, watching`, after: `${unit?.name}, run ${model.run}` };
  const title = `${titles[mode]} - letthrough`;
  if (document.title !== title) document.title = title;
  const line = liveLine();
  const el = element("live");
  if (el.dataset.said !== line.shape + line.text) {
    el.dataset.said = line.shape + line.text;
    el.replaceChildren(shape(line.shape), line.text);
  }
  showInstruments(element("instrument-facts"), state?.instruments ?? []);
  showUnit(unit);
  showWait();
  element("storing").hidden = !state?.storing;
  setText(element("storing-text"), state?.storing ?? "");
  const trouble = state?.contact_state?.trouble ?? "";
  element("contact-trouble").hidden = trouble === "";
  setText(element("contact-trouble-text"), trouble);
}

/** @param {any} unit */
function underTitle(unit) {
  if (model.mode === "idle") return "Three steps to a test. They stay done for the next one.";
  const run = model.run === null ? "" : `, run ${model.run}`;
  return `${data.words.procedures[model.procedure] ?? "Test"}${run}. Rated ${plateText(unit)}${unit?.waveform ? `, ${data.words.waveforms[unit.waveform] ?? unit.waveform}` : ""}.`;
}

/** @returns {{shape: string, text: string}} */
function liveLine() {
  const { mode, holdS, receives } = model;
  if (!lineUp) return { shape: "unknown", text: "Not connected" };
  if (replayer.standing) return { shape: "live", text: replayer.standing.playing ? "Replay, as it was live" : "Replay, standing still" };
  switch (mode) {
    case "idle":
      return receives ? { shape: "live", text: "An instrument is receiving" } : { shape: "unknown", text: "No instrument is receiving" };
    case "armed":
      return { shape: receives ? "live" : "caution", text: receives ? "Waiting for the short" : model.byHand ? "Armed: type a reading" : "Armed, but nothing is received" };
    case "recording":
      return receives ? { shape: "live", text: `Recording, of a ${plain(holdS)} s hold` } : { shape: "caution", text: model.byHand ? "Recording: nothing typed lately" : "Recording, but nothing is received" };
    case "watching":
      return { shape: "live", text: "Watching the recovery" };
    default:
      return { shape: model.runState === "complete" ? "pass" : "broken", text: model.runState === "complete" ? "Run complete" : `Run ${model.runState}` };
  }
}

function clockOf() {
  const { mode } = model;
  if (mode === "idle") return "";
  if (mode === "armed") return "Armed";
  if (mode === "recording" && !model.hasOnset) return "0.00 s";
  return clockText(model.nowS - model.zeroS);
}

/** @param {any} unit */
function showUnit(unit) {
  const key = JSON.stringify([unit, model.state?.setting, model.holdS, model.state?.rig]);
  const list = element("unit-facts");
  if (list.dataset.said === key) return;
  list.dataset.said = key;
  const rows = [make("dt", "", "Unit"), make("dd", "", unit?.name ?? "none"), make("dt", "", "Rated"), make("dd", "", plateText(unit))];
  if (unit?.waveform) rows.push(make("dt", "", "Output"), make("dd", "", data.words.waveforms[unit.waveform] ?? unit.waveform));
  rows.push(make("dt", "", "Setting"), make("dd", "", model.state?.setting || "full"), make("dt", "", "Hold"), make("dd", "", `${plain(model.holdS)} s`));
  const rig = model.state?.rig;
  if (rig) {
    const link = make("a", "", rig);
    link.setAttribute("href", rigAddress({ unit: unit?.id, rig }));
    rows.push(make("dt", "", "Rig"), make("dd", "", link));
  }
  list.replaceChildren(...rows);
}

function showFiguresNow() {
  const { mode } = model;
  const waits = mode === "armed";
  const blind = waits && !model.receives;
  setText(element("behaviour"), blind ? (model.byHand ? "Nothing is typed" : "Nothing is received") : waits ? "Waiting for a short" : model.behaviour || "Nothing to say yet");
  setText(element("behaviour-under"), blind ? (model.byHand ? "Type what the display shows, then close the contact." : "Do not close the contact: it would not be seen.") : waits ? "Close the contact when you are ready." : mode !== "after" ? "so far" : model.asked && model.role !== "operator" ? "Whose the last fall was is still asked." : "");
  const question = document.getElementById("final-fall");
  if (question) question.hidden = mode !== "after" || !model.asked;
  showFigures(element("figures"), waits ? waitingLines() : model.lines);
  const said = model.lines.map(phrase).filter((p) => p !== null).slice(0, 4).join(", ");
  element("whole").setAttribute("aria-label", `Current over time, the whole hold. ${model.behaviour}${said ? ": " + said : ""}`);
  const kept = element("kept");
  kept.hidden = mode !== "after";
  const link = element("kept-link");
  if (mode === "after" && link instanceof HTMLAnchorElement) {
    link.href = `/runs/${model.run}`;
    setText(link, `Run ${model.run}`);
  }
}

/** What will happen, in the same form as the figures that will stand there. */
function waitingLines() {
  const line = (/** @type {string} */ say, /** @type {string} */ value, /** @type {string} */ unit, /** @type {string} */ more) => ({ key: "", say, lead: "", value, pm: "", unit, more });
  return [line("Keeps, from before", "5", "s", "always the latest"), line("Then records for", plain(model.holdS), "s", ""), line("Then watches for", "10", "s", "whether it recovers")];
}

/** Armed: whether all is as it should be. */
function showWait() {
  const list = element("wait");
  list.hidden = model.mode !== "armed";
  if (list.hidden) return;
  const checks = (model.state?.instruments ?? []).map((i) => {
    const well = i.state === "receiving";
    return { shape: well ? "pass" : "caution", say: well ? `${i.name} receives` : `${i.name}: ${i.say || i.state}`, more: rateText(i.rate_hz) };
  });
  const contact = model.state?.contact_state;
  if (contact && contact.state !== "none") checks.push({ shape: contact.state === "ready" && !contact.trouble ? "pass" : "caution", say: `Contact: ${contact.say}`, more: contact.do });
  if (!(model.state?.instruments ?? []).length) checks.push({ shape: "caution", say: "No instrument is connected", more: "nothing will be seen" });
  checks.push(model.state?.storing ? { shape: "caution", say: "Readings are not kept", more: model.state.storing } : { shape: "pass", say: "Readings are kept", more: "every one, with 5 s from before" });
  const said = JSON.stringify(checks);
  if (list.dataset.said === said) return;
  list.dataset.said = said;
  list.replaceChildren(...checks.map((c) => make("li", "", shape(c.shape), make("div", "", c.say, make("em", "", c.more)))));
}

function drawCharts() {
  if (model.mode === "idle") {
    if (!element("listening-view").hidden) listening.show(wholePicture(model, 4));
    return;
  }
  look.words = model.procedure === "short" ? data.words.phases : { ...data.words.phases, fault: "loaded" };
  look.titles.whole = `The whole hold, ${plain(model.holdS)} s`;
  look.show(wholePicture(model, 5), model.others);
}

/**
 * A duration of the page's own making, such as the hold.
 * @param {number} n seconds
 */
const plain = (n) => String(Math.round(n * 100) / 100);

// For the browser test: what the page knows.
Object.assign(globalThis, { letthrough: { model, live, look, sounds, whole: look.whole } });

addEventListener("keydown", (event) => {
  // Where readings are typed, these are parts of one.
  if (hand.open && /^[-+=.,]$/.test(event.key)) return;
  if (model.mode !== "idle") look.key(event);
});

requestAnimationFrame(frame);
