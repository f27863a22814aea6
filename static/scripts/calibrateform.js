// The calibration of an instrument: pairs of readings, typed or taken from what is shown now.

import { ask, sentence } from "./api.js";
import { lastPlace, readingText, Recent, signedNumber } from "./argument.js";
import { element, make, setText, shape } from "./page.js";

const FIRST_PAIRS = 3;

/** What the page tells the form of the live readings; null where there is no form. */
export function calibrateForm() {
  takeBack();
  const form = document.getElementById("calibrate");
  if (!(form instanceof HTMLFormElement)) return null;
  const path = form.dataset.path ?? "";
  const list = element("pairs");
  const says = element("calibrate-says");
  const keep = /** @type {HTMLButtonElement} */ (element("keep"));
  /** @type {Map<string, Recent>} */
  const recent = new Map();
  let n = 0;

  /** @param {string} name */
  const value = (name) => {
    const field = form.elements.namedItem(name);
    return field && "value" in field ? String(field.value) : "";
  };
  const unit = () => (value("quantity") === "voltage" ? "V" : "A");
  const now = () => recent.get(value("quantity"))?.mean() ?? null;
  /** @param {unknown} error */
  const complain = (error) => says.replaceChildren(shape("fail"), error instanceof Error ? error.message : String(error));

  const showNow = () => {
    const m = now();
    setText(element("now"), m ? `Shown now, uncorrected: ${readingText(m.mean, m.apart)} ${unit()}` : "Nothing is shown now: connect the instrument, or type what it showed.");
    for (const b of list.querySelectorAll("button[data-take]")) {
      if (b instanceof HTMLButtonElement) b.disabled = !m;
    }
  };

  const addPair = () => {
    n++;
    const row = make("li", "");
    for (const [name, label] of [["trusted", "trusted meter"], ["shown", "shown here"]]) {
      const id = `pair-${n}-${name}`;
      const l = make("label", "", label);
      l.setAttribute("for", id);
      const input = document.createElement("input");
      Object.assign(input, { id, className: "num", inputMode: "decimal", autocomplete: "off" });
      input.dataset.pair = name;
      row.append(make("div", "", l, input));
    }
    const take = document.createElement("button");
    Object.assign(take, { type: "button", className: "btn", textContent: "Take it now" });
    take.dataset.take = "";
    take.setAttribute("aria-label", `Take it now, pair ${list.children.length + 1}`);
    take.addEventListener("click", () => {
      const m = now();
      const input = row.querySelector("[data-pair=shown]");
      if (m && input instanceof HTMLInputElement) input.value = readingText(m.mean, m.apart);
      outdated();
    });
    row.append(take);
    list.append(row);
    showNow();
    return row;
  };
  for (let i = 0; i < FIRST_PAIRS; i++) addPair();
  element("more-pairs").addEventListener("click", () => {
    const first = addPair().querySelector("input");
    first?.focus();
  });

  // What was worked out holds only for what stands in the fields.
  const outdated = () => {
    keep.disabled = true;
    element("outcome").replaceChildren();
    says.replaceChildren();
  };
  form.addEventListener("input", outdated);
  form.addEventListener("change", () => {
    outdated();
    showNow();
  });

  /** The pairs as numbers; a row without any is left out, half a row is a mistake. */
  const pairs = () => {
    const out = [];
    for (const [i, row] of [...list.children].entries()) {
      const [trusted, shown] = [...row.querySelectorAll("input")];
      if (!trusted.value.trim() && !shown.value.trim()) continue;
      const pair = { trusted: signedNumber(trusted.value), shown: signedNumber(shown.value) };
      const bad = Number.isNaN(pair.trusted) ? trusted : Number.isNaN(pair.shown) ? shown : null;
      if (bad) {
        bad.focus();
        throw new Error(`Pair ${i + 1}: ${bad.value.trim() ? `“${bad.value.trim()}” is no number.` : "one of the two readings is missing."}`);
      }
      out.push(pair);
    }
    return out;
  };

  /** @param {string} which trusted or shown */
  const count = (which) => lastPlace([...list.querySelectorAll(`[data-pair=${which}]`)].map((i) => (i instanceof HTMLInputElement ? i.value : "")));

  /** @param {boolean} kept */
  const send = async (kept) => {
    says.replaceChildren();
    const reversed = form.elements.namedItem("reversed");
    try {
      const answer = await ask("POST", path, {
        quantity: value("quantity"), pairs: pairs(), trusted_accuracy: value("trusted"), note: value("note"),
        reversed: reversed instanceof HTMLInputElement && reversed.checked, keep: kept,
        trusted_resolution: count("trusted"), shown_resolution: count("shown"),
      });
      if (kept) {
        location.reload();
        return;
      }
      const notes = make("ul", "", ...answer.notes.map((/** @type {string} */ t) => make("li", "", sentence(t))));
      element("outcome").replaceChildren(make("p", "", make("b", "", answer.say)), make("p", "soft", "True is offset + gain × what is shown; ± for 95 %."), notes);
      keep.disabled = false;
    } catch (error) {
      outdated();
      complain(error);
    }
  };
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    send(false);
  });
  keep.addEventListener("click", () => send(true));

  return {
    /** @param {any} instrument as in the state */
    heard(instrument) {
      if (instrument.name !== form.dataset.name) return;
      const well = instrument.state === "receiving";
      for (const l of instrument.latest) {
        let r = recent.get(l.quantity);
        if (!r) recent.set(l.quantity, (r = new Recent()));
        r.add(performance.now(), well ? (l.shown ?? l.value) : null);
      }
      showNow();
    },
    silent() {
      recent.clear();
      showNow();
    },
  };
}

/** The buttons of the history that take a calibration back: it stays there to be seen. */
function takeBack() {
  for (const button of document.querySelectorAll("[data-end]")) {
    if (!(button instanceof HTMLButtonElement)) continue;
    button.addEventListener("click", async () => {
      const form = element("calibrate");
      try {
        await ask("DELETE", `${form.dataset.path}/${button.dataset.end}`);
        location.reload();
      } catch (error) {
        element("calibrate-says").replaceChildren(shape("fail"), error instanceof Error ? error.message : String(error));
      }
    });
  }
}
