// What a page shows of a trace: the whole, the close look beside it, and the further channels below;
// with the gestures, keys and buttons by which a person looks nearer. Used by every page with a trace.

import { TraceChart } from "./chart.js";
import { lookKey, pointTo, watchChart } from "./gestures.js";
import { Lens } from "./lens.js";
import { element, isTextField, make, setText } from "./page.js";
import { closePicture, lanePicture, limitsOf, logPicture, lookPicture } from "./pictures.js";

/** @typedef {import("./chart.js").Picture} Picture */
/** @typedef {{channel: {instrument: string, quantity: string, unit: string}, store: import("./columns.js").ColumnStore, index: number}} Other a further channel */

const PARTS = 5; // of the current axis

export class LookPanel {
  /**
   * The page has #views with #close-view, #close, #close-title, #whole-view, #whole, #whole-title, and,
   * where the buttons are wanted, #look; where further channels may come, #lanes.
   * @param {any} option the server's option object
   * @param {Record<string, string>} words what the phases are called
   * @param {{whole: string}} titles
   */
  constructor(option, words, titles) {
    this.option = option;
    this.words = words;
    this.titles = titles;
    this.lens = new Lens();
    this.whole = new TraceChart(element("whole"), option, words);
    this.close = new TraceChart(element("close"), option, words);
    /** @type {Map<number, {chart: TraceChart, host: HTMLElement}>} by channel */
    this.lanes = new Map();
    /** @type {Picture | null} */
    this.picture = null;
    /** @type {Other[]} */
    this.others = [];
    /** @type {{from: number, to: number} | null} the close look now */
    this.near = null;
    /** @type {(view: import("./frame.js").View, channel: number | null) => import("./columns.js").ColumnStore | null} finer columns of a view, where a page has any; null: those of the trace */
    this.fine = () => null;
    /** @type {Picture["layer"]} what a page draws over the close look */
    this.closeLayer = undefined;
    /** @type {(text: string) => void} says what keys point to */
    this.speak = () => {};
    this.acts = {
      lens: this.lens,
      limits: () => (this.picture ? limitsOf(this.picture) : { from: 0, to: 1, leastS: 1e-3 }),
      shown: () => this.near ?? this.picture?.view ?? { from: 0, to: 1 },
      changed: () => this.again(),
      charts: [this.close, this.whole],
    };
    watchChart(this.whole, this.acts, true);
    watchChart(this.close, this.acts, false);
    for (const button of document.querySelectorAll("#look [data-key]")) {
      button.addEventListener("click", () => this.press(/** @type {HTMLElement} */ (button).dataset.key ?? ""));
    }
  }

  again() {
    if (this.picture) this.show(this.picture, this.others);
  }

  /** @param {string} key */
  press(key) {
    if (!this.picture) return false;
    if (key === "," || key === ".") return this.step(key === "." ? 1 : -1);
    return lookKey(key, this.acts);
  }

  /**
   * Takes a key where nothing is typed and nothing else wants it.
   * @param {KeyboardEvent} event
   */
  key(event) {
    if (event.defaultPrevented || event.ctrlKey || event.metaKey || event.altKey || isTextField(event.target)) return;
    if (document.querySelector("dialog[open]")) return;
    const arrow = event.key.startsWith("Arrow");
    // An arrow on what scrolls or is chosen by arrows stays its own.
    if (arrow && (!this.near || (event.target instanceof Element && event.target.closest("[tabindex], [role=radio], select, summary")))) return;
    if (this.press(event.key)) event.preventDefault();
  }

  /**
   * The pointer a reading on or back; from the right edge where it points nowhere yet.
   * @param {1 | -1} way
   */
  step(way) {
    const { store, zeroS } = this.picture ?? { store: null, zeroS: 0 };
    if (!store?.length) return false;
    const shown = this.acts.shown();
    const from = this.close.pointed ?? (way > 0 ? shown.from : Math.min(shown.to, store.newestS - zeroS));
    let i = store.firstAtOrAfter(from + zeroS + (way > 0 ? 1e-9 : -1e-9));
    if (way < 0) i--;
    if (i < store.start || i >= store.n) return true;
    const t = store.t[i] - zeroS;
    if (this.lens.chosen && (t < shown.from || t > shown.to)) this.lens.pan(shown, way * 0.5, this.acts.limits());
    pointTo(this.acts, t, this.near ? this.close : this.whole);
    this.again();
    this.speak(`${t.toFixed(4)} seconds, ${store.max[i].toFixed(3)} amperes`);
    return true;
  }

  /** The look of a new run is the page's own again. */
  forget() {
    this.lens.whole();
    this.lens.log = false;
    pointTo(this.acts, null, this.close);
  }

  /**
   * Shows a picture; `others` are the further channels.
   * @param {Picture} picture
   * @param {Other[]} [others]
   */
  show(picture, others = []) {
    this.picture = picture;
    this.others = others;
    for (const c of this.acts.charts) c.words = this.words;
    const { lens } = this;
    const views = element("views");
    const reached = picture.view.stretches.at(-1)?.to ?? picture.view.to;
    const chosen = picture.view.waiting ? null : lens.at(reached);
    const log = lens.log && !picture.view.waiting && picture.view.to > 0;
    // On logarithmic time the beginning has room enough on the whole.
    let near = chosen ? lookPicture(picture, chosen, PARTS) : log ? null : closePicture(picture, views.clientWidth);
    if (near && log) near = logPicture(near);
    if (near) near = { ...near, store: this.fine(near.view, null) ?? near.store, layer: this.closeLayer };
    this.near = near ? { from: near.view.from, to: near.view.to } : null;
    if (views.classList.contains("has-close") !== (near !== null)) {
      views.classList.toggle("has-close", near !== null);
      element("close-view").hidden = near === null;
    }
    if (near) {
      setText(element("close-title"), chosen ? this.lookTitle(near.view) : `The first ${plain(Number(near.view.to.toPrecision(2)))} s`);
      setText(element("whole-title"), this.titles.whole);
      this.close.show(near);
      // The words stand on the close look; beside it the whole keeps only what comes later.
      this.whole.show({ ...picture, view: { ...picture.view, part: chosen ? this.near : null }, lines: picture.lines.filter((l) => l.key.startsWith("retry")) });
    } else {
      const whole = log ? logPicture(picture) : picture;
      this.whole.show({ ...whole, store: (log ? this.fine(whole.view, null) : null) ?? whole.store });
    }
    this.showLanes(chosen && near ? near : log ? logPicture(picture) : picture, others);
    this.showActs(log);
  }

  /** @param {{from: number, to: number}} w */
  lookTitle(w) {
    const decimals = Math.min(5, Math.max(0, Math.ceil(1 - Math.log10(Math.max(w.to - w.from, 1e-6)))));
    const at = (/** @type {number} */ t) => t.toFixed(decimals).replace("-", "−");
    return this.lens.follows ? `The newest ${(w.to - w.from).toPrecision(2)} s` : `A close look, ${at(w.from)} to ${at(w.to)} s`;
  }

  /**
   * @param {Picture} picture
   * @param {Other[]} others
   */
  showLanes(picture, others) {
    const room = document.getElementById("lanes");
    if (!room) return;
    for (const [index, lane] of this.lanes) {
      if (others.some((o) => o.index === index)) continue;
      lane.host.remove();
      this.acts.charts = this.acts.charts.filter((c) => c !== lane.chart);
      this.lanes.delete(index);
    }
    const names = new Set(others.map((o) => o.channel.quantity));
    for (const { channel, store, index } of others) {
      const shown = lanePicture(picture, channel, this.fine(picture.view, index) ?? store, names.size < others.length || channel.quantity === "current");
      let lane = this.lanes.get(index);
      if (!lane) {
        const host = make("div", "trace is-lane");
        host.setAttribute("role", "img");
        host.setAttribute("aria-label", `${shown.name} over the same time`);
        room.append(host);
        lane = { host, chart: new TraceChart(host, this.option, this.words, true) };
        this.lanes.set(index, lane);
        this.acts.charts.push(lane.chart);
        watchChart(lane.chart, this.acts, false);
      }
      lane.chart.show(shown);
    }
  }

  /** @param {boolean} log */
  showActs(log) {
    const press = (/** @type {string} */ key, /** @type {boolean} */ on) => {
      const button = document.querySelector(`#look [data-key="${key}"]`);
      if (button && button.getAttribute("aria-pressed") !== String(on)) button.setAttribute("aria-pressed", String(on));
    };
    press("f", this.lens.follows);
    press("t", log);
    const all = document.querySelector('#look [data-key="w"]');
    if (all instanceof HTMLButtonElement) all.disabled = !this.lens.chosen;
  }
}

/** @param {number} n */
const plain = (n) => String(Math.round(n * 1000) / 1000);
