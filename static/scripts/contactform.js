// The panel of the contact on the page Instruments: its port and what its lines do, how it stands, and the
// check that is made once somebody has looked at what was wrong.

import { ask } from "./api.js";
import { element, setText, shape } from "./page.js";

/**
 * The line as it would be typed after --contact.
 * @param {{port: string, drive: boolean, sense: string, lowered: boolean}} c
 */
export function contactLine({ port, drive, sense, lowered }) {
  const options = [];
  if (!drive) options.push("drive=no");
  if (sense) options.push(`sense=${sense}`);
  if (sense && lowered) options.push("closed=lowered");
  return options.length ? `${port}?${options.join("&")}` : port;
}

/** @type {Record<string, string>} */
const SHAPES = { ready: "pass", checking: "unknown", refused: "fail", away: "caution", none: "unknown" };

export function contactForm() {
  const form = document.getElementById("contact-form");
  const says = document.getElementById("contact-wrong");
  const field = (/** @type {string} */ id) => /** @type {HTMLInputElement | HTMLSelectElement} */ (element(id));
  /** @param {unknown} error */
  const complain = (error) => says?.replaceChildren(shape("fail"), error instanceof Error ? error.message : String(error));
  const line = () => {
    const drive = /** @type {HTMLInputElement} */ (element("contact-drive")).checked;
    return contactLine({ port: (field("contact-port").value || field("contact-other").value).trim(), drive, sense: field("contact-sense").value, lowered: field("contact-closed").value === "lowered" });
  };
  const refresh = () => {
    element("contact-other-field").hidden = field("contact-port").value !== "";
    element("contact-closed-field").hidden = field("contact-sense").value === "";
    setText(element("contact-line"), `--contact '${line()}'`);
  };
  /** @param {() => Promise<unknown>} act */
  const run = async (act) => {
    says?.replaceChildren();
    try {
      await act();
    } catch (error) {
      complain(error);
      return;
    }
    location.reload();
  };
  if (form instanceof HTMLFormElement) {
    form.addEventListener("input", refresh);
    form.addEventListener("change", refresh);
    refresh();
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      void run(() => ask("PUT", "/api/contact", { spec: line() }));
    });
    document.getElementById("contact-remove")?.addEventListener("click", () => void run(() => ask("DELETE", "/api/contact")));
    document.getElementById("contact-check")?.addEventListener("click", () => void run(() => ask("POST", "/api/contact", { do: "check" })));
  }
  return {
    /** @param {any} state */
    heard(state) {
      const el = document.getElementById("contact-state");
      const c = state?.contact_state;
      if (!el || !c) return;
      const text = c.say.charAt(0).toUpperCase() + c.say.slice(1) + ".";
      if (el.dataset.said === text) return;
      el.dataset.said = text;
      const words = document.createElement("span");
      words.textContent = text;
      el.replaceChildren(shape(c.trouble ? "fail" : SHAPES[c.state] ?? "unknown"), words);
      setText(element("contact-do"), c.do);
    },
  };
}
