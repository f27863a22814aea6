// What part of the trace the close look shows. By itself it shows the beginning of the fault, or
// nothing; a person may zoom, move it, let it follow the newest reading or hold it still. Pure.

import { alongOf } from "./timeaxis.js";

/** @typedef {{from: number, to: number}} Window in seconds from the run's zero */
/** @typedef {{from: number, to: number, leastS: number}} Limits what there is to be looked at, and the narrowest look that means something */

/** Behind the newest reading this share of a look that follows stays blank. */
const AHEAD = 0.08;

export class Lens {
  constructor() {
    /** @type {Window | null} null: the page's own choice */
    this.window = null;
    this.follows = false;
    this.log = false;
  }

  /** Whether a person chose what is shown. */
  get chosen() {
    return this.window !== null;
  }

  /**
   * The window to show now, null where the page's own choice holds.
   * @param {number} reachedS the newest reading
   * @returns {Window | null}
   */
  at(reachedS) {
    if (!this.window || !this.follows || !Number.isFinite(reachedS)) return this.window;
    const width = this.window.to - this.window.from;
    const to = reachedS + AHEAD * width;
    return { from: to - width, to };
  }

  /** Back to the page's own choice. */
  whole() {
    this.window = null;
    this.follows = false;
  }

  /**
   * Follows the newest reading from now on.
   * @param {Window} shown
   */
  follow(shown) {
    this.window = { ...shown };
    this.follows = true;
  }

  /**
   * Holds still what is shown.
   * @param {Window} shown
   */
  still(shown) {
    this.window = { ...shown };
    this.follows = false;
  }

  /**
   * Shows this window and holds it.
   * @param {number} a seconds
   * @param {number} b seconds
   * @param {Limits} limits
   */
  select(a, b, limits) {
    this.take({ from: Math.min(a, b), to: Math.max(a, b) }, limits, false);
  }

  /**
   * Nearer or further, with one instant staying where it is. A look that follows goes on following.
   * @param {Window} shown
   * @param {number} factor below 1: nearer
   * @param {number} atS the instant that stays
   * @param {Limits} limits
   * @returns {boolean} whether anything changed
   */
  zoom(shown, factor, atS, limits) {
    const { u, t } = alongOf(this);
    const [a, b] = [u(shown.from), u(shown.to)];
    const middle = Math.min(Math.max(u(atS), a), b);
    return this.take({ from: t(middle - (middle - a) * factor), to: t(middle + (b - middle) * factor) }, limits, this.follows);
  }

  /**
   * Moves by a share of the look's width; to the right where it is positive. It then holds still.
   * @param {Window} shown
   * @param {number} share
   * @param {Limits} limits
   */
  pan(shown, share, limits) {
    const { u, t } = alongOf(this);
    let by = share * (u(shown.to) - u(shown.from));
    // At the ends it stops instead of becoming narrower.
    by = Math.min(by, Math.max(0, u(limits.to) - u(shown.to)));
    by = Math.max(by, Math.min(0, u(limits.from) - u(shown.from)));
    return this.take({ from: t(u(shown.from) + by), to: t(u(shown.to) + by) }, limits, false);
  }

  /**
   * @param {Window} w
   * @param {Limits} limits
   * @param {boolean} follows
   */
  take(w, limits, follows) {
    let { from, to } = w;
    if (!(to > from)) return false;
    if (to - from < limits.leastS) {
      const middle = (from + to) / 2;
      [from, to] = [middle - limits.leastS / 2, middle + limits.leastS / 2];
    }
    // Beyond an end there is nothing: what was to be seen there is added at the other.
    if (from < limits.from) [from, to] = [limits.from, to + (this.log ? 0 : limits.from - from)];
    if (!follows && to > limits.to) [from, to] = [Math.max(limits.from, from - (this.log ? 0 : to - limits.to)), limits.to];
    if (!(to > from)) return false;
    const before = this.window;
    // All there is: that is what the page shows by itself.
    if (!this.log && from <= limits.from && to >= limits.to) this.whole();
    else {
      this.window = { from, to };
      this.follows = follows;
    }
    return before?.from !== this.window?.from || before?.to !== this.window?.to;
  }
}
