// Keys that work on every page: 1 to 9 for the pages, R for the read-out, ? for the list of keys.

import { isTextField } from "./page.js";

addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey || event.repeat || isTextField(event.target)) return;
  if (document.querySelector("dialog[open]")) return;
  // Where readings are typed, a digit is one and no page.
  const readings = document.getElementById("hand");
  if (/^[1-9]$/.test(event.key) && readings && !readings.hidden) return;
  if (/^[1-9]$/.test(event.key)) {
    const link = document.querySelectorAll(".nav a")[Number(event.key) - 1];
    if (link instanceof HTMLAnchorElement) link.click();
  } else if (event.key.toLowerCase() === "r") {
    document.getElementById("to-readout")?.click();
  } else if (event.key.toLowerCase() === "s") {
    document.getElementById("show-sounds")?.click();
  } else if (event.key === "?") {
    const dialog = document.getElementById("keys-dialog");
    if (dialog instanceof HTMLDialogElement) dialog.showModal();
  }
});

for (const button of document.querySelectorAll("dialog [data-close]")) {
  button.addEventListener("click", () => button.closest("dialog")?.close());
}
document.getElementById("show-keys")?.addEventListener("click", () => {
  const dialog = document.getElementById("keys-dialog");
  if (dialog instanceof HTMLDialogElement) dialog.showModal();
});
