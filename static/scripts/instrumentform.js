// The form that adds or changes an instrument. What is right for a line the program itself says.

import { ask } from "./api.js";
import { argumentOf } from "./argument.js";
import { element, setText, shape } from "./page.js";
import { removeWithUndo } from "./removal.js";

export function instrumentForm() {
  const form = document.getElementById("sheet");
  if (!(form instanceof HTMLFormElement)) return;
  const path = form.dataset.path;

  /** @param {string} name */
  const value = (name) => {
    const field = form.elements.namedItem(name);
    return field && "value" in field ? String(field.value) : "";
  };
  const says = element("sheet-says");
  /** @param {unknown} error */
  const complain = (error) => {
    says.replaceChildren(shape("fail"), error instanceof Error ? error.message : String(error));
    says.scrollIntoView({ block: "center" }); // it stands below all the options
  };

  const line = () => {
    const format = value("format");
    /** @type {[string, string][]} */
    const options = [];
    for (const input of form.querySelectorAll("[data-option]")) {
      const own = input.closest("[data-format]");
      if (input instanceof HTMLInputElement && (!(own instanceof HTMLElement) || own.dataset.format === format)) options.push([input.dataset.option ?? "", input.value]);
    }
    return argumentOf({ name: value("name"), format, port: value("port") || value("other"), options });
  };
  const refresh = () => {
    for (const part of form.querySelectorAll("[data-format]")) {
      if (part instanceof HTMLElement) part.hidden = part.dataset.format !== value("format");
    }
    element("other-field").hidden = value("port") !== "";
    setText(element("argument"), line());
  };
  form.addEventListener("input", refresh);
  form.addEventListener("change", refresh);
  refresh();

  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    says.replaceChildren();
    for (const [name, problem] of [["name", "An instrument needs a name."], ["other", "Say which port it is on."]]) {
      const field = form.elements.namedItem(name);
      if (field instanceof HTMLInputElement && field.value.trim() === "" && !(name === "other" && value("port"))) {
        complain(problem);
        field.focus();
        return;
      }
    }
    const wait = form.elements.namedItem("wait");
    const body = { spec: line(), note: value("note"), wait: wait instanceof HTMLInputElement && wait.checked };
    try {
      await ask(path ? "PUT" : "POST", path || "/api/instruments", body);
      location.assign("/instruments");
    } catch (error) {
      complain(error);
    }
  });

  if (!path) return;
  const row = [...document.querySelectorAll("[data-instrument]")].find((r) => r instanceof HTMLElement && r.dataset.instrument === form.dataset.name);
  const each = [form.closest("section"), row].filter((el) => el instanceof HTMLElement);
  document.getElementById("remove")?.addEventListener("click", () => {
    removeWithUndo({
      path,
      say: `${form.dataset.name} is removed, with how it is set up and calibrated. Runs keep what they know of it.`,
      hide: () => each.forEach((el) => (el.hidden = true)),
      show: () => each.forEach((el) => (el.hidden = false)),
      failed: complain,
    });
  });
}
