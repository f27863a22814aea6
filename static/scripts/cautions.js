// The cautions, read once for each rig before the first test on it. They stand in the dock all the time;
// this asks whether somebody has read them. The words are the server's, in the page.

import { ask } from "./api.js";
import { element, setText } from "./page.js";

export class Cautions {
  /** @param {string[] | undefined} read rigs whose cautions somebody has read, "" being a bench without one */
  constructor(read) {
    this.read = new Set((read ?? []).map((name) => name.toLowerCase()));
    this.dialog = /** @type {HTMLDialogElement} */ (element("cautions-dialog"));
    this.rig = "";
    /** @type {() => any} */
    this.then = () => undefined;
    /** @type {(problem: string) => void} */
    this.tell = () => {};
    element("cautions-yes").addEventListener("click", () => this.agree());
  }

  /**
   * Does something at once where the cautions for this rig were read, else once they are.
   * @param {string} rig
   * @param {() => unknown} then what to do
   * @param {(problem: string) => void} tell what went wrong
   */
  before(rig, then, tell) {
    if (this.read.has(rig.toLowerCase())) {
      then();
      return;
    }
    this.rig = rig;
    this.then = then;
    this.tell = tell;
    setText(element("cautions-rig"), rig ? `Once for the rig ${rig}.` : "Once for a bench without a named rig.");
    this.dialog.showModal();
  }

  async agree() {
    this.dialog.close();
    try {
      await ask("POST", "/api/cautions", { rig: this.rig });
      this.read.add(this.rig.toLowerCase());
      await this.then();
    } catch (error) {
      this.tell(error instanceof Error ? error.message : String(error));
    }
  }
}
