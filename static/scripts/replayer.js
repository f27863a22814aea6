// A replay on a page that otherwise shows the bench as it is: the address names the run, the page plays it as it was
// live, and a bar says so and steers it.

import { isTextField, setText } from "./page.js";

/** @typedef {import("./live.js").Live} Live */
/** @typedef {import("./runreplay.js").Standing} Standing */

/** Steers the replay that the address asks for; does nothing where it asks for none. */
export class Replayer {
  constructor() {
    /** @type {Live | null} */
    this.live = null;
    /** @type {Standing | null} */
    this.standing = null;
    const bar = document.getElementById("replayer");
    if (!bar) return;
    document.body.classList.add("is-replay");
    bar.querySelector("button")?.addEventListener("click", () => this.toggle());
    bar.querySelector("select")?.addEventListener("change", () => this.speed());
    addEventListener("keydown", (event) => {
      if (event.ctrlKey || event.metaKey || event.altKey || event.repeat || isTextField(event.target) || event.key.toLowerCase() !== "p") return;
      event.preventDefault();
      this.toggle();
    });
  }

  /**
   * Takes a message of the socket; only those of a replay mean something here.
   * @param {any} message
   */
  take(message) {
    if (!message.replay) return;
    if (message.type === "hello") this.begin(message.replay);
    this.standing = message.replay;
    const word = document.getElementById("replayer-word");
    if (word) setText(word, message.replay.playing ? "Pause" : "Play");
  }

  /**
   * It plays at once; after a line that broke it goes on where it was.
   * @param {Standing} fresh
   */
  begin(fresh) {
    const before = this.standing;
    this.standing = fresh;
    this.speed();
    if (before) this.live?.send({ do: "go", at_s: before.at_s });
    if (!before || before.playing) this.live?.send({ do: "play" });
  }

  toggle() {
    this.live?.send({ do: this.standing?.playing ? "pause" : "play" });
  }

  speed() {
    const select = /** @type {HTMLSelectElement | null} */ (document.querySelector("#replayer select"));
    if (select) this.live?.send({ do: "speed", times: Number(select.value) });
  }
}
