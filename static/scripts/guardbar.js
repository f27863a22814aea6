// The guard in the dock: how much the rig's weakest part has used of what it stands, what this hold still
// needs, and the seconds to "open the contact".

import { element, setText } from "./page.js";

/**
 * What the state says of the guard; see the help page on the interface.
 * @typedef {object} Guard
 * @property {string} part
 * @property {number | null} used
 * @property {number | null} seconds_left
 * @property {string} level quiet, well, half, near, limit
 * @property {string} text
 * @property {number | null} hold_uses
 * @property {boolean | null} lasts
 * @property {boolean} open_now
 * @property {number} rest_s
 */

/** The bar's own units: it reaches a little beyond what the part stands. */
export const BAR = 480;

/**
 * What the bar and the words beside it show.
 * @param {Guard | null | undefined} guard
 * @returns {{kind: "quiet" | "well" | "near" | "open", left: string, seconds: string, used: number, next: number}}
 */
export function guardView(guard) {
  const used = Math.min(Math.max(guard?.used ?? 0, 0), 1) * BAR;
  if (!guard || guard.level === "quiet") return { kind: "quiet", left: "", seconds: "", used: 0, next: 0 };
  const next = Math.min(Math.max(guard.hold_uses ?? 0, 0), 1) * BAR - used;
  const view = { left: "", seconds: "", used, next: Math.max(0, next) };
  if (guard.open_now) return { ...view, kind: "open", left: "Open the contact now", next: 0 };
  const near = guard.lasts === false || guard.level === "near" || guard.level === "limit";
  if (guard.seconds_left !== null && guard.seconds_left !== undefined) {
    return { ...view, kind: near ? "near" : "well", left: "Open the contact in", seconds: secondsText(guard.seconds_left) };
  }
  return { ...view, kind: guard.level === "limit" ? "near" : "well", left: guard.rest_s > 0.5 ? "Rest before the next" : (guard.used ?? 0) < 0.005 ? "Ready" : "Stands it", seconds: guard.rest_s > 0.5 ? secondsText(guard.rest_s) : "" };
}

/**
 * Seconds of a countdown: always down, so that it never promises more than there is.
 * @param {number} s
 */
export function secondsText(s) {
  if (s >= 5999) return "100 min or more";
  if (s >= 120) return `${Math.floor(s / 60)} min`;
  return `${s < 10 ? (Math.floor(s * 10) / 10).toFixed(1) : Math.floor(s)} s`;
}

export class GuardBar {
  constructor() {
    this.row = element("guard");
    this.controls = this.row.parentElement;
    this.said = "";
  }

  /**
   * @param {Guard | null | undefined} guard
   * @param {string} mode of the page
   */
  show(guard, mode) {
    const view = guardView(guard);
    const hidden = !guard || (mode === "idle" && (view.kind === "quiet" || (guard.used ?? 0) < 0.005)) || (mode === "after" && view.kind === "quiet");
    if (this.row.hidden !== hidden) this.row.hidden = hidden;
    if (hidden || !guard) {
      this.paint("well");
      return;
    }
    this.paint(view.kind);
    this.row.dataset.kind = view.kind;
    setText(element("guard-part"), view.kind === "quiet" ? "quiet" : view.kind === "open" ? `${guard.part} used up` : guard.part);
    setText(element("guard-left"), view.left);
    setText(element("guard-seconds"), view.seconds);
    setText(element("guard-says"), guard.text);
    const key = `${view.used.toFixed(0)} ${view.next.toFixed(0)}`;
    if (key === this.said) return;
    this.said = key;
    element("guard-used").setAttribute("width", view.used.toFixed(1));
    element("guard-next").setAttribute("x", view.used.toFixed(1));
    element("guard-next").setAttribute("width", view.next.toFixed(1));
    element("guard-bar").setAttribute("aria-label", `${Math.round((guard.used ?? 0) * 100)} percent of what it stands is used${guard.hold_uses ? `, ${Math.round(guard.hold_uses * 100)} percent when the hold ends` : ""}`);
  }

  /** @param {string} kind */
  paint(kind) {
    this.controls?.classList.toggle("controls--near", kind === "near");
    this.controls?.classList.toggle("controls--open", kind === "open");
  }
}
