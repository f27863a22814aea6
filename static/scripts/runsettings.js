// The settings of the derivation: change one and see what it does to marks and figures, then keep it or leave it.

import { ask } from "./api.js";
import { element, make, setText, shape } from "./page.js";

/** @typedef {{key: string, say: string, old: string, new: string, so: string}} Change */

const WAIT_MS = 350; // after the last key

export class SettingsPanel {
  /**
   * @param {number} run
   * @param {{preview: (derived: any | null) => void, kept: () => void}} hooks
   */
  constructor(run, hooks) {
    this.run = run;
    this.hooks = hooks;
    this.asked = 0;
    /** @type {ReturnType<typeof setTimeout> | undefined} */
    this.timer = undefined;
    const form = element("settings");
    form.addEventListener("input", () => this.changed());
    form.addEventListener("submit", (event) => event.preventDefault());
    element("settings-keep").addEventListener("click", () => this.keep());
    element("settings-back").addEventListener("click", () => this.back());
    for (const button of document.querySelectorAll("[data-try]")) {
      button.addEventListener("click", () => this.tryOn(JSON.parse(/** @type {HTMLElement} */ (button).dataset.try ?? "{}")));
    }
  }

  /** @returns {(HTMLInputElement | HTMLSelectElement)[]} */
  get fields() {
    return [.../** @type {NodeListOf<HTMLInputElement | HTMLSelectElement>} */ (document.querySelectorAll("#settings [data-setting]"))];
  }

  /** Only what differs from the current derivation is sent, so that the rest stays as it is. */
  get difference() {
    /** @type {Record<string, unknown>} */
    const out = {};
    for (const f of this.fields) if (f.value.trim() !== f.dataset.was) out[f.dataset.setting ?? ""] = valueOf(f);
    return out;
  }

  changed() {
    for (const f of this.fields) {
      const isNew = f.value.trim() !== f.dataset.was;
      const field = f.closest(".field");
      field?.classList.toggle("is-new", isNew);
      const hint = field?.querySelector(".hint");
      if (hint instanceof HTMLElement) {
        hint.dataset.said ??= hint.textContent ?? "";
        if (isNew) hint.replaceChildren(make("b", "", "changed"), `, was ${f instanceof HTMLSelectElement ? f.querySelector(`option[value="${f.dataset.was}"]`)?.textContent : f.dataset.was || "not stated"}`);
        else setText(hint, hint.dataset.said);
      }
    }
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.look(), WAIT_MS);
  }

  async look() {
    const settings = this.difference;
    const asked = ++this.asked;
    element("settings-says").replaceChildren();
    const n = Object.keys(settings).length;
    setText(element("settings-count"), n ? `${n} changed` : "");
    if (!n) {
      this.show(null);
      return;
    }
    try {
      const derived = await ask("POST", `/api/runs/${this.run}/derive`, { settings, keep: false });
      if (asked === this.asked) this.show(derived);
    } catch (error) {
      if (asked !== this.asked) return;
      this.show(null);
      this.wrong(error);
    }
  }

  /** @param {any | null} derived */
  show(derived) {
    const panel = element("change");
    panel.hidden = derived === null;
    this.hooks.preview(derived);
    if (!derived) return;
    /** @type {Change[]} */
    const changes = derived.changes;
    const cell = (/** @type {string} */ label, /** @type {string} */ text) => {
      const td = make("td", "", text);
      td.dataset.l = label;
      return td;
    };
    element("change-rows").replaceChildren(
      ...changes.map((c) => {
        const th = make("th", "all", c.say);
        th.setAttribute("scope", "row");
        return make("tr", "", th, cell("Old", c.old), cell("New", c.new), cell("So", c.so));
      }),
    );
    element("change-table").hidden = changes.length === 0;
    setText(element("change-none"), changes.length ? "" : "No figure and no mark changes.");
    setText(element("change-others"), derived.same ? `${derived.same} other ${derived.same === 1 ? "figure stays" : "figures stay"} as they are.` : "");
  }

  async keep() {
    try {
      await ask("POST", `/api/runs/${this.run}/derive`, { settings: this.difference, keep: true });
      this.hooks.kept();
    } catch (error) {
      this.wrong(error);
    }
  }

  back() {
    for (const f of this.fields) f.value = f.dataset.was ?? "";
    this.changed();
    clearTimeout(this.timer);
    this.look();
    this.fields[0]?.focus();
  }

  /**
   * Puts other settings into the form, to be looked at.
   * @param {Record<string, unknown>} settings
   */
  tryOn(settings) {
    for (const f of this.fields) {
      const v = settings[f.dataset.setting ?? ""];
      f.value = v === undefined || v === null ? (f instanceof HTMLSelectElement ? f.dataset.was ?? "" : "") : String(v);
    }
    this.changed();
    this.fields[0]?.focus();
  }

  /** @param {unknown} error */
  wrong(error) {
    element("settings-says").replaceChildren(shape("fail"), error instanceof Error ? error.message : String(error));
  }
}

/**
 * Lets an older derivation be made the current one again.
 * @param {number} run
 * @param {() => void} kept
 */
export function watchDerivations(run, kept) {
  for (const button of document.querySelectorAll("[data-choose]")) {
    button.addEventListener("click", async () => {
      try {
        await ask("POST", `/api/runs/${run}/derivations/${/** @type {HTMLElement} */ (button).dataset.choose}`, {});
        kept();
      } catch (error) {
        element("derivations-say").replaceChildren(shape("fail"), error instanceof Error ? error.message : String(error));
      }
    });
  }
}

/**
 * What a field says, as the interface takes it. What is no number is sent as it stands: the program says what is
 * wrong with it.
 * @param {HTMLInputElement | HTMLSelectElement} f
 */
export function valueOf(f) {
  const text = f.value.trim();
  if (f.dataset.kind === "text") return text;
  if (text === "") return f.dataset.kind === "optional" ? null : 0;
  const n = Number(text.replace(",", "."));
  return Number.isNaN(n) ? text : n;
}
