// Esc opens the contact from every page and wherever the focus is, also in a text field or a dialog,
// while it is closed or counts down. Otherwise Esc keeps its native meaning.

import { ask } from "./api.js";

/**
 * Whether the contact is closed or about to close, so that Esc is its key.
 * @param {any} state
 */
export function contactIsLive(state) {
  return state?.contact === "closed" || typeof state?.contact_state?.closes_at_s === "number";
}

/**
 * Seconds until a countdown closes the contact, upwards; null where none runs.
 * @param {any} state
 */
export function countdownS(state) {
  const at = state?.contact_state?.closes_at_s;
  return typeof at === "number" ? Math.max(0, Math.ceil(at - state.now_at_s - 0.05)) : null;
}

/**
 * @param {() => any} state the newest state
 * @param {(problem: string) => void} tell says what kept the contact from opening
 */
export function watchEmergency(state, tell) {
  addEventListener(
    "keydown",
    (event) => {
      if (event.key !== "Escape" || !contactIsLive(state())) return;
      event.preventDefault();
      event.stopImmediatePropagation();
      ask("POST", "/api/contact", { do: "open" }).catch((error) => tell(`${error.message} Open the contact by hand.`));
    },
    { capture: true },
  );
}
