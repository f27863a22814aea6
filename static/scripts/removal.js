// Removing with a way back: what is removed leaves the page at once and the program a while later, so that it can be
// had back whole, with everything that hangs on it. Leaving the page removes it then and there.

import { ask } from "./api.js";
import { make } from "./page.js";

const WAIT_MS = 10_000;

/** @type {Map<string, {timer: number, note: HTMLElement}>} what waits, by address */
const waiting = new Map();

/**
 * @typedef {object} Removal
 * @property {string} path the address that DELETE goes to
 * @property {string} say what is gone: "Tin is off the list."
 * @property {() => void} hide takes it off the page
 * @property {() => void} show puts it back
 * @property {(message: string) => void} failed says why the program would not
 * @property {number} [waitMs]
 */

/** @param {Removal} r */
export function removeWithUndo(r) {
  if (waiting.has(r.path)) return;
  r.hide();
  const undo = make("button", "btn", "Undo");
  undo.setAttribute("type", "button");
  const note = make("div", "undo", make("p", "", r.say), undo);
  note.setAttribute("role", "status");
  undo.addEventListener("click", () => {
    settle(r.path);
    r.show();
  });
  document.body.append(note);
  undo.focus();
  waiting.set(r.path, { note, timer: window.setTimeout(() => remove(r), r.waitMs ?? WAIT_MS) });
}

/** @param {string} path */
function settle(path) {
  const w = waiting.get(path);
  if (!w) return;
  clearTimeout(w.timer);
  w.note.remove();
  waiting.delete(path);
}

/** @param {Removal} r */
async function remove(r) {
  settle(r.path);
  try {
    await ask("DELETE", r.path);
  } catch (error) {
    r.show();
    r.failed(error instanceof Error ? error.message : String(error));
  }
}

addEventListener("pagehide", () => {
  for (const path of waiting.keys()) {
    fetch(path, { method: "DELETE", keepalive: true }).catch(() => {});
    settle(path);
  }
});
