// Runs: which of them are chosen, kept while one looks through pages and filters, and put side by side.

import { element, isTextField, make, pageData, shape } from "./page.js";
import { chosenAfter, traySays } from "./traychoice.js";

/** @typedef {import("./traychoice.js").Chosen} Chosen */

const KEPT = "letthrough.chosen";
const data = pageData();
const tray = document.getElementById("tray");
const form = /** @type {HTMLFormElement | null} */ (document.getElementById("choose"));

/** @type {Chosen[]} in the order they were chosen */
let chosen = data.chosen ?? kept();

/** @returns {Chosen[]} */
function kept() {
  try {
    const list = JSON.parse(sessionStorage.getItem(KEPT) ?? "[]");
    return Array.isArray(list) ? list.filter((c) => Number.isInteger(c?.id)) : [];
  } catch {
    return []; // a browser that keeps nothing: then the choice lasts as long as the page
  }
}

/** @returns {NodeListOf<HTMLInputElement>} */
const boxes = () => document.querySelectorAll(".pick input");

function show() {
  try {
    sessionStorage.setItem(KEPT, JSON.stringify(chosen));
  } catch {
    // As above.
  }
  for (const box of boxes()) {
    box.checked = chosen.some((c) => c.id === Number(box.value));
    box.closest("tr")?.classList.toggle("is-chosen", box.checked);
  }
  if (!tray) return;
  tray.hidden = !chosen.length;
  const says = traySays(chosen, data.procedures);
  element("tray-says").replaceChildren(make("b", "", says.count), " ", ...(says.wrong ? [shape("caution"), make("span", "", says.wrong)] : [make("span", "soft", says.names)]));
  /** @type {HTMLButtonElement} */ (element("tray-go")).disabled = !says.ready;
}

for (const box of boxes()) {
  box.addEventListener("change", () => {
    chosen = chosenAfter(chosen, { id: Number(box.value), unit: box.dataset.unit ?? "", procedure: box.dataset.procedure ?? "" }, box.checked);
    show();
  });
}
document.getElementById("tray-none")?.addEventListener("click", () => {
  chosen = [];
  show();
  boxes()[0]?.focus();
});
form?.addEventListener("submit", (event) => {
  event.preventDefault();
  if (traySays(chosen, data.procedures).ready) location.assign(`/compare?runs=${chosen.map((c) => c.id).join(",")}`);
});

// Down and up through the rows with J and K, choosing with Space as everywhere; S puts side by side.
addEventListener("keydown", (e) => {
  if (e.ctrlKey || e.metaKey || e.altKey || isTextField(e.target) || document.querySelector("dialog[open]")) return;
  const list = [...boxes()];
  const at = list.findIndex((b) => b === document.activeElement);
  const key = e.key.toLowerCase();
  if (key === "j") list[Math.min(at + 1, list.length - 1)]?.focus();
  else if (key === "k") list[Math.max(at - 1, 0)]?.focus();
  else if (key === "s") document.getElementById("tray-go")?.click();
  else return;
  e.preventDefault();
});
show();
