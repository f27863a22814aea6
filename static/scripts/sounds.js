// Plays the sounds of the Bench and speaks the countdown, each as it was switched on. What is on is
// remembered in this browser. Other modules may play sounds of their own: `sounds.play(notes)`, or add
// a switch: `sounds.add("guard", "Guard at 50, 80 and 100 %")` and ask `sounds.on("guard")`.

import { element, make, setText } from "./page.js";
import { chirpFor, countdownWord, passed, samplesOf, SOUNDS } from "./tones.js";

/** @typedef {import("./tones.js").Note} Note */

const KEPT = "letthrough sounds";

/** @type {{id: string, say: string, hint?: string}[]} in the order shown */
const SWITCHES = [
  { id: "onset", say: "Onset", hint: "a chirp, always the same time after it; export finds it in a video" },
  { id: "cut_off", say: "Cut-off, or limitation" },
  { id: "retry_on", say: "Every retry" },
  { id: "countdown", say: "The end of the hold, counted aloud" },
];

/** Sounds that are further behind than this are left out: they would tell of the past. */
const TOO_LATE_S = 2;

export class Sounds {
  constructor() {
    /** @type {Set<string>} */
    this.chosen = new Set(kept());
    /** @type {AudioContext | null} made at the first gesture: a browser gives no sound before one */
    this.context = null;
    /** @type {{name: string, atMS: number}[]} the last ones played, for whoever tests */
    this.played = [];
    this.leftS = NaN;
    this.aheadS = -Infinity; // the bench's clock before the page's, the least delayed of the last messages
    for (const type of ["pointerdown", "keydown"]) addEventListener(type, () => this.wake(), { capture: true });
    for (const s of SWITCHES) this.add(s.id, s.say, s.hint);
    document.getElementById("show-sounds")?.addEventListener("click", () => {
      /** @type {HTMLDialogElement} */ (element("sounds-dialog")).showModal();
      this.say();
    });
    this.say();
  }

  /** @param {string} id */
  on(id) {
    return this.chosen.has(id);
  }

  /**
   * Adds a switch to the list.
   * @param {string} id
   * @param {string} say
   * @param {string} [hint]
   */
  add(id, say, hint) {
    const list = document.getElementById("sounds-list");
    if (!list) return;
    const box = /** @type {HTMLInputElement} */ (make("input", ""));
    box.type = "checkbox";
    box.id = `sound-${id}`;
    box.checked = this.on(id);
    box.addEventListener("change", () => {
      if (box.checked) this.chosen.add(id);
      else this.chosen.delete(id);
      keep([...this.chosen]);
      this.say();
      if (box.checked) this.sample(id);
    });
    const label = make("label", "", say);
    label.setAttribute("for", box.id);
    if (hint) label.append(make("em", "", hint));
    list.append(make("li", "check", box, label));
  }

  /** Lets something be heard of what was just switched on. */
  sample(/** @type {string} */ id) {
    if (id === "countdown") this.speak("5");
    else this.play(id === "onset" ? (chirpFor(0)?.notes ?? []) : (SOUNDS[id] ?? []), 0, `${id} tried`);
  }

  /** What stands on the button, and what is missing. */
  say() {
    const button = document.getElementById("show-sounds");
    const n = this.chosen.size;
    if (button?.firstChild) button.firstChild.textContent = n ? `Sounds: ${n} on ` : "Sounds: off ";
    const missing = [];
    if (this.on("countdown") && !canSpeak()) missing.push("This browser has no voice: the countdown is not spoken.");
    if (n && this.context?.state !== "running") missing.push("A browser lets a page sound only after a click or a key on it.");
    const says = document.getElementById("sounds-say");
    if (says) setText(says, missing.join(" "));
  }

  /** At a click or a key: sound is allowed from now on. */
  wake() {
    if (!this.chosen.size) return;
    this.context ??= new AudioContext();
    if (this.context.state === "suspended") this.context.resume().then(() => this.say(), () => {});
  }

  /**
   * Plays notes at an instant of the page's clock, or now.
   * @param {Note[]} notes
   * @param {number} [atMS] of performance.now(); 0: now
   * @param {string} [name] for whoever tests
   */
  play(notes, atMS = 0, name = "") {
    if (!notes.length) return false;
    this.wake();
    const ctx = this.context;
    if (!ctx || ctx.state !== "running") return false;
    const samples = samplesOf(notes, ctx.sampleRate);
    const buffer = ctx.createBuffer(1, samples.length, ctx.sampleRate);
    buffer.copyToChannel(samples, 0);
    const source = ctx.createBufferSource();
    source.buffer = buffer;
    source.connect(ctx.destination);
    // What is scheduled now leaves the loudspeaker later by the output's latency.
    const inS = atMS ? (atMS - performance.now()) / 1000 - (ctx.outputLatency || ctx.baseLatency || 0) : 0;
    source.start(ctx.currentTime + Math.max(0, inS));
    this.played.push({ name, atMS: atMS || performance.now() });
    if (this.played.length > 50) this.played.shift();
    return true;
  }

  /**
   * Says something with the browser's voice, in place of what it is still saying.
   * @param {string} text
   */
  speak(text) {
    if (!canSpeak()) return false;
    speechSynthesis.cancel();
    const words = new SpeechSynthesisUtterance(text);
    words.lang = document.documentElement.lang || "en";
    words.rate = 1.2;
    speechSynthesis.speak(words);
    this.played.push({ name: `said ${text}`, atMS: performance.now() });
    return true;
  }

  /**
   * Learns the bench's clock from a message that says its time.
   * @param {number} nowAtS
   */
  clock(nowAtS) {
    const ahead = nowAtS - performance.now() / 1000;
    // The least delayed message is nearest to the truth; a slow decay follows a clock that drifts.
    this.aheadS = Math.max(ahead, this.aheadS - 0.001);
    if (Math.abs(ahead - this.aheadS) > 1) this.aheadS = ahead; // another bench, or a stretched clock
  }

  /**
   * Takes a mark when it is first told.
   * @param {{kind: string, at_s: number, by: string}} m
   */
  mark(m) {
    const atMS = (m.at_s - this.aheadS) * 1000;
    const lateS = (performance.now() - atMS) / 1000;
    if (m.kind === "onset" && this.on("onset")) {
      const chirp = chirpFor(Math.max(0, lateS));
      if (chirp) this.play(chirp.notes, atMS + 1000 * chirp.afterS, chirp.name);
      return;
    }
    const id = m.kind === "limited" ? "cut_off" : m.kind;
    if (SOUNDS[m.kind] && this.on(id) && lateS < TOO_LATE_S) this.play(SOUNDS[m.kind], 0, m.kind);
  }

  /**
   * Counts the end of the hold down; called often.
   * @param {number} leftS seconds left of the hold, NaN where none runs
   */
  countdown(leftS) {
    const before = this.leftS;
    this.leftS = leftS;
    if (!this.on("countdown") || !(before > leftS)) return;
    const whole = passed(before, leftS);
    const word = whole < 0 ? "" : countdownWord(whole);
    if (word) this.speak(word);
  }
}

/** A browser without a voice has none to give. */
function canSpeak() {
  return "speechSynthesis" in globalThis && speechSynthesis.getVoices().length > 0;
}

/** @returns {string[]} */
function kept() {
  try {
    const value = JSON.parse(localStorage.getItem(KEPT) ?? "[]");
    return Array.isArray(value) ? value.filter((v) => typeof v === "string") : [];
  } catch {
    return []; // a browser that keeps nothing: all is off
  }
}

/** @param {string[]} value */
function keep(value) {
  try {
    localStorage.setItem(KEPT, JSON.stringify(value));
  } catch {
    // as above: on until the page is left
  }
}
