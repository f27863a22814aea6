// Changing a rig and the shelf. Every change is kept by the program at once, and can be taken back.

import { ask } from "./api.js";
import { element, isTextField, make, pageData, shape } from "./page.js";
import { PartDialog } from "./rigpart.js";
import { forRig, freeName, moved } from "./rigsize.js";

/** @typedef {(how: {whole?: boolean, rig?: number, focus?: string[]}) => Promise<void>} Refresh */

export class RigEdit {
  /** @param {Refresh} refresh */
  constructor(refresh) {
    /** @type {string[]} what the last change gives the keyboard to */
    this.next = [];
    /** @type {Refresh} */
    this.refresh = (how) => {
      this.next = how.focus ?? [];
      return refresh(how);
    };
    /** @type {{say: string, back: () => Promise<{rig?: number} | void>}[]} */
    this.past = [];
    this.busy = false;
    if (pageData().role !== "operator") return;
    this.parts = new PartDialog(pageData().forms, () => this.goOn());
    /** @type {(name: string) => Promise<void>} */
    this.named = async () => {};
    document.addEventListener("click", (event) => this.clicked(event));
    document.addEventListener("submit", (event) => this.submitted(event));
    document.addEventListener("keydown", (event) => this.key(event));
    for (const button of document.querySelectorAll("dialog [data-close]")) button.addEventListener("click", () => button.closest("dialog")?.close());
  }

  get rig() {
    return pageData().rig;
  }

  /**
   * Does one thing at a time; what goes wrong is said, and nothing else is lost.
   * @param {() => Promise<void>} act
   */
  async run(act) {
    if (this.busy) return;
    this.busy = true;
    element("rig-wrong").replaceChildren();
    try {
      await act();
    } catch (error) {
      element("rig-wrong").replaceChildren(shape("fail"), error instanceof Error ? error.message : String(error));
    } finally {
      this.busy = false;
    }
  }

  /**
   * @param {string} say what was done
   * @param {() => Promise<{rig?: number} | void>} back takes it back
   */
  did(say, back) {
    this.past.push({ say, back });
    this.showUndo();
  }

  /** A dialog that closes gives the keyboard back to a button that is not there any more. */
  goOn() {
    this.next.map((id) => document.getElementById(id)).find((el) => el !== null)?.focus();
  }

  showUndo() {
    const last = this.past.at(-1);
    const bar = document.getElementById("rig-undo");
    if (!bar) return;
    if (!last) {
      bar.replaceChildren();
      return;
    }
    const button = make("button", "btn", "Take it back");
    button.id = "undo-go";
    button.setAttribute("type", "button");
    bar.replaceChildren(make("span", "", last.say), button);
  }

  async undo() {
    const last = this.past.pop();
    if (!last) return;
    try {
      const after = (await last.back()) ?? {};
      await this.refresh({ whole: true, rig: after.rig, focus: ["undo-go", "put-part"] });
    } catch (error) {
      this.past.push(last);
      throw error;
    } finally {
      this.showUndo();
    }
  }

  /**
   * Keeps the rig with other parts.
   * @param {any[]} parts
   * @param {string} say
   * @param {string[]} focus
   */
  async change(parts, say, focus) {
    const was = this.rig;
    if (!was.id) {
      const made = await ask("POST", "/api/rigs", { name: freeName(rigNames()), note: "", parts });
      this.did(`${say} A rig was made for it: ${made.name}.`, () => ask("DELETE", `/api/rigs/${made.id}`));
      await this.refresh({ whole: true, rig: made.id, focus });
      return;
    }
    await ask("PUT", `/api/rigs/${was.id}`, { name: was.name, note: was.note, parts });
    this.did(say, () => ask("PUT", `/api/rigs/${was.id}`, { name: was.name, note: was.note, parts: was.parts }).then(() => ({ rig: was.id })));
    await this.refresh({ focus });
  }

  /** @param {any} part */
  called(part) {
    return part?.name || part?.kind || "part";
  }

  /**
   * @param {any} part
   * @param {number} [at]
   */
  async put(part, at = this.rig.parts?.length ?? 0) {
    const parts = (this.rig.parts ?? []).toSpliced(at, 0, forRig(part));
    await this.change(parts, `Put in: ${this.called(part)}.`, ["put-part"]);
  }

  /**
   * @param {number} from
   * @param {number} to
   * @param {string} button which of the row keeps the focus
   */
  async move(from, to, button) {
    const parts = moved(this.rig.parts, from, to);
    if (parts === this.rig.parts) return;
    await this.change(parts, `Moved: ${this.called(this.rig.parts[from])} is ${to + 1} now.`, [`${button}-${to}`, `down-${to}`, `up-${to}`]);
  }

  /** @param {Event} event */
  clicked(event) {
    const button = event.target instanceof Element ? event.target.closest("button") : null;
    if (!button) return;
    if (button.id === "undo-go") this.run(() => this.undo());
    if (button.id === "starter") this.run(() => this.starter());
    if (button.id === "keep-loads") this.run(() => this.keepLoads(button.dataset.loads ?? "[]"));
    const place = Number(button.closest("tr")?.dataset.place ?? -1);
    const shelf = pageData().parts.find((/** @type {any} */ p) => String(p.id) === button.closest("tr")?.dataset.part);
    switch (button.dataset.do) {
      case "up":
        return this.run(() => this.move(place, place - 1, "up"));
      case "down":
        return this.run(() => this.move(place, place + 1, "down"));
      case "out":
        return this.run(() => this.change(this.rig.parts.toSpliced(place, 1), `Taken out: ${this.called(this.rig.parts[place])}.`, [`out-${place}`, `out-${place - 1}`, "put-part"]));
      case "change":
        return this.changeInRig(place);
      case "put":
        return this.run(() => this.put(shelf));
      case "new-part":
        return this.newPart();
      case "change-part":
        return this.changePart(shelf);
      case "remove-part":
        return this.run(() => this.removePart(shelf));
      case "rig-new":
        return this.askName("A new rig", freeName(rigNames()), (name) => this.add({ name, note: "", parts: [] }, `A new rig: ${name}.`));
      case "rig-copy":
        return this.askName("Save as another rig", freeName(rigNames(), this.rig.name), (name) => this.add({ name, note: this.rig.note, parts: this.rig.parts }, `Saved as ${name}.`));
      case "rig-rename":
        return this.askName("Rename this rig", this.rig.name, (name) => this.rename(name));
      case "rig-remove":
        return this.run(() => this.remove());
    }
  }

  /** @param {SubmitEvent} event */
  submitted(event) {
    const form = event.target;
    if (!(form instanceof HTMLFormElement)) return;
    if (form.id === "put-in") {
      event.preventDefault();
      const part = pageData().parts.find((/** @type {any} */ p) => String(p.id) === select("put-part")?.value);
      const where = select("put-where")?.value ?? "";
      if (part) this.run(() => this.put(part, where === "" ? undefined : Number(where)));
    }
    if (form.id === "name-form") {
      event.preventDefault();
      this.takeName();
    }
  }

  /** @param {KeyboardEvent} event */
  key(event) {
    if (document.querySelector("dialog[open]")) return;
    const row = event.target instanceof Element ? event.target.closest("tr[data-place]") : null;
    if (event.altKey && row instanceof HTMLElement && (event.key === "ArrowUp" || event.key === "ArrowDown")) {
      event.preventDefault();
      const from = Number(row.dataset.place);
      const button = (document.activeElement?.id ?? "").split("-")[0] || "up";
      this.run(() => this.move(from, from + (event.key === "ArrowUp" ? -1 : 1), button));
    } else if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "z" && !event.shiftKey && !isTextField(event.target) && this.past.length) {
      event.preventDefault();
      this.run(() => this.undo());
    }
  }

  async starter() {
    const { added } = await ask("POST", "/api/parts/starter", {});
    await this.refresh({ whole: true, focus: ["put-part"] });
    element("rig-undo").textContent = `${added} parts were put on the shelf. Their ratings are invented; put in those of your own.`;
  }

  /** @param {string} loads */
  async keepLoads(loads) {
    const unit = pageData().unit;
    const kept = await ask("POST", `/api/units/${unit}/forecasts`, { loads: JSON.parse(loads) });
    this.did("The forecast is kept with the unit.", () => ask("DELETE", `/api/units/${unit}/forecasts/${kept.id}`));
    await this.refresh({ focus: ["undo-go"] });
  }

  /** @param {number} place */
  changeInRig(place) {
    const part = this.rig.parts[place];
    this.parts?.open({
      title: `${place + 1} ${this.called(part)}, in the rig ${this.rig.name}`,
      part,
      onShelf: false,
      save: (changed) => this.change(this.rig.parts.with(place, changed), `Changed: ${this.called(changed)}.`, [`change-${place}`]),
    });
  }

  newPart() {
    this.parts?.open({
      title: "A new part on the shelf",
      part: { kind: "fuse" },
      onShelf: true,
      save: async (part) => {
        const made = await ask("POST", "/api/parts", part);
        this.did(`On the shelf: ${made.name}.`, () => ask("DELETE", `/api/parts/${made.id}`));
        await this.refresh({ focus: [`shelf-put-${made.id}`] });
      },
    });
  }

  /** @param {any} was */
  changePart(was) {
    this.parts?.open({
      title: `${was.name}, on the shelf`,
      part: was,
      onShelf: true,
      save: async (part) => {
        await ask("PUT", `/api/parts/${was.id}`, part);
        this.did(`Changed on the shelf: ${part.name}. Rigs keep their own copy.`, () => ask("PUT", `/api/parts/${was.id}`, was));
        await this.refresh({ focus: [`shelf-change-${was.id}`] });
      },
    });
  }

  /** @param {any} was */
  async removePart(was) {
    await ask("DELETE", `/api/parts/${was.id}`);
    this.did(`Removed from the shelf: ${was.name}.`, () => ask("POST", "/api/parts", { ...was, id: 0 }));
    await this.refresh({ focus: ["undo-go"] });
  }

  /**
   * @param {any} rig
   * @param {string} say
   */
  async add(rig, say) {
    const before = this.rig.id;
    const made = await ask("POST", "/api/rigs", rig);
    this.did(say, () => ask("DELETE", `/api/rigs/${made.id}`).then(() => ({ rig: before })));
    await this.refresh({ whole: true, rig: made.id, focus: ["put-part", "starter", "rig-new"] });
  }

  /** @param {string} name */
  async rename(name) {
    const was = this.rig;
    await ask("PUT", `/api/rigs/${was.id}`, { name, note: was.note, parts: was.parts });
    this.did(`Renamed: ${name}, it was ${was.name}.`, () => ask("PUT", `/api/rigs/${was.id}`, { name: was.name, note: was.note, parts: was.parts }));
    await this.refresh({ whole: true, focus: ["rig-rename"] });
  }

  async remove() {
    const was = this.rig;
    await ask("DELETE", `/api/rigs/${was.id}`);
    this.did(`Removed: the rig ${was.name}. Runs keep it as it was.`, () => ask("POST", "/api/rigs", { name: was.name, note: was.note, parts: was.parts }).then((again) => ({ rig: again.id })));
    await this.refresh({ whole: true, rig: 0, focus: ["undo-go"] });
  }

  /**
   * @param {string} title
   * @param {string} name
   * @param {(name: string) => Promise<void>} save
   */
  askName(title, name, save) {
    this.named = save;
    element("name-title").textContent = title;
    element("name-wrong").replaceChildren();
    const input = /** @type {HTMLInputElement} */ (element("name-text"));
    input.value = name;
    /** @type {HTMLDialogElement} */ (element("name-dialog")).showModal();
    input.select();
  }

  async takeName() {
    const input = /** @type {HTMLInputElement} */ (element("name-text"));
    const name = input.value.trim();
    try {
      if (!name) throw new Error("A rig needs a name.");
      await this.named(name);
      /** @type {HTMLDialogElement} */ (element("name-dialog")).close();
      this.goOn();
    } catch (error) {
      element("name-wrong").replaceChildren(shape("fail"), error instanceof Error ? error.message : String(error));
      input.focus();
    }
  }
}

/** @param {string} id */
function select(id) {
  const el = document.getElementById(id);
  return el instanceof HTMLSelectElement ? el : null;
}

function rigNames() {
  return [...(select("ask-rig")?.options ?? [])].map((o) => o.text);
}
