// Readings typed while one watches a display: a number and Enter. Both hands are busy at a bench, so one
// field takes the numbers and leaves every other key to the controls of the test.

import { ask } from "./api.js";
import { element, make, setText } from "./page.js";

/** @typedef {import("./model.js").BenchModel} BenchModel */
/** @typedef {import("./dock.js").Dock} Dock */

const PARTS_OF_READINGS = /^[0-9.,+\-oOlL]$/;

export class Hand {
  /**
   * @param {BenchModel} model
   * @param {Dock} dock
   */
  constructor(model, dock) {
    this.model = model;
    this.dock = dock;
    this.said = "";
    /** @type {number | null} when the entry in the field was begun, ms on the page's clock */
    this.from = null;
    /** @type {Promise<unknown>} entries go out one after the other, in the order they were typed */
    this.last = Promise.resolve();
    const panel = document.getElementById("hand");
    if (!panel) return; // a viewer types nothing
    this.panel = panel;
    this.field = /** @type {HTMLInputElement} */ (element("hand-text"));
    this.field.addEventListener("keydown", (event) => this.key(event));
    this.field.addEventListener("input", (event) => this.typed(event));
    element("hand-form").addEventListener("submit", (event) => {
      event.preventDefault();
      this.enter(event.timeStamp);
      this.field?.focus();
    });
    element("hand-over").addEventListener("click", (event) => {
      if (this.field) this.field.value = "OL";
      this.enter(event.timeStamp);
      this.field?.focus();
    });
    element("hand-back").addEventListener("click", () => this.takeBack());
    // Wherever the focus is, a digit is the beginning of a reading.
    addEventListener("keydown", (event) => {
      if (event.defaultPrevented || event.ctrlKey || event.metaKey || event.altKey || !this.open || document.querySelector("dialog[open]")) return;
      if (document.activeElement === this.field || document.activeElement instanceof HTMLInputElement || document.activeElement instanceof HTMLSelectElement) return;
      if (/^[0-9.,]$/.test(event.key)) this.field?.focus();
    });
    if (!panel.hidden) this.field.focus();
  }

  /** The instrument that readings are typed for. */
  get instrument() {
    return this.model.state?.instruments?.find((i) => i.format === "hand");
  }

  get open() {
    return this.panel !== undefined && !this.panel.hidden;
  }

  refresh() {
    const { panel, field, instrument } = this;
    if (!panel || !field) return;
    if (panel.hidden !== !instrument) {
      panel.hidden = !instrument;
      if (instrument && document.activeElement === document.body) field.focus();
    }
    if (!instrument) return;
    setText(element("hand-label"), `What the display of ${instrument.name} shows`);
    setText(element("hand-unit"), unitOf(instrument));
    const typed = instrument.typed ?? [];
    const back = /** @type {HTMLButtonElement} */ (element("hand-back"));
    back.disabled = !typed.length || typed[typed.length - 1].kept;
    const said = JSON.stringify([typed, this.model.zeroS]);
    if (said === this.said) return;
    this.said = said;
    element("hand-typed").replaceChildren(...typed.map((/** @type {any} */ t) => this.row(t, instrument)).reverse());
  }

  /**
   * @param {any} t
   * @param {any} instrument
   */
  row(t, instrument) {
    const what = t.value === null ? "over range" : `${String(t.value).replace("-", "\u2212")} ${instrument.latest?.[0]?.quantity === "voltage" ? "V" : "A"}`;
    const row = make("li", t.kept ? "" : "is-held", make("b", "", what));
    const s = t.at_s - this.model.zeroS;
    if (Number.isFinite(s)) row.append(" ", make("span", "", `at ${s.toFixed(1).replace("-", "\u2212")} s`));
    if (!t.kept) row.append(" ", make("em", "", "can be taken back"));
    return row;
  }

  /** @param {KeyboardEvent} event */
  key(event) {
    const { key } = event;
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    if (key === "/") {
      event.preventDefault();
      if (!event.repeat) this.takeBack();
      return;
    }
    if (key === "*") {
      event.preventDefault();
      this.begin(event.timeStamp);
      if (this.field) this.field.value = "OL";
      return;
    }
    if (key === "Enter" && event.repeat) event.preventDefault(); // held down it is one reading
    if (key.length !== 1) return; // Tab, Backspace, arrows
    if (PARTS_OF_READINGS.test(key)) return this.begin(event.timeStamp);
    event.preventDefault();
    this.dock.command(event);
  }

  /**
   * A touch keyboard tells no keys, only what became of the field; what is no part of a reading is left out of it.
   * @param {Event} event
   */
  typed(event) {
    const { field } = this;
    if (!field) return;
    const kept = field.value.replace(/[^0-9.,+\-oOlL]/g, "");
    if (kept !== field.value) field.value = kept;
    if (kept === "") this.from = null;
    else this.begin(event.timeStamp);
  }

  /** @param {number} at */
  begin(at) {
    if (this.from === null || this.field?.value === "") this.from = at;
  }

  /** @param {number} at when Enter was pressed */
  enter(at) {
    const { field, instrument } = this;
    if (!field || !instrument || !this.dock.operates) return;
    const text = field.value;
    const from = text === "" ? at : (this.from ?? at);
    field.value = "";
    this.from = null;
    this.last = this.last.then(async () => {
      try {
        await ask("POST", "/api/readings", { instrument: instrument.name, text, ago_s: Math.max(0, performance.now() - from) / 1000 });
        this.say("");
      } catch (error) {
        this.say(error instanceof Error ? error.message : String(error));
      }
    });
  }

  /** Takes back what stands in the field, or else the last reading. */
  takeBack() {
    const { field, instrument } = this;
    if (!field || !instrument) return;
    field.focus();
    if (field.value !== "") {
      field.value = "";
      this.from = null;
      return;
    }
    this.last = this.last.then(async () => {
      try {
        const t = await ask("DELETE", `/api/readings?instrument=${encodeURIComponent(instrument.name)}`);
        this.say(`Taken back: ${t.value === null ? "over range" : t.value}.`, false);
      } catch (error) {
        this.say(error instanceof Error ? error.message : String(error));
      }
    });
  }

  /**
   * @param {string} text
   * @param {boolean} [wrong]
   */
  say(text, wrong = text !== "") {
    const el = element("hand-says");
    el.classList.toggle("is-wrong", wrong);
    setText(el, text);
  }
}

/** @param {any} instrument */
function unitOf(instrument) {
  const unit = /[?&]unit=(m?[AV])(&|$)/.exec(instrument.spec ?? "")?.[1];
  return unit ?? (/[?&]channel=voltage(&|$)/.test(instrument.spec ?? "") ? "V" : "A");
}
