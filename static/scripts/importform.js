// Runs: files taken in.

import { sentence } from "./api.js";
import { columnsOf, isRunFile } from "./columnnames.js";
import { element, make, shape } from "./page.js";

const dialog = /** @type {HTMLDialogElement} */ (element("import-dialog"));
const form = /** @type {HTMLFormElement} */ (element("import-form"));
const files = /** @type {HTMLInputElement} */ (element("import-files"));
const trace = /** @type {HTMLFieldSetElement} */ (element("import-trace"));
const go = /** @type {HTMLButtonElement} */ (element("import-go"));
const says = element("import-says");
const way = element("import-way");
const bar = /** @type {HTMLProgressElement} */ (element("import-progress"));
const waySays = element("import-way-says");

let imported = false;
element("import").addEventListener("click", () => dialog.showModal());
dialog.addEventListener("close", () => {
  if (imported) location.assign("/runs");
});

files.addEventListener("change", async () => {
  says.replaceChildren();
  const chosen = [...(files.files ?? [])];
  const traces = chosen.filter((f) => !isRunFile(f.name));
  trace.hidden = !traces.length;
  const table = traces.find((f) => !/\.(cfg|cff|dat|hdr|inf)$/i.test(f.name));
  const columns = table ? columnsOf(await table.slice(0, 65536).text()) : [];
  for (const id of ["import-time", "import-current", "import-voltage"]) {
    const select = /** @type {HTMLSelectElement} */ (element(id));
    const first = select.options[0];
    select.replaceChildren(first, ...columns.map((c) => new Option(c.say, c.value)));
    select.disabled = !columns.length;
  }
});

form.addEventListener("submit", (event) => {
  event.preventDefault();
  if (!files.files?.length) {
    wrong("Choose at least one file.");
    files.focus();
    return;
  }
  send(new FormData(form));
});

/** @param {FormData} data */
function send(data) {
  const request = new XMLHttpRequest();
  request.open("POST", "/api/import");
  request.upload.addEventListener("progress", (e) => {
    if (!e.lengthComputable) return;
    bar.value = e.loaded / e.total;
    waySays.textContent = `${Math.round((100 * e.loaded) / e.total)} % sent`;
  });
  request.upload.addEventListener("load", () => {
    bar.removeAttribute("value");
    waySays.textContent = "Being read and derived";
  });
  request.addEventListener("loadend", () => {
    way.hidden = true;
    go.disabled = false;
    answered(request);
  });
  says.replaceChildren();
  element("import-done").replaceChildren();
  bar.value = 0;
  waySays.textContent = "Being sent";
  way.hidden = false;
  go.disabled = true;
  request.send(data);
}

/** @param {XMLHttpRequest} request */
function answered(request) {
  let value = null;
  try {
    value = JSON.parse(request.responseText);
  } catch {
    // Not JSON: the status says enough.
  }
  if (request.status !== 200 || !value?.runs) {
    const said = value?.error;
    wrong(said ? [stopped(said.text), said.hint ? sentence(said.hint) : ""].join(" ").trim() : request.status ? `The program answered ${request.status}.` : "The program does not answer. Is it still running?");
    return;
  }
  imported = true;
  element("import-done").replaceChildren(
    ...value.runs.map((/** @type {any} */ r) => {
      const link = /** @type {HTMLAnchorElement} */ (make("a", "", `Run ${r.id}`));
      link.href = `/runs/${r.id}`;
      const unit = r.unit || "a unit without a name";
      return make("li", "", shape("pass"), link, r.known ? `of ${unit}: was here already and stays as it is` : `of ${unit}: imported`, ...(r.said ?? []).map((/** @type {string} */ s) => make("em", "", s)));
    }),
  );
  files.value = "";
  trace.hidden = true;
  element("import-close").focus();
}

/**
 * As a sentence ends, but with the case of what it begins with: a file's name.
 * @param {string} text
 */
function stopped(text) {
  return /[.?!]$/.test(text) ? text : `${text}.`;
}

/** @param {string} text */
function wrong(text) {
  says.replaceChildren(shape("fail"), text);
}
