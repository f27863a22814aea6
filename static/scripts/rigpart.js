// A part as a form in a dialog: it asks what its kind needs, says what is wrong where one types, and keeps what was typed.

import { ask } from "./api.js";
import { element, make, shape } from "./page.js";
import { areaOfGauge, numberProblem } from "./rigsize.js";
import { readNumber } from "./unitform.js";

/** @typedef {{key: string, say: string, unit: string, hint: string, of: {Value: string, Say: string}[] | null}} Field */
/** @typedef {{kind: string, about: string, fields: Field[]}} Form */

const CHECK_AFTER_MS = 350;

export class PartDialog {
  /**
   * @param {Form[]} forms
   * @param {() => void} closed after a part was kept
   */
  constructor(forms, closed) {
    this.forms = forms;
    this.closed = closed;
    this.dialog = /** @type {HTMLDialogElement} */ (element("part-dialog"));
    this.kind = /** @type {HTMLSelectElement} */ (element("part-kind"));
    this.kind.replaceChildren(...forms.map((f) => new Option(f.kind, f.kind)));
    /** @type {any} the part as it was, with everything that the form does not ask */
    this.was = {};
    /** @type {Record<string, string>} by key, kept while the kind changes */
    this.typed = {};
    this.gauge = false;
    this.onShelf = true;
    /** @type {(part: any) => Promise<void>} */
    this.save = async () => {};
    this.timer = 0;
    this.turn = 0;
    this.kind.addEventListener("change", () => {
      this.fields();
      this.check();
    });
    const form = element("part-form");
    form.addEventListener("input", (event) => {
      if (event.target instanceof HTMLElement && event.target.dataset.key) this.keep();
      clearTimeout(this.timer);
      this.timer = Number(setTimeout(() => this.check(), CHECK_AFTER_MS));
    });
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      this.submit();
    });
  }

  /**
   * @param {{title: string, part: any, onShelf: boolean, save: (part: any) => Promise<void>}} what
   */
  open({ title, part, onShelf, save }) {
    this.was = part;
    this.onShelf = onShelf;
    this.save = save;
    this.gauge = false;
    this.typed = {};
    for (const form of this.forms) {
      for (const { key } of form.fields) if (part[key]) this.typed[key] = String(part[key]);
    }
    element("part-title").textContent = title;
    this.kind.value = part.kind || "fuse";
    this.input("part-name").value = part.name ?? "";
    this.input("part-count").value = part.count ? String(part.count) : "";
    this.input("part-price").value = part.price ? String(part.price) : "";
    this.input("part-note").value = part.note ?? "";
    for (const field of this.dialog.querySelectorAll(".on-shelf")) if (field instanceof HTMLElement) field.hidden = !onShelf;
    for (const id of ["part-name-wrong", "part-count-wrong", "part-price-wrong", "part-says", "part-warns"]) element(id).replaceChildren();
    this.fields();
    this.dialog.showModal();
    this.input("part-name").focus();
    if (part.name) this.check();
  }

  /** @param {string} id */
  input(id) {
    return /** @type {HTMLInputElement} */ (element(id));
  }

  get form() {
    return this.forms.find((f) => f.kind === this.kind.value) ?? this.forms[0];
  }

  /** Builds the fields of the kind. */
  fields() {
    element("part-about").textContent = this.form.about;
    element("part-fields").replaceChildren(...this.form.fields.map((f) => this.field(f)));
  }

  /** @param {Field} f */
  field(f) {
    const id = `part-f-${f.key}`;
    const label = make("label", "", f.unit && f.key !== "area_mm2" ? `${f.say}, ${f.unit}` : f.say);
    label.setAttribute("for", id);
    const box = make("div", "field", label);
    let input;
    if (f.of?.length) {
      input = make("select", "", ...f.of.map((o) => new Option(o.Say, o.Value)));
    } else {
      input = make("input", "num");
      input.setAttribute("inputmode", "decimal");
      input.setAttribute("autocomplete", "off");
    }
    input.id = id;
    input.dataset.key = f.key;
    if (input instanceof HTMLInputElement || input instanceof HTMLSelectElement) input.value = this.typed[f.key] ?? "";
    input.setAttribute("aria-describedby", `${id}-hint ${id}-wrong`);
    if (f.key === "area_mm2") {
      const unit = make("select", "", new Option("mm²", "mm2"), new Option("AWG", "awg"));
      unit.id = "part-area-unit";
      unit.setAttribute("aria-label", "Unit of the cross-section");
      if (unit instanceof HTMLSelectElement) unit.value = this.gauge ? "awg" : "mm2";
      unit.addEventListener("change", () => {
        this.gauge = unit instanceof HTMLSelectElement && unit.value === "awg";
        this.check();
      });
      box.append(make("div", "with-unit", input, unit));
    } else {
      box.append(input);
    }
    const hint = make("p", "hint", f.hint);
    hint.id = `${id}-hint`;
    const wrong = make("p", "wrong");
    wrong.id = `${id}-wrong`;
    box.append(hint, wrong);
    return box;
  }

  /** Remembers what is typed. */
  keep() {
    for (const input of this.dialog.querySelectorAll("[data-key]")) {
      if (input instanceof HTMLInputElement || input instanceof HTMLSelectElement) this.typed[input.dataset.key ?? ""] = input.value;
    }
  }

  /**
   * @param {string} id
   * @param {string} problem
   * @param {string} [kind]
   */
  mark(id, problem, kind = "fail") {
    const says = document.getElementById(`${id}-wrong`);
    if (!says) return;
    says.replaceChildren(...(problem ? [shape(kind), problem] : []));
    says.classList.toggle("is-warning", kind !== "fail");
    const wrong = problem !== "" && kind === "fail";
    const field = document.getElementById(id);
    field?.closest(".field")?.classList.toggle("is-wrong", wrong);
    if (wrong) field?.setAttribute("aria-invalid", "true");
    else field?.removeAttribute("aria-invalid");
  }

  /** What is wrong with the texts, by the id of the field. */
  problems() {
    /** @type {[string, string][]} */
    const out = [];
    for (const f of this.form.fields) {
      if (f.of?.length) continue;
      const text = this.typed[f.key] ?? "";
      const gauge = f.key === "area_mm2" && this.gauge && text.trim() !== "";
      const problem = !gauge ? numberProblem(text) : Number.isNaN(areaOfGauge(text)) ? "A gauge, such as 18 or 2/0." : "";
      if (problem) out.push([`part-f-${f.key}`, problem]);
    }
    if (this.onShelf) {
      if (!this.input("part-name").value.trim()) out.push(["part-name", "A part on the shelf needs a name."]);
      const count = this.input("part-count").value.trim();
      if (count && !/^\d+$/.test(count)) out.push(["part-count", "A whole number."]);
      const price = numberProblem(this.input("part-price").value);
      if (price) out.push(["part-price", price]);
    }
    return out;
  }

  /** The part as it is typed. What its kind does not ask stays as it was only where the kind is the same. */
  part() {
    /** @type {any} */
    const part = this.kind.value === this.was.kind ? { ...this.was } : {};
    delete part.id;
    delete part.count;
    delete part.price;
    part.kind = this.kind.value;
    part.name = this.input("part-name").value.trim();
    part.note = this.input("part-note").value;
    for (const f of this.form.fields) {
      const text = (this.typed[f.key] ?? "").trim();
      if (f.of?.length) part[f.key] = text;
      else part[f.key] = text === "" ? 0 : f.key === "area_mm2" && this.gauge ? areaOfGauge(text) : readNumber(text);
    }
    return part;
  }

  /** Says what is wrong in place: first what can be seen here, then what the program knows of such a part. */
  async check() {
    this.keep();
    const turn = ++this.turn;
    const wrong = this.problems();
    for (const f of this.form.fields) this.mark(`part-f-${f.key}`, "");
    for (const id of ["part-count", "part-price"]) this.mark(id, "");
    if (this.input("part-name").value.trim()) this.mark("part-name", "");
    for (const [id, problem] of wrong) if (id !== "part-name") this.mark(id, problem);
    const area = document.getElementById("part-f-area_mm2-hint");
    if (area && this.gauge) area.textContent = Number.isNaN(areaOfGauge(this.typed.area_mm2 ?? "")) ? "such as 18" : `${areaOfGauge(this.typed.area_mm2)} mm² (ASTM B258)`;
    if (wrong.some(([id]) => id !== "part-name")) return wrong.map(([id]) => id);
    const warns = element("part-warns");
    try {
      const answer = await ask("POST", "/api/rig/check", { parts: [this.part()], source: { current_a: 1 } });
      if (turn !== this.turn) return [];
      const lines = [];
      for (const p of answer.problems) {
        if (p.place !== 0) continue;
        const id = `part-f-${p.field}`;
        const text = p.text.replace(/^[^:]*: /, "");
        if (document.getElementById(id)) this.mark(id, text.charAt(0).toUpperCase() + text.slice(1), "caution");
        else lines.push(make("p", "answer-warn", shape("caution"), p.text));
      }
      warns.replaceChildren(...lines);
    } catch (error) {
      if (turn !== this.turn) return [];
      return this.refused(error);
    }
    return wrong.map(([id]) => id);
  }

  /**
   * Puts a refusal of the program beside its field.
   * @param {unknown} error
   */
  refused(error) {
    const text = error instanceof Error ? error.message : String(error);
    const at = /^(?:parts\[0\]\.)?([a-z_0-9]+): (.*)$/is.exec(text);
    const key = at?.[1].toLowerCase() ?? "";
    const id = document.getElementById(`part-f-${key}`) ? `part-f-${key}` : document.getElementById(`part-${key}-wrong`) ? `part-${key}` : "";
    if (at && id) this.mark(id, at[2].charAt(0).toUpperCase() + at[2].slice(1));
    else element("part-says").replaceChildren(shape("fail"), text);
    return [id || "part-name"];
  }

  async submit() {
    element("part-says").replaceChildren();
    clearTimeout(this.timer);
    let wrong = await this.check();
    for (const [id, problem] of this.problems()) this.mark(id, problem);
    if (!wrong.length) {
      const part = this.part();
      if (this.onShelf) {
        part.count = Number(this.input("part-count").value.trim() || 0);
        part.price = readNumber(this.input("part-price").value) || 0;
      }
      try {
        await this.save(part);
        this.dialog.close();
        this.closed();
        return;
      } catch (error) {
        wrong = this.refused(error);
      }
    }
    document.getElementById(wrong[0])?.focus();
  }
}
