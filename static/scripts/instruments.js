// Instruments: the list kept fresh by the socket, one open beside it to change and to calibrate.

import { Live, liveURL } from "./live.js";
import { calibrateForm } from "./calibrateform.js";
import { contactForm } from "./contactform.js";
import { instrumentForm } from "./instrumentform.js";
import { setText, shape } from "./page.js";

/** @type {Record<string, string>} */
const STATE_SHAPES = { receiving: "live", unplugged: "fail", garbled: "caution", over_range: "caution" };

instrumentForm();
const calibration = calibrateForm();
const contact = document.getElementById("contact") ? contactForm() : null;

/**
 * @param {Element} row
 * @param {string} field
 */
function cell(row, field) {
  const el = row.querySelector(`[data-f="${field}"]`);
  return el instanceof HTMLElement ? el : null;
}

/** @param {any} latest */
function reading(latest) {
  const parts = latest.map((/** @type {any} */ l) => (l.value === null ? "over range" : `${Number(l.value.toPrecision(4))} ${l.quantity === "voltage" ? "V" : "A"}`));
  return parts.join(", ") || "none yet";
}

/** @param {any} i */
function counts(i) {
  return `lost ${i.lost}, garbled ${i.garbled}${i.last_garbled ? ` (last “${i.last_garbled}”)` : ""}, twice ${i.duplicate}`;
}

/** @param {any} i */
function show(i) {
  const row = [...document.querySelectorAll("[data-instrument]")].find((r) => r instanceof HTMLElement && r.dataset.instrument === i.name);
  if (!row) return;
  const state = cell(row, "state");
  if (state && state.dataset.said !== i.say) {
    state.dataset.said = i.say;
    const words = document.createElement("span");
    words.textContent = i.say;
    state.replaceChildren(shape(STATE_SHAPES[i.state] ?? "unknown"), words);
  }
  for (const [field, text] of [["problem", i.problem ?? ""], ["do", i.do ?? ""], ["reading", reading(i.latest)], ["counts", counts(i)], ["identity", i.identity ? `calls itself ${i.identity}` : ""]]) {
    const el = cell(row, field);
    if (el) setText(el, text);
  }
}

new Live(liveURL() + "?trace=0", {
  text(message) {
    if (message.type !== "hello" && message.type !== "state") return;
    contact?.heard(message);
    for (const i of message.instruments ?? message.state?.instruments ?? []) {
      show(i);
      calibration?.heard(i);
    }
  },
  binary() {},
  line(up) {
    if (!up) calibration?.silent();
  },
});
