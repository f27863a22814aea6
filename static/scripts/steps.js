// The Bench while nothing is armed: the steps that lead to a test.

import { ask } from "./api.js";
import { rigAddress, takeFromRig } from "./fromrig.js";
import { element, plateText, setText } from "./page.js";
import { readNumber, UnitForm } from "./unitform.js";

/** @typedef {import("./model.js").BenchModel} BenchModel */
/** @typedef {import("./dock.js").Dock} Dock */

const NEW = "new";

/** @type {Record<string, string>} seconds that each procedure usually takes at most; common practice, no source */
const HOLDS = { short: "30", ramp: "120", steps: "180", overload: "60", carry: "60" };

/** @type {Record<string, string>} what there is to do */
const HINTS = {
  short: "",
  ramp: "Raise the load slowly and evenly until the unit trips, or the time is over.",
  steps: "Switch in one load after the other, 10 s each, until the unit trips.",
  overload: "Put one fixed load on, a stated multiple of the rating, and wait.",
  carry: "Put the rated load on: the unit should carry it all the time.",
};

export class Steps {
  /**
   * @param {BenchModel} model
   * @param {Dock} dock
   */
  constructor(model, dock) {
    this.model = model;
    this.dock = dock;
    this.select = /** @type {HTMLSelectElement} */ (element("unit-choice"));
    this.hold = /** @type {HTMLInputElement} */ (element("hold"));
    this.procedure = /** @type {HTMLSelectElement} */ (element("procedure"));
    this.procedure.addEventListener("change", () => {
      this.hold.value = HOLDS[this.procedure.value] ?? this.hold.value;
      setText(element("procedure-hint"), HINTS[this.procedure.value] ?? "");
    });
    this.setting = /** @type {HTMLInputElement} */ (element("setting"));
    this.rig = /** @type {HTMLSelectElement} */ (element("rig-choice"));
    this.holdSaid = false; // a hold that somebody wrote counts; else a unit never tested gets a short first one
    this.hold.addEventListener("input", () => {
      this.holdSaid = true;
    });
    this.form = new UnitForm(/** @type {HTMLFormElement} */ (element("plate")), (values) => this.addUnit(values));
    dock.plan = () => this.plan();
    dock.repeats = () => this.repeats();
    dock.noPlan = () => {
      this.select.value = NEW;
      this.refresh();
      element("first").querySelector("input")?.focus();
    };
    this.select.addEventListener("change", () => this.refresh());
    element("arm-form").addEventListener("submit", (event) => {
      event.preventDefault();
      dock.arm();
    });
    for (const select of [this.rig, this.select, this.procedure]) select.addEventListener("change", () => this.wayToRig());
    takeFromRig({ unit: this.select, rig: this.rig, procedure: this.procedure, hold: this.hold });
    this.wayToRig();
  }

  /** Where one looks at what the chosen rig stands. */
  wayToRig() {
    const link = document.getElementById("to-rig");
    if (link instanceof HTMLAnchorElement) link.href = rigAddress({ unit: this.select.value, rig: this.rig.value, procedure: this.procedure.value });
  }

  /** @returns {import("./dock.js").Plan | null} */
  plan() {
    const { mode, runUnit, armedAs } = this.model;
    const form = { hold_s: readNumber(this.hold.value), setting: this.setting.value.trim(), procedure: this.procedure.value, rig: this.rig.value };
    if (mode === "after" && runUnit?.id) return { unit: runUnit.id, ...(armedAs ?? form) };
    if (form.rig && !this.holdSaid) delete (/** @type {{hold_s?: number}} */ (form).hold_s);
    const unit = Number(this.select.value);
    return unit ? { unit, ...form } : null;
  }

  /** How often the test is to be done, and how long the unit rests in between. */
  repeats() {
    const number = (/** @type {string} */ id) => readNumber(/** @type {HTMLInputElement | null} */ (document.getElementById(id))?.value ?? "");
    return this.model.mode === "after" ? { n: 1, rest_s: 0 } : { n: Number.isNaN(number("repeats")) ? 1 : number("repeats"), rest_s: number("rest") };
  }

  /** @param {any} values */
  async addUnit(values) {
    const unit = await ask("POST", "/api/units", values);
    const option = new Option(`${unit.name}, ${plateText(unit)}`, String(unit.id));
    this.select.add(option, this.select.options.length - 1);
    this.select.value = String(unit.id);
    this.refresh();
  }

  refresh() {
    if (this.model.mode !== "idle") return;
    const isNew = this.select.value === NEW;
    element("plate").hidden = !isNew;
    element("choice").hidden = this.select.options.length < 2;
    const receives = this.model.state?.instruments?.some((i) => i.state === "receiving" || i.state === "over_range" || i.format === "hand") ?? false;
    const connected = (this.model.state?.instruments?.length ?? 0) > 0;
    element("listening-view").hidden = !receives;
    element("sketch-view").hidden = receives;
    element("connect-how").hidden = receives;
    element("connect-is").hidden = !receives;
    if (receives) setText(element("connect-is"), this.receivesText());
    this.step("step-unit", isNew ? "now" : "done", !isNew);
    this.step("step-connect", receives ? "done" : connected ? "waiting for its first reading" : isNew ? "next" : "now", receives);
    this.step("step-arm", isNew || !receives ? `waits for ${[isNew ? "1" : "", receives ? "" : "2"].filter(Boolean).join(" and ")}` : "now", false);
    this.now(isNew ? "step-unit" : receives ? "step-arm" : "step-connect");
  }

  receivesText() {
    const hand = this.model.state?.instruments?.find((x) => x.format === "hand");
    if (hand) return `What ${hand.name} shows is typed in the field above: a number and Enter.`;
    const i = this.model.state?.instruments?.find((x) => x.state === "receiving" || x.state === "over_range");
    const rate = i.rate_hz >= 100 ? Math.round(i.rate_hz) : i.rate_hz.toFixed(1);
    return `${i.name} sends ${rate} readings a second.`;
  }

  /**
   * @param {string} id
   * @param {string} state
   * @param {boolean} done
   */
  step(id, state, done) {
    const el = element(id);
    el.classList.toggle("is-done", done);
    const word = el.querySelector(".step-state");
    if (word instanceof HTMLElement) setText(word, state);
  }

  /** @param {string} id */
  now(id) {
    for (const el of document.querySelectorAll(".step")) {
      el.classList.toggle("is-now", el.id === id);
      if (el.id === id) el.setAttribute("aria-current", "step");
      else el.removeAttribute("aria-current");
    }
  }
}
