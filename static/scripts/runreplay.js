// The replay of a stored run: a socket of its own on which the run comes once more as it was live, the bar that
// steers it, and where it stands now.

import { showFigures } from "./lists.js";
import { BenchModel } from "./model.js";
import { element, setText, shape } from "./page.js";

/** @typedef {{playing: boolean, speed: number, at_s: number, from_s: number, to_s: number, loop_s: [number, number] | null, ended: boolean}} Standing */
/** @typedef {import("./phases.js").Stretch} Stretch */

export class Replay {
  /**
   * @param {number} run
   * @param {{moved: () => void, spoke: (text: string) => void}} hooks
   */
  constructor(run, hooks) {
    this.run = run;
    this.hooks = hooks;
    this.model = new BenchModel();
    /** @type {WebSocket | null} */
    this.socket = null;
    /** @type {any[]} asked before the line was up */
    this.waiting = [];
    /** @type {Standing | null} null: nobody has asked for a replay yet */
    this.standing = null;
    this.heardMS = 0;
    /** @type {Set<string>} */
    this.spoken = new Set();
  }

  /** Whether a replay is looked at, and not all of the run. */
  get on() {
    return this.standing !== null && !(this.standing.ended && !this.standing.playing);
  }

  get playing() {
    return this.standing?.playing ?? false;
  }

  /** Where it stands now, in seconds from the run's zero: told now and then, in between it follows the clock. */
  get atS() {
    const s = this.standing;
    if (!s) return NaN;
    if (!s.playing) return s.at_s;
    const at = s.at_s + ((performance.now() - this.heardMS) / 1000) * s.speed;
    return Math.min(at, s.loop_s ? s.loop_s[1] : s.to_s);
  }

  /** @param {any} what */
  ask(what) {
    if (this.socket?.readyState === WebSocket.OPEN) {
      this.socket.send(JSON.stringify(what));
      return;
    }
    this.waiting.push(what);
    if (!this.socket) this.connect();
  }

  connect() {
    const scheme = location.protocol === "https:" ? "wss://" : "ws://";
    const socket = new WebSocket(`${scheme}${location.host}/live?replay=${this.run}&trace=0`);
    this.socket = socket;
    // A line that broke begins anew where it was.
    const before = this.standing;
    socket.onopen = () => {
      if (before && !this.waiting.some((w) => w.do === "go")) this.waiting.unshift({ do: "speed", times: before.speed }, { do: "go", at_s: before.at_s });
      for (const what of this.waiting.splice(0)) socket.send(JSON.stringify(what));
    };
    socket.onmessage = (event) => {
      if (typeof event.data === "string") this.take(JSON.parse(event.data));
    };
    socket.onclose = () => {
      if (this.socket !== socket) return;
      this.socket = null;
      this.waiting = [];
      if (this.standing) this.standing = { ...this.standing, playing: false };
      this.wrong("The replay broke off: the program does not answer, or the run is gone. Try again in a moment.");
      this.hooks.moved();
    };
  }

  /** @param {any} message */
  take(message) {
    if (message.type === "error") this.wrong(message.text);
    if (message.replay) {
      this.standing = message.replay;
      this.heardMS = performance.now();
    }
    if (this.model.take(message) === "mark" && this.playing) this.speak(message);
    if (message.type === "rewound") this.spoken.clear();
    this.hooks.moved();
  }

  /** @param {any} m */
  speak(m) {
    if (m.withdrawn || this.spoken.has(`${m.id}`)) return;
    this.spoken.add(`${m.id}`);
    this.hooks.spoke(`${m.say} at ${m.t_s.toFixed(2)} seconds`);
  }

  /** @param {string} text */
  wrong(text) {
    element("replay-says").replaceChildren(shape("fail"), text);
  }

  toggle() {
    element("replay-says").replaceChildren();
    if (this.playing) {
      this.ask({ do: "pause" });
      return;
    }
    this.sendSpeed();
    this.ask({ do: "play" });
  }

  sendSpeed() {
    const times = Number(/** @type {HTMLSelectElement} */ (element("speed")).value);
    if (!this.standing || this.standing.speed !== times) this.ask({ do: "speed", times });
  }

  /** @param {number} t seconds from the run's zero */
  go(t) {
    // Shown at once, so that a second key goes on from there; what had been seen by then follows.
    const before = this.standing ?? { playing: false, speed: 1, at_s: t, from_s: -Infinity, to_s: Infinity, loop_s: null, ended: false };
    this.standing = { ...before, at_s: t, ended: false };
    this.heardMS = performance.now();
    this.ask({ do: "go", at_s: t });
    this.hooks.moved();
  }

  /** Back to all of the run. */
  leave() {
    if (!this.standing) return;
    this.socket?.close();
    this.socket = null;
    this.standing = null;
    this.model.forgetRun();
    element("replay-says").replaceChildren();
    this.hooks.moved();
  }
}

/**
 * The mark before an instant or after it; null where there is none.
 * @param {number[]} times in order
 * @param {number} t
 * @param {1 | -1} way
 */
export function markFrom(times, t, way) {
  const off = 1e-6;
  if (way > 0) return times.find((m) => m > t + off) ?? null;
  return times.findLast((m) => m < t - off) ?? null;
}

/**
 * The phase that an instant lies in, null where it lies in none.
 * @param {Stretch[]} stretches
 * @param {number} t
 */
export const phaseAt = (stretches, t) => stretches.find((s) => t >= s.from && t < s.to) ?? null;

/** A mark's own instant belongs to what begins there. */
const AFTER = 1e-7;

/**
 * Shows the bar, and beside it what had been found by then.
 * @param {Replay} replay
 * @param {Record<string, string>} words of the phases
 * @param {Stretch[]} stretches
 */
export function showReplay(replay, words, stretches) {
  const play = element("replay-play");
  const label = replay.playing ? "Pause" : "Play";
  if (play.dataset.said !== label) {
    play.dataset.said = label;
    setText(element("replay-play-word"), label);
    play.querySelector("use")?.setAttribute("href", replay.playing ? "#s-pause" : "#s-play");
  }
  const loop = element("replay-loop");
  const looped = replay.standing?.loop_s ?? null;
  loop.setAttribute("aria-pressed", String(looped !== null));
  const phase = phaseAt(stretches, (looped ? looped[0] : Number.isFinite(replay.atS) ? replay.atS : 0) + AFTER);
  setText(element("replay-loop-word"), `Loop ${phase && phase.phase !== "idle" ? `the ${(words[phase.phase] ?? phase.phase).toLowerCase()}` : "what is shown"}`);
  document.body.classList.toggle("is-replaying", replay.on);
  element("replay-leave").hidden = !replay.standing;
  element("replay-so-far").hidden = !replay.on;
  element("figures-kept").hidden = replay.on;
  if (!replay.on) return;
  setText(element("replay-at"), `${replay.atS.toFixed(2).replace("-", "−")} s`);
  setText(element("replay-behaviour"), replay.model.behaviour || "Nothing to say yet");
  showFigures(element("replay-figures"), replay.model.lines);
}
