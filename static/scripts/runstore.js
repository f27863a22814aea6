// The readings of a stored run as a page needs them: the whole in columns, and finer ones, down to single
// readings, for what is looked at. What is not there yet is asked for, and until it comes the next coarser
// columns stand in, so that nobody waits while moving.

import { ask } from "./api.js";
import { ColumnStore } from "./columns.js";

/** @typedef {{instrument: string, quantity: string, unit: string}} Channel */
/** @typedef {{from: number, to: number, log: boolean, single: boolean, stores: ColumnStore[]}} Part columns of a stretch of time */

/** Columns asked for: about one a pixel of a wide screen, and as much again on either side. */
const COLUMNS = 1600;
const ASIDE = 0.5;
const MOST_PARTS = 16;
const RESTS_MS = 50;
/** How many columns a power of ten gets on logarithmic time. */
const A_DECADE = 500;
const DECADES = 6;

let versions = 0;
/** A chart tells what it drew by its columns' version: those of two stores are never alike. */
const newVersion = () => --versions;

export class RunStore {
  /**
   * @param {number} id of the run
   * @param {number} mostA the most that the range shows: where a reading beyond it without a number stands; Infinity where unknown
   * @param {() => void} changed called when finer columns came
   * @param {(error: unknown) => void} failed
   */
  constructor(id, mostA, changed, failed) {
    this.id = id;
    this.mostA = mostA;
    this.changed = changed;
    this.failed = failed;
    /** @type {Channel[]} */
    this.channels = [];
    /** @type {Part | null} */
    this.whole = null;
    /** @type {Part[]} the newest first */
    this.parts = [];
    this.asking = false;
    /** @type {{from: number, to: number, log: boolean} | null} */
    this.wanted = null;
  }

  /** Loads the whole run; to be awaited before anything else. */
  async load() {
    const answer = await this.get("", COLUMNS);
    this.channels = answer.channels.map((/** @type {any} */ c) => ({ instrument: c.instrument, quantity: c.quantity, unit: c.unit }));
    this.whole = { from: -Infinity, to: Infinity, log: false, single: answer.channels.every((/** @type {any} */ c) => c.single), stores: answer.channels.map((/** @type {any} */ c) => this.storeOf(c)) };
  }

  /** The channel drawn as the trace. */
  get current() {
    return this.channels.findIndex((c) => c.quantity === "current");
  }

  /**
   * The columns to draw a view of a channel with; asks for finer ones where there are any.
   * @param {{from: number, to: number, log?: boolean}} view
   * @param {number} channel
   * @returns {ColumnStore | null}
   */
  of(view, channel) {
    const need = { from: view.from, to: view.to, log: view.log ?? false };
    const part = bestOf(this.parts, need) ?? this.whole;
    if (!part) return null;
    if (!isFine(part, need)) this.want(need);
    return part.stores[channel] ?? null;
  }

  /** @param {{from: number, to: number, log: boolean}} need */
  want(need) {
    this.wanted = need;
    if (!this.asking) this.next();
  }

  async next() {
    this.asking = true;
    try {
      while (this.wanted) {
        // While somebody moves, the place changes with every frame: what is asked for is where it comes to rest.
        await new Promise((go) => setTimeout(go, RESTS_MS));
        const need = this.wanted;
        this.wanted = null;
        this.parts.unshift(need.log ? await this.logPart(need) : await this.part(need));
        this.parts.length = Math.min(this.parts.length, MOST_PARTS);
        this.changed();
      }
    } catch (error) {
      this.wanted = null;
      this.failed(error);
    } finally {
      this.asking = false;
    }
  }

  /**
   * @param {{from: number, to: number}} need
   * @returns {Promise<Part>}
   */
  async part(need) {
    const aside = ASIDE * (need.to - need.from);
    const [from, to] = [need.from - aside, need.to + aside];
    const answer = await this.get(`from_s=${from}&to_s=${to}&`, Math.round(COLUMNS * (1 + 2 * ASIDE)));
    return { from, to, log: false, single: answer.channels.every((/** @type {any} */ c) => c.single), stores: answer.channels.map((/** @type {any} */ c) => this.storeOf(c)) };
  }

  /**
   * Columns that are as dense in every power of ten.
   * @param {{from: number, to: number}} need
   * @returns {Promise<Part>}
   */
  async logPart(need) {
    const cuts = [need.to];
    for (let t = need.to / 10; t > need.from && cuts.length < DECADES; t /= 10) cuts.unshift(t);
    cuts.unshift(need.from);
    const answers = await Promise.all(cuts.slice(1).map((to, i) => this.get(`from_s=${cuts[i]}&to_s=${to}&`, A_DECADE)));
    const stores = this.channels.map((_, c) => {
      const store = new ColumnStore();
      for (const a of answers) if (a.channels[c]) store.take({ ...this.chunkOf(a.channels[c]), backlog: false });
      store.version = newVersion();
      return store;
    });
    return { from: need.from, to: need.to, log: true, single: false, stores };
  }

  /** @param {any} channel of the samples' answer */
  storeOf(channel) {
    const store = new ColumnStore();
    store.take(this.chunkOf(channel));
    store.version = newVersion();
    return store;
  }

  /** @param {any} channel */
  chunkOf(channel) {
    // What has no number was beyond the range.
    const most = channel.quantity === "current" ? this.mostA : Infinity;
    const values = (/** @type {(number | null)[]} */ v) => Float32Array.from(v, (x) => (x === null ? most : x));
    return { backlog: true, channel: 0, lost: 0, widthS: channel.single ? 0 : (channel.t_s.at(-1) - channel.t_s[0]) / channel.t_s.length, t: Float64Array.from(channel.t_s), min: values(channel.min), max: values(channel.max), flags: Uint8Array.from(channel.flags) };
  }

  /**
   * @param {string} window
   * @param {number} columns
   */
  get(window, columns) {
    return ask("GET", `/api/runs/${this.id}/samples?${window}columns=${columns}`);
  }
}

/**
 * The part that shows a stretch best: single readings, else the narrowest that holds it whole.
 * @param {Part[]} parts
 * @param {{from: number, to: number, log: boolean}} need
 * @returns {Part | null}
 */
export function bestOf(parts, need) {
  let best = null;
  for (const p of parts) {
    if (p.from > need.from || p.to < need.to || (p.log !== need.log && !p.single)) continue;
    if (p.single) return p;
    if (!best || p.to - p.from < best.to - best.from) best = p;
  }
  return best;
}

/**
 * Whether finer columns would not show more.
 * @param {Part} part
 * @param {{from: number, to: number, log: boolean}} need
 */
export function isFine(part, need) {
  if (part.single) return true;
  if (part.log !== need.log) return false;
  return part.log ? part.to <= need.to * 1.01 && part.from >= need.from * 0.99 : part.to - part.from <= 1.6 * (1 + 2 * ASIDE) * (need.to - need.from);
}
