// The list of runs.

import "./tray.js";

// A choice is asked for at once; the button is for whoever has no script.
const form = /** @type {HTMLFormElement | null} */ (document.getElementById("ask"));
for (const field of form?.querySelectorAll("select, input[type=date]") ?? []) {
  field.addEventListener("change", () => form?.requestSubmit());
}
form?.addEventListener("submit", () => {
  // What is not asked for does not stand in the address.
  for (const field of /** @type {NodeListOf<HTMLInputElement | HTMLSelectElement>} */ (form.querySelectorAll("[name]"))) field.disabled = field.value === "";
});
addEventListener("pageshow", () => {
  for (const field of /** @type {NodeListOf<HTMLInputElement | HTMLSelectElement>} */ (form?.querySelectorAll("[name]") ?? [])) field.disabled = false;
});

document.body.dataset.ready = "yes";
