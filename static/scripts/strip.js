// On pages other than the Bench: what the Bench does, and "End run" while a run is open.

import { ask } from "./api.js";
import { contactIsLive, countdownS, watchEmergency } from "./emergency.js";
import { Live, liveURL } from "./live.js";
import { guardView } from "./guardbar.js";
import { element, make } from "./page.js";

const strip = element("strip");
let said = "";
let role = "viewer";
let flows = false;
/** @type {any} */
let latest = null;
watchEmergency(() => (role === "operator" ? latest : null), complain);

/** @param {string} problem */
function complain(problem) {
  strip.append(" ", make("span", "wrong", problem));
}

/**
 * The guard while a run is open, or where the contact has to be opened.
 * @param {any} state
 */
function guardWords(state) {
  const view = guardView(state.guard);
  if (view.kind === "quiet" || (state.bench !== "recording" && view.kind !== "open")) return "";
  if (view.kind === "open") return view.left;
  return `Guard: ${state.guard.part} ${Math.round((state.guard.used ?? 0) * 100)} %${state.guard.seconds_left === null ? "" : `, open in ${view.seconds}`}`;
}

/** @param {any} state */
function show(state) {
  latest = state;
  const open = state.bench === "recording";
  flows = open && !state.watching && ["fault", "limiting", "retry"].includes(state.phase);
  const key = [state.bench, state.watching, state.unit?.name, role, contactIsLive(state), countdownS(state), guardWords(state)].join("|");
  if (key === said) return;
  said = key;
  const words = open ? `Bench: recording ${state.unit?.name ?? ""}` : state.bench === "armed" ? `Bench: ${state.unit?.name ?? ""} armed` : "Bench: nothing armed";
  const link = make("a", "", words);
  link.setAttribute("href", "/");
  strip.replaceChildren(link);
  const guard = guardWords(state);
  if (guard) strip.append(" ", make("span", `strip-guard is-${guardView(state.guard).kind}`, guard));
  if (contactIsLive(state) && role === "operator") {
    const counting = countdownS(state);
    const release = make("button", "btn is-first", counting !== null ? `Stop, closes in ${counting} s ` : "Open the contact ", make("kbd", "", "Esc"));
    release.addEventListener("click", () => ask("POST", "/api/contact", { do: "open" }).catch((error) => complain(error.message)));
    strip.append(" ", release);
  }
  if (open && role === "operator") {
    const end = make("button", "btn", "End run");
    end.addEventListener("click", () => {
      // As on the Bench, it is asked once while current flows.
      if (flows && end.textContent === "End run") {
        end.textContent = "Current flows: end it?";
        return;
      }
      ask("POST", "/api/end", {}).catch((error) => complain(error.message));
    });
    strip.append(" ", end);
  }
  strip.hidden = false;
}

new Live(liveURL() + "?trace=0", {
  text(message) {
    if (message.type === "hello") role = message.role ?? role;
    if (message.type === "hello" || message.type === "state") show(message);
    if (message.type === "guard" && latest) show({ ...latest, guard: message });
  },
  binary() {},
  line(up) {
    if (up) return;
    said = "";
    strip.replaceChildren("Bench: not connected");
  },
});
