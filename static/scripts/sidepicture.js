// Pictures of runs side by side, to be saved. Used by the page and by the file that is saved of it.

/** @typedef {import("./sidechart.js").SideChart} SideChart */

/**
 * @param {SideChart} chart
 * @param {string} name of the file, without its ending
 * @param {(error: unknown) => void} fail
 */
export function offerPictures(chart, name, fail) {
  for (const button of /** @type {NodeListOf<HTMLElement>} */ (document.querySelectorAll("[data-picture]"))) {
    button.addEventListener("click", () => {
      try {
        const kind = button.dataset.picture === "png" ? "png" : "svg";
        const made = chart.picture(kind);
        save(kind === "png" ? bytesOf(made) : new Blob([made], { type: "image/svg+xml" }), `${name}.${kind}`);
      } catch (error) {
        fail(error);
      }
    });
  }
}

/**
 * A data address as bytes.
 * @param {string} address
 */
function bytesOf(address) {
  const text = atob(address.slice(address.indexOf(",") + 1));
  return new Blob([Uint8Array.from(text, (c) => c.charCodeAt(0))], { type: "image/png" });
}

/**
 * @param {Blob} blob
 * @param {string} name
 */
function save(blob, name) {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(blob);
  link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10_000);
}

/**
 * A window in words.
 * @param {{from: number, to: number}} w
 * @param {string} zero what its times count from
 */
export function windowText(w, zero) {
  const digits = Math.min(6, Math.max(0, 2 - Math.floor(Math.log10(w.to - w.from))));
  const text = (/** @type {number} */ v) => v.toFixed(digits).replace("-", "−");
  return `${text(w.from)} to ${text(w.to)} s ${zero}`;
}
