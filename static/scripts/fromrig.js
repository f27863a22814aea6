// The way between the Bench and the page Rig: what was checked there is chosen here, and what is chosen here can be looked
// at there.

import { readNumber } from "./unitform.js";

/**
 * What the address asks to be armed, as the page Rig writes it.
 * @param {string} search
 * @returns {{unit: string, rig: string, procedure: string, hold: string} | null} null: nothing
 */
export function askedOfBench(search) {
  const query = new URLSearchParams(search);
  const get = (/** @type {string} */ name) => query.get(name)?.trim() ?? "";
  const asked = { unit: get("unit"), rig: get("rig"), procedure: get("procedure"), hold: readNumber(get("hold")) > 0 ? get("hold") : "" };
  return Object.values(asked).some(Boolean) ? asked : null;
}

/**
 * Chooses an option if there is one of this value; capital letters do not matter.
 * @param {HTMLSelectElement} select
 * @param {string} value
 */
function choose(select, value) {
  const option = value && [...select.options].find((o) => o.value.toLowerCase() === value.toLowerCase());
  if (!option || option.selected) return;
  select.value = option.value;
  select.dispatchEvent(new Event("change", { bubbles: true }));
}

/**
 * Puts into the Bench's form what the address asks.
 * @param {{unit: HTMLSelectElement, rig: HTMLSelectElement, procedure: HTMLSelectElement, hold: HTMLInputElement}} form
 */
export function takeFromRig(form) {
  const asked = askedOfBench(location.search);
  if (!asked) return;
  choose(form.unit, asked.unit);
  choose(form.rig, asked.rig);
  choose(form.procedure, asked.procedure);
  if (!asked.hold) return;
  form.hold.value = asked.hold;
  form.hold.dispatchEvent(new Event("input", { bubbles: true }));
}

/**
 * The address at which the page Rig answers for this unit, rig and procedure.
 * @param {{unit?: string | number, rig?: string, procedure?: string}} what
 */
export function rigAddress(what) {
  const query = new URLSearchParams();
  if (what.unit && what.unit !== "new") query.set("unit", String(what.unit));
  if (what.rig) query.set("rig", what.rig);
  if (what.procedure && what.procedure !== "short") query.set("procedure", what.procedure);
  const text = query.toString();
  return text ? `/rig?${text}` : "/rig";
}
