// What a page knows of the bench, from the messages of the live socket. Pure: it draws nothing.

import { ColumnStore, decodeChunk } from "./columns.js";
import { inOrder } from "./phases.js";

/** @typedef {import("./phases.js").Mark} Mark */
/** @typedef {"idle" | "armed" | "recording" | "watching" | "after"} Mode */
/** @typedef {{key: string, say: string, lead: string, value: string, pm: string, unit: string, more: string, minor?: boolean}} Line */

/**
 * The fields of GET /api/state that pages use; see the help page on the interface.
 * @typedef {object} State
 * @property {string} bench
 * @property {number | null} run
 * @property {string} phase
 * @property {any[]} instruments
 * @property {number} now_at_s
 * @property {number | null} zero_at_s
 * @property {number | null} opened_at_s
 * @property {number | null} hold_s
 * @property {number | null} hold_ends_at_s
 * @property {boolean} watching
 * @property {number | null} watch_ends_at_s
 * @property {boolean} removed
 * @property {any} unit
 * @property {string} procedure
 * @property {string} setting
 * @property {string} rig
 * @property {string} contact open, closed, refused, or none
 * @property {any} contact_state
 * @property {any} guard
 * @property {any} series
 * @property {string} storing
 */

/** Kept of the trace while no run is open, in seconds. */
const KEEP_IDLE_S = 12;

export class BenchModel {
  constructor() {
    /** @type {State | null} */
    this.state = null;
    this.role = "viewer";
    /** @type {{instrument: string, quantity: string, unit: string}[]} */
    this.channels = [];
    /** @type {ColumnStore[]} */
    this.stores = [];
    /** @type {ColumnStore[]} the trace of the run that ended, while it is shown */
    this.kept = [];
    this.keptChannels = this.channels;
    /** @type {Map<number, {mark: Mark, atS: number}>} */
    this.marks = new Map();
    /** @type {Line[]} */
    this.lines = [];
    this.behaviour = "";
    this.asked = false; // whose the last fall was
    this.runProcedure = ""; // of the run shown
    /** @type {number | null} the run that marks, figures and trace belong to */
    this.run = null;
    this.runState = "";
    /** @type {any} the unit of that run */
    this.runUnit = null;
    this.zeroS = NaN; // of that run, on the bench's time base
    this.hasOnset = false;
    this.holdS = 30;
    this.skippedS = 0;
    /** @type {{hold_s: number, setting: string, procedure: string, rig: string} | null} how the bench was armed the last time, as far as this page saw */
    this.armedAs = null;
  }

  /**
   * Whether the current is being received now. While it is not, "now" is the past, and nobody should
   * close the contact: another instrument that still sends does not see the short.
   */
  get receives() {
    if (this.state?.bench === "replaying") return true;
    const named = this.channels.find((c) => c.quantity === "current")?.instrument;
    const all = this.state?.instruments ?? [];
    return all.some((/** @type {{name: string, state: string}} */ i) => (named === undefined || i.name === named) && (i.state === "receiving" || i.state === "over_range"));
  }

  /** The procedure of the run shown, else of what is armed. */
  get procedure() {
    return this.runProcedure || this.state?.procedure || "short";
  }

  /** The time up to which something is known: what nobody received has no phase. */
  get seenS() {
    const newest = this.current?.newestS ?? NaN;
    if (this.receives || this.byHand || Number.isNaN(newest)) return this.nowS;
    return Math.min(this.nowS, Math.max(newest, this.zeroS));
  }

  /** Whether the current is what a person types. */
  get byHand() {
    const named = this.channels.find((c) => c.quantity === "current")?.instrument;
    return (this.state?.instruments ?? []).some((i) => (named === undefined || i.name === named) && i.format === "hand");
  }

  /** @returns {Mode} */
  get mode() {
    const bench = this.state?.bench;
    // The message that a run opened comes before the next state.
    if (bench === "recording" || (this.run !== null && this.runState === "open")) return this.state?.watching ? "watching" : "recording";
    if (bench === "armed") return "armed";
    return this.run !== null && this.runState !== "open" && this.runState !== "" ? "after" : "idle";
  }

  /** The channels of what is shown: a run that ended keeps its own, whatever is plugged in since. */
  get shownChannels() {
    return this.mode === "after" ? this.keptChannels : this.channels;
  }

  /** The channel drawn as the trace: the first that measures current. */
  get current() {
    const i = this.shownChannels.findIndex((c) => c.quantity === "current");
    return i < 0 ? null : (this.mode === "after" ? this.kept[i] : this.stores[i]) ?? null;
  }

  /**
   * The channels besides the trace: a voltage, or the current of a second unit.
   * @returns {{channel: {instrument: string, quantity: string, unit: string}, store: ColumnStore, index: number}[]}
   */
  get others() {
    const main = this.shownChannels.findIndex((c) => c.quantity === "current");
    const stores = this.mode === "after" ? this.kept : this.stores;
    return this.shownChannels.flatMap((channel, index) => (index !== main && stores[index]?.length ? [{ channel, store: stores[index], index }] : []));
  }

  /** The bench's time now, as far as this page was told. */
  get nowS() {
    const newest = this.current?.newestS ?? NaN;
    const said = this.state?.now_at_s ?? NaN;
    if (this.mode === "after") return newest;
    return Number.isNaN(newest) ? said : Number.isNaN(said) ? newest : Math.max(newest, said);
  }

  /** Marks in order of time, in seconds from the run's zero. */
  marksInOrder() {
    const out = [];
    for (const { mark, atS } of this.marks.values()) out.push({ ...mark, t: atS - this.zeroS });
    return inOrder(out);
  }

  /**
   * Takes a text message and says what changed.
   * @param {any} m
 * @returns {"state" | "guard" | "mark" | "figures" | "run" | "skipped" | ""}
   */
  take(m) {
    switch (m.type) {
      case "hello":
        // What was open and is no more ended while nobody told: the program was killed, or the line was down.
        if (this.runState === "open" && m.run !== this.run) this.takeRun({ run: this.run, state: "interrupted" });
        this.role = m.role ?? "viewer";
        this.channels = m.channels ?? [];
        this.stores = this.channels.map((_, i) => this.stores[i] ?? new ColumnStore());
        this.takeState(m);
        return "state";
      case "state":
        this.takeState(m);
        return "state";
      case "guard": {
        // Sooner than the next state, and nothing else of it changes.
        const { type: _type, run: _run, at_s: _at, ...guard } = m;
        if (this.state) this.state.guard = guard;
        return "guard";
      }
      case "mark":
        this.takeMark(m);
        return "mark";
      case "figures":
        if (m.run !== this.run) return "";
        this.lines = m.lines ?? [];
        this.behaviour = m.say ?? "";
        this.asked = (m.warnings ?? []).some((/** @type {{code: string}} */ w) => w.code === "final_fall");
        return "figures";
      case "run":
        this.takeRun(m);
        return "run";
      case "rewound": // a replay went back: what was found lies ahead again
        this.forgetRun();
        return "run";
      case "skipped":
        this.skippedS += m.seconds ?? 0;
        return "skipped";
      default:
        return "";
    }
  }

  /** @param {State} s */
  takeState(s) {
    this.state = s;
    if (s.bench === "armed") {
      this.forgetRun();
      this.armedAs = { hold_s: s.hold_s ?? 30, setting: s.setting ?? "", procedure: s.procedure || "short", rig: s.rig ?? "" };
    }
    if (s.bench === "recording" || s.bench === "replaying") {
      if (s.run !== null && s.run !== this.run) this.beginRun(s.run);
      this.hasOnset = s.zero_at_s !== null && s.zero_at_s !== undefined;
      const zero = s.zero_at_s ?? s.opened_at_s;
      if (typeof zero === "number") this.zeroS = zero;
      if (s.unit) this.runUnit = s.unit;
    }
    if (s.bench !== "idle" && typeof s.hold_s === "number") this.holdS = s.hold_s;
  }

  /** @param {any} m */
  takeMark(m) {
    if (m.run !== this.run) this.beginRun(m.run);
    if (m.kind === "onset" && !m.withdrawn) {
      this.zeroS = m.at_s;
      this.hasOnset = true;
    }
    const { at_s: atS, t_s: t, ...rest } = m;
    this.marks.set(m.id, { mark: { ...rest, t }, atS });
  }

  /** @param {any} m */
  takeRun(m) {
    if (m.run !== this.run) {
      if (m.state !== "open") return; // of an older run: nothing this page shows
      this.beginRun(m.run);
    }
    if (m.state !== "open" && this.runState === "open") this.keepTrace();
    this.runState = m.state;
    if (m.unit) this.runUnit = m.unit;
    if (m.procedure) this.runProcedure = m.procedure;
    if (typeof m.zero_at_s === "number") this.zeroS = m.zero_at_s;
  }

  /** @param {number} run */
  beginRun(run) {
    this.forgetRun();
    this.run = run;
    this.runState = "open";
  }

  /** The run is over: its trace stays as it is, and listening goes on in stores of its own. */
  keepTrace() {
    this.kept = this.stores;
    this.keptChannels = this.channels;
    this.stores = this.stores.map((s) => s.tail(KEEP_IDLE_S));
  }

  forgetRun() {
    this.kept = [];
    this.marks.clear();
    this.lines = [];
    this.behaviour = "";
    this.asked = false;
    this.run = null;
    this.runState = "";
    this.runUnit = null;
    this.runProcedure = "";
    this.zeroS = NaN;
    this.hasOnset = false;
  }

  /**
   * Takes the run shown as it is stored; its times are seconds from its onset.
   * @param {any} run
   */
  takeStored(run) {
    this.marks.clear();
    run.marks.forEach((/** @type {any} */ m, /** @type {number} */ i) => {
      this.marks.set(m.id ?? -1 - i, { mark: { ...m, t: m.t_s, say: m.say ?? sayKind(m.kind) }, atS: this.zeroS + m.t_s });
    });
    this.runState = run.state;
    this.behaviour = run.say ?? this.behaviour;
    this.lines = run.lines ?? this.lines;
    this.asked = (run.warnings ?? []).some((/** @type {{code: string}} */ w) => w.code === "final_fall");
  }

  /** @param {ArrayBuffer} buffer */
  takeBinary(buffer) {
    const chunk = decodeChunk(buffer);
    if (!chunk) return;
    const store = (this.stores[chunk.channel] ??= new ColumnStore());
    store.take(chunk);
    if (this.mode !== "recording" && this.mode !== "watching") store.forget(store.newestS - KEEP_IDLE_S);
  }
}

/**
 * A kind of mark where the program sent no words for it.
 * @param {string} kind
 */
function sayKind(kind) {
  const words = kind.replaceAll("_", " ");
  return words.charAt(0).toUpperCase() + words.slice(1);
}
