// The lists of the Bench: figures as sentences, events, facts.

import { make, shape } from "./page.js";

/** @typedef {import("./model.js").Line} Line */
/** @typedef {import("./phases.js").Mark} Mark */

/**
 * @param {HTMLElement} list
 * @param {Line[]} lines
 */
export function showFigures(list, lines) {
  if (!isNew(list, lines)) return;
  list.replaceChildren(...lines.map(figure));
}

/**
 * Whether a list has to be made anew: what stays the same can be selected, and is not read again.
 * @param {HTMLElement} list
 * @param {unknown} content
 */
function isNew(list, content) {
  const said = JSON.stringify(content);
  if (list.dataset.said === said) return false;
  list.dataset.said = said;
  return true;
}

/** @param {Line} l */
function figure(l) {
  const value = make("dd", "value");
  if (l.value) {
    if (l.lead) value.append(`${l.lead} `);
    value.append(make("b", "", make("span", l.pm ? "n start n4" : "", l.value)));
    if (l.pm) value.append(" ", make("span", "pm", l.pm));
    if (l.unit) value.append(` ${l.unit}`);
  } else {
    value.append(l.lead || "not resolved");
  }
  const row = make("div", [l.value ? (l.lead ? "is-bound" : "") : "is-words", l.minor ? "is-minor" : ""].join(" ").trim(), make("dt", "", l.say), value, make("dd", "more", l.more ?? ""));
  row.dataset.figure = l.key;
  return row;
}

/**
 * Newest first.
 * @param {HTMLElement} list
 * @param {Mark[]} marks in order of time
 */
export function showEvents(list, marks) {
  if (!isNew(list, marks)) return;
  let retry = 0;
  const rows = marks.map((m) => {
    if (m.kind === "retry_on") retry++;
    const words = make("span", "", numbered(m.say || m.kind, m.kind.startsWith("retry") ? retry : 0));
    for (const aside of asides(m)) words.append(" ", make("em", "", aside));
    const row = make("li", [m.provisional ? "is-provisional" : "", m.by === "hand" ? "by-hand" : ""].join(" ").trim(), make("span", "", eventTime(m.t)), make("i", ""), words);
    row.dataset.kind = m.kind;
    row.dataset.t = String(m.t);
    return row;
  });
  if (!rows.length) rows.push(make("li", "", make("span", ""), make("span", ""), make("span", "soft", "none yet")));
  list.replaceChildren(...rows.reverse());
}

/**
 * "Retry on" of the sixth retry is "Retry 6 on".
 * @param {string} say
 * @param {number} n 0: not numbered
 */
function numbered(say, n) {
  const gap = say.indexOf(" ");
  if (!n || gap < 0) return say;
  return `${say.slice(0, gap)} ${n}${say.slice(gap)}`;
}

/** @param {Mark} m */
function asides(m) {
  const out = [];
  if (m.text) out.push(`“${m.text}”`);
  if (m.level_a) out.push(`${m.level_a.toFixed(2)} A`);
  if (m.provisional) out.push("provisional");
  if (m.by === "hand") out.push("by hand");
  if (m.by === "contact") out.push("by the contact");
  return out;
}

/** @param {number} t */
function eventTime(t) {
  const near = Math.abs(t);
  if (near < 0.0005) return "0.00 s"; // without the minus of a negative nothing
  return `${t.toFixed(near < 0.1 ? 3 : 2).replace("-", "−")} s`;
}

/** @type {Record<string, string>} */
const STATE_SHAPES = { receiving: "live", silent: "unknown", reconnecting: "unknown", unplugged: "fail", garbled: "caution", over_range: "caution" };

/**
 * @param {HTMLElement} list
 * @param {any[]} instruments
 */
export function showInstruments(list, instruments) {
  // The latest reading changes with every message and is not shown here.
  if (!isNew(list, instruments.map(({ latest, ...rest }) => rest))) return;
  const rows = [];
  for (const i of instruments) {
    // The rate has its own row, so a state that is well needs no more than its word.
    const words = i.state === "receiving" ? i.state : i.say || i.state.replace("_", "-");
    if (instruments.length > 1) rows.push(make("dt", "", "Name"), make("dd", "", i.name));
    rows.push(
      make("dt", "", "State"),
      make("dd", "live", shape(STATE_SHAPES[i.state] ?? "unknown"), words.charAt(0).toUpperCase() + words.slice(1)),
      make("dt", "", "What"),
      make("dd", "", `${i.name}, ${i.format}`),
      make("dt", "", "Port"),
      make("dd", "", i.port),
      make("dt", "", "Rate"),
      make("dd", "", rateText(i.rate_hz)),
      make("dt", "", "Lost"),
      make("dd", "", String(i.lost ?? 0)),
      make("dt", "", "Garbled"),
      make("dd", "", i.last_garbled ? `${i.garbled}, last “${i.last_garbled}”` : String(i.garbled ?? 0)),
    );
    if (i.duplicate) rows.push(make("dt", "", "Twice"), make("dd", "", String(i.duplicate)));
    for (const [what, c] of Object.entries(i.calibrations ?? {})) rows.push(make("dt", "", "Calibrated"), make("dd", "", [what, c.made?.slice(0, 10)].filter(Boolean).join(", ")));
    if (i.identity) rows.push(make("dt", "", "Calls itself"), make("dd", "", i.identity));
    if (i.problem) rows.push(make("dt", "", "Problem"), make("dd", "", i.problem));
  }
  if (!instruments.length) rows.push(make("dt", "", "State"), make("dd", "live", shape("unknown"), "None connected"));
  list.replaceChildren(...rows);
}

/** @param {number} hz */
export function rateText(hz) {
  if (!(hz > 0)) return "nothing yet";
  return `${hz >= 100 ? Math.round(hz) : hz.toFixed(1)} readings a second`;
}
