// Units: the rating plate open beside the list.

import { ask } from "./api.js";
import { element, shape } from "./page.js";
import { UnitForm } from "./unitform.js";

const sheet = document.getElementById("sheet");

if (sheet instanceof HTMLFormElement) {
  const id = Number(sheet.dataset.unit);
  new UnitForm(sheet, async (values) => {
    const unit = await ask(id ? "PUT" : "POST", id ? `/api/units/${id}` : "/api/units", values);
    location.assign(id ? "/units" : `/units/${unit.id}`);
  });
  const dialog = /** @type {HTMLDialogElement} */ (element("delete-dialog"));
  document.getElementById("delete")?.addEventListener("click", () => dialog.showModal());
  element("delete-yes").addEventListener("click", async () => {
    dialog.close();
    try {
      await ask("DELETE", `/api/units/${id}`);
      location.assign("/units");
    } catch (error) {
      element("sheet-says").replaceChildren(shape("fail"), error instanceof Error ? error.message : String(error));
    }
  });
}
