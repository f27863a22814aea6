// What is typed of a part, as numbers: a wire's cross-section in mm² or by its gauge, and the small rules of a rig's row.

import { readNumber } from "./unitform.js";

/**
 * The cross-section of a gauge, mm² (ASTM B258: 0.005 inch at 36, each step 92 to the 39th root), or NaN. 1/0 to 4/0, also
 * written 0, 00, 000, 0000.
 * @param {string} text
 */
export function areaOfGauge(text) {
  const t = text.trim().replace(/^awg\s*|\s*awg$/i, "");
  const zeros = /^([1-4])\/0$/.exec(t)?.[1] ?? (/^0{1,4}$/.test(t) ? String(t.length) : "");
  const n = zeros ? 1 - Number(zeros) : /^[1-9]\d?$/.test(t) ? Number(t) : NaN;
  if (!(n >= -3 && n <= 50)) return NaN;
  const mm = 0.127 * 92 ** ((36 - n) / 39);
  return Number(((Math.PI / 4) * mm * mm).toPrecision(4));
}

/**
 * What is wrong with a number that may be left out; empty: nothing.
 * @param {string} text
 */
export function numberProblem(text) {
  const t = text.trim();
  if (!t) return "";
  if (/^-/.test(t) && !Number.isNaN(readNumber(t.slice(1)))) return "It cannot be negative.";
  const v = readNumber(t);
  if (Number.isNaN(v)) return "A number, such as 0.5, without its unit.";
  if (v === 0) return "0 says nothing: leave it empty if it is not known.";
  return "";
}

/**
 * A row with one of its things moved; the row itself where it cannot go there.
 * @template T
 * @param {T[]} row
 * @param {number} from
 * @param {number} to
 */
export function moved(row, from, to) {
  if (from < 0 || from >= row.length || to < 0 || to >= row.length) return row;
  const out = row.toSpliced(from, 1);
  return out.toSpliced(to, 0, row[from]);
}

/**
 * The first of "rig 1", "rig 2" … that is free, or of "bench1 (2)" … where a name is given.
 * @param {string[]} taken
 * @param {string} [like]
 */
export function freeName(taken, like) {
  const has = new Set(taken.map((name) => name.toLowerCase()));
  for (let n = like ? 2 : 1; ; n++) {
    const name = like ? `${like} (${n})` : `rig ${n}`;
    if (!has.has(name.toLowerCase())) return name;
  }
}

/**
 * A part of the shelf as a rig keeps it: without what belongs to the shelf alone.
 * @param {any} part
 */
export function forRig(part) {
  const { id: _id, count: _count, price: _price, ...own } = part;
  return own;
}

/**
 * What is asked, without what is empty or as it is anyway: the address stays short enough to pass on.
 * @param {Iterable<[string, FormDataEntryValue]>} fields
 */
export function shortQuery(fields) {
  /** @type {Record<string, string>} */
  const usual = { in: "times", by: "amps", series: "E12", procedure: "short", steps: "0.5, 0.8, 1, 1.2, 1.5, 2, 3" };
  const out = new URLSearchParams();
  for (const [name, value] of fields) {
    const text = String(value).trim();
    if (text && usual[name] !== text) out.set(name, text);
  }
  return out.toString();
}
