// Units and loads: the lists, one of either open beside them.

import { ask } from "./api.js";
import { element, setText, shape } from "./page.js";
import { removeWithUndo } from "./removal.js";
import { Sheet } from "./sheet.js";
import { UnitForm } from "./unitform.js";

const sheet = document.getElementById("sheet");
const loadSheet = document.getElementById("load-sheet");

/**
 * The button that removes what is open, with a way back.
 * @param {HTMLFormElement} form
 * @param {string} path
 * @param {string} row
 */
function removable(form, path, row) {
  const panel = form.closest("section");
  const rowEl = document.querySelector(`[data-row="${row}"]`);
  document.getElementById("delete")?.addEventListener("click", () => {
    const runs = Number(form.dataset.runs ?? 0);
    if (runs > 0) {
      element(`${form.id}-says`).replaceChildren(shape("caution"), `${form.dataset.name} has ${runs} run${runs === 1 ? "" : "s"}, which say of what they are by it. Delete those first, or leave it on the list.`);
      return;
    }
    const each = [panel, rowEl].filter((el) => el instanceof HTMLElement);
    removeWithUndo({
      path,
      say: `${form.dataset.name} is off the list.`,
      hide: () => each.forEach((el) => (el.hidden = true)),
      show: () => each.forEach((el) => (el.hidden = false)),
      failed: (message) => element(`${form.id}-says`).replaceChildren(shape("fail"), message),
    });
  });
}

if (sheet instanceof HTMLFormElement) {
  const id = Number(sheet.dataset.unit);
  new UnitForm(sheet, async (values) => {
    const unit = await ask(id ? "PUT" : "POST", id ? `/api/units/${id}` : "/api/units", values);
    if (id && (await askAboutRuns(unit))) return;
    location.assign(id ? "/units" : `/units/${unit.id}`);
  });
  if (id) removable(sheet, `/api/units/${id}`, `unit-${id}`);
}

if (loadSheet instanceof HTMLFormElement) {
  const id = Number(loadSheet.dataset.load);
  new Sheet(loadSheet, async (values) => {
    await ask(id ? "PUT" : "POST", id ? `/api/loads/${id}` : "/api/loads", values);
    location.assign("/units#loads");
  });
  if (id) removable(loadSheet, `/api/loads/${id}`, `load-${id}`);
}

/**
 * A rating that was corrected may be that of the unit's runs too: asks, and does as is said.
 * @param {any} unit as it is now
 * @returns {Promise<boolean>} whether something is asked
 */
async function askAboutRuns(unit) {
  if (!(sheet instanceof HTMLFormElement)) return false;
  const was = { rated_current_a: Number(sheet.dataset.amps), rated_voltage_v: Number(sheet.dataset.volts), waveform: sheet.dataset.waveform };
  if (was.rated_current_a === unit.rated_current_a && was.rated_voltage_v === unit.rated_voltage_v && was.waveform === unit.waveform) return false;
  const runs = await runsOf(unit.id);
  if (!runs.length) return false;
  const dialog = /** @type {HTMLDialogElement} */ (element("runs-dialog"));
  setText(element("runs-many"), `${runs.length} run${runs.length === 1 ? "" : "s"}`);
  dialog.showModal();
  element("runs-leave").addEventListener("click", () => location.assign("/units"));
  dialog.addEventListener("cancel", () => location.assign("/units"));
  element("runs-again").addEventListener("click", async () => {
    for (const id of ["runs-again", "runs-leave"]) /** @type {HTMLButtonElement} */ (element(id)).disabled = true;
    const settings = { rated_current_a: unit.rated_current_a, rated_voltage_v: unit.rated_voltage_v, waveform: unit.waveform };
    /** @type {string[]} */
    const failed = [];
    for (const [i, run] of runs.entries()) {
      setText(element("runs-says"), `Deriving ${i + 1} of ${runs.length} …`);
      try {
        await ask("POST", `/api/runs/${run}/derive`, { settings, keep: true });
      } catch (error) {
        failed.push(`Run ${run}: ${error instanceof Error ? error.message : String(error)}`);
      }
    }
    if (!failed.length) return location.assign("/units");
    setText(element("runs-says"), failed.join(" "));
    /** @type {HTMLButtonElement} */ (element("runs-leave")).disabled = false;
  });
  return true;
}

/**
 * The numbers of a unit's runs that are over.
 * @param {number} unit
 * @returns {Promise<number[]>}
 */
async function runsOf(unit) {
  const out = [];
  let after = "";
  for (let page = 0; page < 100; page++) {
    const answer = await ask("GET", `/api/runs?unit=${unit}&limit=100${after ? `&after=${encodeURIComponent(after)}` : ""}`);
    for (const run of answer.runs) if (run.state !== "open") out.push(run.id);
    if (!answer.next) break;
    after = answer.next;
  }
  return out;
}
