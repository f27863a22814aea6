// The dock: the controls of a test, their keys, and what there is to say about them.

import { ask } from "./api.js";
import { contactIsLive, countdownS, watchEmergency } from "./emergency.js";
import { element, isTextField, setText } from "./page.js";

/** @typedef {import("./model.js").BenchModel} BenchModel */

const LONGER_S = 10;
/** Time to take the hands away. */
const COUNTDOWN_S = 3;

/**
 * @typedef {object} Plan what to arm
 * @property {number | string} unit
 * @property {number} [hold_s] left out: as long as the program thinks right
 * @property {string} setting
 * @property {string} procedure
 * @property {string} rig
 */

export class Dock {
  /** @param {BenchModel} model */
  constructor(model) {
    this.model = model;
    this.lineUp = true;
    /** @type {() => Plan | null} what to arm next; the steps know */
    this.plan = () => null;
    /** @type {() => void} */
    this.noPlan = () => {};
    /** @type {() => {n: number, rest_s: number}} how often; the steps know */
    this.repeats = () => ({ n: 1, rest_s: 0 });
    /** @type {(rig: string, then: () => unknown) => unknown} whether the cautions were read */
    this.before = (_rig, then) => then();
    this.problem = "";
    this.button("b-arm", () => this.arm());
    this.button("b-short", () => this.mark("applied"));
    this.button("b-removed", () => this.mark("removed"));
    this.button("b-note", () => this.openNote());
    this.button("b-longer", () => this.run(() => ask("POST", "/api/extend", { hold_s: this.model.holdS + LONGER_S })));
    this.button("b-end", () => this.end());
    this.button("b-contact", () => this.contact());
    if (model.role === "operator") watchEmergency(() => this.model.state, (problem) => this.tell(problem));
    addEventListener("keydown", (event) => this.key(event));
    addEventListener("keyup", (event) => {
      // A focused button answers to the release of the space bar: here it answers to Enter.
      if (event.key === " " && this.ownsSpace() && !isTextField(event.target)) event.preventDefault();
    });
    element("note-form").addEventListener("submit", (event) => this.takeNote(event));
    element("end-yes").addEventListener("click", () => {
      this.dialog("end-dialog").close();
      this.endNow();
    });
    for (const id of ["note-dialog", "end-dialog", "keys-dialog"]) {
      this.dialog(id).querySelector("[data-close]")?.addEventListener("click", () => this.dialog(id).close());
    }
  }

  /**
   * @param {string} id
   * @returns {HTMLDialogElement}
   */
  dialog(id) {
    return /** @type {HTMLDialogElement} */ (element(id));
  }

  /**
   * @param {string} id
   * @param {() => void} act
   */
  button(id, act) {
    document.getElementById(id)?.addEventListener("click", act);
  }

  get operates() {
    return this.model.role === "operator" && this.lineUp;
  }

  /** Whether Space is this dock's key now, wherever the focus is: armed, or while a run is open. */
  ownsSpace() {
    return ["armed", "recording", "watching"].includes(this.model.mode);
  }

  /** What can be pressed now, by the id of its button. */
  able() {
    const { mode, state } = this.model;
    const open = mode === "recording" || mode === "watching";
    return {
      "b-arm": !state?.series && (mode === "armed" || ((mode === "idle" || mode === "after") && this.plan() !== null)),
      "b-short": mode === "armed" || (mode === "recording" && !this.model.hasOnset && !this.marked("applied")),
      "b-removed": open && !state?.removed,
      "b-note": open,
      "b-longer": mode === "recording",
      "b-end": open,
      // Opening is always possible; closing only while somebody would see what happens.
      "b-contact": contactIsLive(state) || ((mode === "armed" || open) && this.model.receives && (state?.contact_state?.state ?? "ready") === "ready"),
    };
  }

  /** @param {string} kind */
  marked(kind) {
    return this.model.marksInOrder().some((m) => m.kind === kind);
  }

  /** @param {boolean} lineUp */
  refresh(lineUp) {
    this.lineUp = lineUp;
    const { mode, state } = this.model;
    const able = this.able();
    const first = this.firstButton();
    for (const [id, can] of Object.entries(able)) {
      const button = document.getElementById(id);
      if (!(button instanceof HTMLButtonElement)) continue;
      button.disabled = !can || !this.operates;
      button.classList.toggle("is-first", id === first && !button.disabled);
    }
    this.label("b-arm", mode === "armed" ? "Disarm" : mode === "after" ? "Arm again" : "Arm");
    const short = this.model.procedure === "short";
    this.label("b-short", short ? "Short applied" : "Load on");
    this.label("b-removed", short ? "Removed" : "Load off");
    this.label("b-end", mode === "watching" ? "Close run" : "End run");
    const driven = state?.contact === "open" || state?.contact === "closed";
    const contact = document.getElementById("b-contact");
    if (contact) contact.hidden = !driven;
    const counting = countdownS(state);
    this.label("b-contact", counting !== null ? `Stop, closes in ${counting} s` : state?.contact === "closed" ? "Open the contact" : "Close the contact");
    const key = document.querySelector("#b-contact kbd");
    if (key instanceof HTMLElement) setText(key, contactIsLive(state) ? "Esc" : "C");
    this.say();
  }

  /** The button that is most likely wanted next. */
  firstButton() {
    const { mode, state } = this.model;
    const driven = state?.contact === "open" || state?.contact === "closed";
    if (mode === "idle" || mode === "after") return "b-arm";
    if (mode === "armed" && !this.model.receives) return state?.contact === "closed" ? "b-contact" : "";
    if (contactIsLive(state)) return "b-contact";
    if (mode === "armed") return driven ? "b-contact" : "b-short";
    // While nobody sees what flows, the one right thing is to take it off.
    if (!this.model.receives && !this.model.byHand) return "b-removed";
    return this.model.hasOnset || this.marked("applied") ? "b-removed" : "b-short";
  }

  /**
   * @param {string} id
   * @param {string} text
   */
  label(id, text) {
    const el = document.querySelector(`#${id} .label`);
    if (el instanceof HTMLElement) setText(el, text);
  }

  say() {
    const el = element("dock-say");
    el.classList.toggle("is-wrong", this.problem !== "");
    setText(el, this.problem || this.words());
  }

  words() {
    const { mode, state, role, nowS, zeroS, holdS } = this.model;
    if (!this.lineUp) return "The program does not answer. This page connects again by itself.";
    if (role !== "operator") return "You are watching. Only the operator can arm, mark or end.";
    switch (mode) {
      case "idle":
        return this.plan() ? "Ready to arm." : "Pick a unit first.";
      case "armed":
        if (countdownS(state) !== null) return "The contact is about to close: hands off. Esc stops it.";
        if (state?.contact_state?.say && !["ready", "none"].includes(state.contact_state.state)) return `The contact is ${state.contact_state.say}. ${state.contact_state.do}`.trim();
        return this.model.receives ? `${this.model.procedure === "short" ? "A short" : "The load"} opens the run by itself.` : this.model.byHand ? "Type what the display shows, then close the contact." : "Nothing is received: do not close the contact.";
      case "recording": {
        const held = Math.max(0, Math.floor(nowS - zeroS));
        if (!this.model.receives && !this.model.byHand) return "Nothing is received: take it off, or look at the instrument.";
        return this.model.hasOnset ? `${Math.min(held, Math.round(holdS))} of ${Math.round(holdS)} s held.` : "Recording. No current has been seen yet.";
      }
      case "watching": {
        const left = Math.max(0, Math.ceil((state?.watch_ends_at_s ?? nowS) - nowS));
        return state?.removed ? `Watching whether it recovers, ${left} s more.` : `The hold is over: take the ${this.model.procedure === "short" ? "short" : "load"} off. Watching ${left} s more.`;
      }
      default:
        return `Run ${this.model.run} is kept.`;
    }
  }

  /**
   * Does something that the program may refuse; what it said then stands in the dock for a while.
   * @param {() => Promise<unknown>} act
   */
  async run(act) {
    if (!this.operates) return;
    this.problem = "";
    try {
      await act();
    } catch (error) {
      this.tell(error instanceof Error ? error.message : String(error));
    }
    this.say();
  }

  /**
   * Says something that went wrong, for a while.
   * @param {string} problem
   */
  tell(problem) {
    this.problem = problem;
    clearTimeout(this.forget);
    this.forget = setTimeout(() => {
      this.problem = "";
      this.say();
    }, 8000);
    this.say();
  }

  arm() {
    if (this.model.mode === "armed") return this.run(() => ask("POST", "/api/disarm", {}));
    const plan = this.plan();
    if (!plan) return this.noPlan();
    // What is no number would go out as "not stated", and the program would take its own hold for it.
    if ("hold_s" in plan && !((plan.hold_s ?? 0) > 0)) return this.tell("The hold is a number of seconds above 0, such as 30.");
    const { n, rest_s } = this.repeats();
    if (!(n >= 1) || n !== Math.floor(n)) return this.tell("Repeats is a whole number, such as 5; 1 is a single test.");
    if (n > 1 && !(rest_s >= 0)) return this.tell("The unit's rest is a number of seconds, such as 60.");
    return this.before(plan.rig, () =>
      this.run(async () => {
        const answer = n > 1 ? await ask("POST", "/api/series", { ...plan, n, rest_s }) : await ask("POST", "/api/arm", plan);
        if (answer?.warnings?.length) this.tell(answer.warnings.join(" "));
      }),
    );
  }

  /** @param {"applied" | "removed"} kind */
  mark(kind) {
    return this.run(() => ask("POST", "/api/mark", { kind }));
  }

  contact() {
    const live = contactIsLive(this.model.state);
    return this.run(() => ask("POST", "/api/contact", live ? { do: "open" } : { do: "close", after_s: COUNTDOWN_S }));
  }

  end() {
    const flows = ["fault", "limiting", "retry"].includes(this.model.state?.phase ?? "") && this.model.mode === "recording";
    if (flows) return this.dialog("end-dialog").showModal();
    return this.endNow();
  }

  endNow() {
    return this.run(() => ask("POST", "/api/end", {}));
  }

  openNote() {
    // In the next frame: else the key that opened it is typed into its field.
    requestAnimationFrame(() => this.dialog("note-dialog").showModal());
  }

  /** @param {SubmitEvent} event */
  async takeNote(event) {
    event.preventDefault();
    const field = /** @type {HTMLInputElement} */ (element("note-text"));
    const text = field.value.trim();
    if (!text) return;
    await this.run(() => ask("POST", "/api/mark", { kind: "note", text }));
    if (this.problem) return; // what was typed is kept
    field.value = "";
    field.blur(); // a browser may leave the keyboard in the closed dialog for a moment, and lose a key
    this.dialog("note-dialog").close();
  }

  /** @param {KeyboardEvent} event */
  key(event) {
    if (event.defaultPrevented || event.ctrlKey || event.metaKey || event.altKey || isTextField(event.target)) return;
    this.command(event);
  }

  /**
   * Does what a key stands for, wherever it was pressed.
   * @param {KeyboardEvent} event
   */
  command(event) {
    if (event.key === " ") {
      if (!this.ownsSpace()) return;
      event.preventDefault();
      if (!event.repeat) this.press("b-short");
      return;
    }
    if (document.querySelector("dialog[open]") || event.repeat) return;
    const id = { q: "b-series", a: "b-arm", x: "b-removed", n: "b-note", h: "b-longer", e: "b-end", c: "b-contact" }[event.key.toLowerCase()];
    if (id) {
      event.preventDefault();
      this.press(id);
    }
  }

  /**
   * A key does what its button does, and nothing where the button could not be pressed.
   * @param {string} id
   */
  press(id) {
    const button = document.getElementById(id);
    if (button instanceof HTMLButtonElement && !button.disabled && !button.hidden) button.click();
  }
}
