// What a person says of the marks of a stored run: added, moved, struck, and taken back.

import { ask } from "./api.js";
import { element, shape } from "./page.js";

/**
 * Seconds as people write them, before the onset with a minus; null where nothing is written, NaN where it is
 * no number.
 * @param {string} text
 */
function seconds(text) {
  const t = text.trim().replace(",", ".").replace("−", "-").replace(/\s*s$/, "");
  if (!t) return null;
  return /^[+-]?(\d+\.?\d*|\.\d+)$/.test(t) ? Number(t) : NaN;
}

/**
 * Opens the form for one mark. The reason is asked for in any case.
 * @type {(mark: {does: "move" | "strike" | "add", kind: string, was: number, at: number, within: number}) => void}
 */
export let openMark = () => {};

const form = document.getElementById("mark-form");

if (form instanceof HTMLFormElement) {
  const path = `/api/runs/${form.dataset.run}/marks`;
  const says = element("mark-says");
  const dialog = /** @type {HTMLDialogElement} */ (element("mark-dialog"));
  const field = (/** @type {string} */ id) => /** @type {HTMLInputElement | HTMLSelectElement} */ (element(id));
  const which = field("mark-which");
  const wrong = (/** @type {unknown} */ error) => says.replaceChildren(shape("fail"), error instanceof Error ? error.message : String(error));

  const show = () => {
    const does = field("mark-does").value;
    element("mark-kind-field").hidden = does !== "add";
    element("mark-which-field").hidden = does === "add";
    element("mark-at-field").hidden = does === "strike";
    element("mark-within-field").hidden = does === "strike";
    const note = does === "add" && field("mark-kind").value === "note";
    element("mark-reason-label").textContent = note ? "What is there to note?" : "Why?";
    element("mark-tells").hidden = note;
    element("mark-title").textContent = note ? "Pin a note to this instant" : "Change a mark";
  };
  field("mark-does").addEventListener("change", show);
  field("mark-kind").addEventListener("change", show);
  show();
  element("mark-open").addEventListener("click", () => dialog.showModal());
  openMark = ({ does, kind, was, at, within }) => {
    field("mark-does").value = does;
    if (does === "add") field("mark-kind").value = kind;
    else {
      const options = [.../** @type {HTMLSelectElement} */ (which).options].filter((o) => o.value.startsWith(`${kind} `));
      const away = (/** @type {HTMLOptionElement} */ o) => Math.abs(Number(o.value.split(" ")[1]) - was);
      const best = options.sort((a, b) => away(a) - away(b))[0];
      if (best) which.value = best.value;
    }
    const short = (/** @type {number} */ v) => (Number.isFinite(v) ? String(Number(v.toPrecision(v === at ? 12 : 2))) : "");
    field("mark-at").value = Number.isFinite(at) ? String(Number(at.toFixed(6))) : "";
    field("mark-within").value = short(within);
    field("mark-reason").value = "";
    says.replaceChildren();
    show();
    dialog.showModal();
    field("mark-reason").focus();
  };

  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    says.replaceChildren();
    const does = field("mark-does").value;
    const [kind, was] = which.value.split(" ");
    const at = seconds(field("mark-at").value);
    const within = seconds(field("mark-within").value);
    /** @type {Record<string, unknown>} */
    const edit = { kind: does === "add" ? field("mark-kind").value : kind, reason: field("mark-reason").value };
    if (does === "strike") {
      edit.strike = true;
      edit.t_s = Number(was);
    } else {
      if (at === null || Number.isNaN(at)) return wrong("Say when the mark is, in seconds from the onset, like 0.95.");
      edit.t_s = at;
      if (does === "move") edit.was_t_s = Number(was);
      if (within !== null) {
        if (Number.isNaN(within)) return wrong("Say how well that is known in seconds, like 0.01, or leave it empty.");
        edit.u_s = within;
      }
    }
    await say("POST", path, edit);
  });
  for (const button of document.querySelectorAll("[data-take-back]")) {
    button.addEventListener("click", () => say("DELETE", `${path}/${/** @type {HTMLElement} */ (button).dataset.takeBack}`, undefined));
  }

  /**
   * @param {string} method
   * @param {string} address
   * @param {unknown} body
   */
  async function say(method, address, body) {
    try {
      await ask(method, address, body);
      location.reload();
    } catch (error) {
      if (!dialog.open && method === "DELETE") element("edits-say").replaceChildren(shape("fail"), error instanceof Error ? error.message : String(error));
      else wrong(error);
    }
  }
}
