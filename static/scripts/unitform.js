// The rating plate as a form: it says what is wrong where one types, and keeps what was typed.

import { element, shape } from "./page.js";

/** @typedef {{name: string, rated_voltage_v?: number, rated_current_a?: number, waveform: string, note?: string, load?: string}} UnitValues */

// Beyond these a plate was misread: the units meant here drive small models.
const MOST_V = 60;
const MOST_A = 100;
const FAR_A = 20;

/**
 * A number as people write it, or NaN. Empty is no number.
 * @param {string} text
 */
export function readNumber(text) {
  const t = text.trim().replace(",", ".");
  return /^\d*\.?\d+$|^\d+\.$/.test(t) ? Number(t) : NaN;
}

/**
 * What is wrong with the fields, by field name.
 * @param {{name: string, volts: string, amps: string}} f
 * @returns {Record<string, string>}
 */
export function plateProblems(f) {
  /** @type {Record<string, string>} */
  const wrong = {};
  if (!f.name.trim()) wrong.name = "A unit needs a name.";
  const volts = readNumber(f.volts);
  if (f.volts.trim() && !(volts > 0 && volts <= MOST_V)) wrong.volts = `Volts are a number above 0 and at most ${MOST_V}, such as 12.`;
  const amps = readNumber(f.amps);
  if (f.amps.trim() && !(amps > 0 && amps <= MOST_A)) wrong.amps = `Amps are a number above 0 and at most ${MOST_A}. If the plate says 300 mA, write 0.3.`;
  else if (amps > FAR_A) wrong.amps = `${amps} A is far more than such a unit gives. If the plate says ${amps} mA, write ${amps / 1000}.`;
  return wrong;
}

export class UnitForm {
  /**
   * @param {HTMLFormElement} form
   * @param {(values: UnitValues) => Promise<void>} save
   */
  constructor(form, save) {
    this.form = form;
    this.save = save;
    this.busy = false; // a second press while the first is under way is none
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      this.submit();
    });
    form.addEventListener("focusout", (event) => {
      // Said when a field is left, not while it is being typed into.
      if (event.target instanceof HTMLInputElement && event.target.value) this.check(event.target.name);
    });
  }

  /** @param {string} name */
  value(name) {
    const field = this.form.elements.namedItem(name);
    return field && "value" in field ? String(field.value) : "";
  }

  /** @param {string} [only] */
  check(only) {
    const wrong = plateProblems({ name: this.value("name"), volts: this.value("volts"), amps: this.value("amps") });
    for (const name of ["name", "volts", "amps"]) {
      if (!only || only === name) this.mark(name, wrong[name]);
    }
    return Object.keys(wrong);
  }

  /**
   * @param {string} name
   * @param {string | undefined} problem
   */
  mark(name, problem) {
    const field = this.form.elements.namedItem(name);
    if (!(field instanceof HTMLInputElement)) return;
    field.closest(".field")?.classList.toggle("is-wrong", problem !== undefined);
    const says = document.getElementById(`${field.id}-wrong`);
    if (problem === undefined) {
      field.removeAttribute("aria-invalid");
      says?.replaceChildren();
    } else {
      field.setAttribute("aria-invalid", "true");
      says?.replaceChildren(shape("fail"), problem);
    }
  }

  async submit() {
    if (this.busy) return;
    const wrong = this.check();
    if (wrong.length) {
      const first = this.form.elements.namedItem(wrong[0]);
      if (first instanceof HTMLElement) first.focus();
      return;
    }
    const says = element(`${this.form.id}-says`);
    says.replaceChildren();
    this.busy = true;
    try {
      await this.save(this.values());
    } catch (error) {
      says.replaceChildren(shape("fail"), error instanceof Error ? error.message : String(error));
    }
    this.busy = false;
  }

  /** @returns {UnitValues} */
  values() {
    /** @type {UnitValues} */
    const values = { name: this.value("name").trim(), waveform: this.value("waveform"), note: this.value("note") };
    if (this.form.elements.namedItem("load")) values.load = this.value("load");
    if (this.value("volts").trim()) values.rated_voltage_v = readNumber(this.value("volts"));
    if (this.value("amps").trim()) values.rated_current_a = readNumber(this.value("amps"));
    return values;
  }
}
