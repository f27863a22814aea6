// A form that says what is wrong where one types and keeps what was typed: numbers with their limits stand in the
// markup (data-least, data-most, data-say), so that any page can have one.

import { shape } from "./page.js";
import { readNumber } from "./unitform.js";

/**
 * What is wrong with one field, or nothing.
 * @param {{value: string, required: boolean, numeric: boolean, least: number, most: number, say: string}} f
 */
export function fieldProblem(f) {
  const text = f.value.trim();
  if (!text) return f.required ? `${f.say} is needed.` : "";
  if (!f.numeric) return "";
  const n = readNumber(text);
  if (Number.isNaN(n)) return `${f.say} is a number, such as ${f.most >= 10 ? "2.5" : "0.3"}.`;
  if (n < f.least || n > f.most) return `${f.say} is ${f.least} to ${f.most}.`;
  return "";
}

export class Sheet {
  /**
   * @param {HTMLFormElement} form
   * @param {(values: Record<string, any>) => Promise<void>} save
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
      if (event.target instanceof HTMLInputElement && event.target.value) this.check(event.target);
    });
    form.addEventListener("input", (event) => {
      if (event.target instanceof HTMLInputElement && event.target.getAttribute("aria-invalid")) this.check(event.target);
    });
  }

  /** @param {HTMLInputElement} field */
  check(field) {
    const { least, most, say } = field.dataset;
    const problem = fieldProblem({ value: field.value, required: field.required, numeric: least !== undefined, least: Number(least), most: Number(most), say: say ?? "This" });
    field.closest(".field")?.classList.toggle("is-wrong", problem !== "");
    const says = document.getElementById(`${field.id}-wrong`);
    if (problem) {
      field.setAttribute("aria-invalid", "true");
      says?.replaceChildren(shape("fail"), problem);
    } else {
      field.removeAttribute("aria-invalid");
      says?.replaceChildren();
    }
    return problem === "";
  }

  async submit() {
    if (this.busy) return;
    const fields = [...this.form.querySelectorAll("input")];
    const wrong = fields.filter((f) => !this.check(f));
    if (wrong.length) {
      wrong[0].focus();
      return;
    }
    /** @type {Record<string, any>} */
    const values = {};
    for (const el of this.form.elements) {
      if (el instanceof HTMLInputElement && el.name) values[el.name] = el.dataset.least === undefined ? el.value.trim() : el.value.trim() ? readNumber(el.value) : 0;
      else if ((el instanceof HTMLSelectElement || el instanceof HTMLTextAreaElement) && el.name) values[el.name] = el.value;
    }
    const says = document.getElementById(`${this.form.id}-says`);
    says?.replaceChildren();
    this.busy = true;
    try {
      await this.save(values);
    } catch (error) {
      says?.replaceChildren(shape("fail"), error instanceof Error ? error.message : String(error));
    }
    this.busy = false;
  }
}
