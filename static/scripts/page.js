// What every page script needs: elements by name, the data the server put into the page, and text
// built without markup.

/**
 * The element with this id; a page without it is a mistake of ours.
 * @param {string} id
 * @returns {HTMLElement}
 */
export function element(id) {
  const el = document.getElementById(id);
  if (!el) throw new Error(`the page has no element #${id}`);
  return el;
}

/** What the server put into the page for its script. */
export function pageData() {
  return JSON.parse(element("page-data").textContent ?? "{}");
}

/**
 * A new element with text or children in it.
 * @param {string} tag
 * @param {string} className
 * @param {...(string | Node)} children
 */
export function make(tag, className, ...children) {
  const el = document.createElement(tag);
  if (className) el.className = className;
  el.append(...children);
  return el;
}

/**
 * One of the shapes of the page: state is a word and a shape, never a colour alone.
 * @param {string} name
 */
export function shape(name) {
  const ns = "http://www.w3.org/2000/svg";
  const svg = document.createElementNS(ns, "svg");
  svg.setAttribute("class", "shape");
  svg.setAttribute("aria-hidden", "true");
  const use = document.createElementNS(ns, "use");
  use.setAttribute("href", `#s-${name}`);
  svg.append(use);
  return svg;
}

/**
 * Sets text only where it differs, so that nothing is read aloud or laid out again for nothing.
 * @param {HTMLElement} el
 * @param {string} text
 */
export function setText(el, text) {
  if (el.textContent !== text) el.textContent = text;
}

/**
 * Seconds for the clock: two decimals, a real minus sign.
 * @param {number} s
 */
export function clockText(s) {
  return (Number.isFinite(s) ? s.toFixed(2).replace("-", "−") : "0.00") + " s";
}

/**
 * The unit's plate in a few words, as the server writes it.
 * @param {any} unit
 */
export function plateText(unit) {
  const parts = [];
  if (unit?.rated_voltage_v > 0) parts.push(`${unit.rated_voltage_v} V`);
  if (unit?.rated_current_a > 0) parts.push(`${unit.rated_current_a} A`);
  return parts.join(", ") || "rating unknown";
}

/**
 * Whether the key belongs to what is being typed.
 * @param {EventTarget | null} target
 */
export function isTextField(target) {
  if (!(target instanceof HTMLElement)) return false;
  if (target instanceof HTMLInputElement) return !["checkbox", "radio", "button", "submit", "range"].includes(target.type);
  return target instanceof HTMLTextAreaElement || target instanceof HTMLSelectElement || target.isContentEditable;
}
