// What one sees of a run stands in its address, so that a link shows the same: the close look, logarithmic time, where
// a replay stands, the figure that is open. Which derivation is shown the server reads there too.

/**
 * @typedef {object} Seen
 * @property {{from: number, to: number} | null} look
 * @property {boolean} log
 * @property {number | null} at
 * @property {string | null} open
 */

/** Times in an address have this many digits after the point: a microsecond is finer than any reading here. */
const DIGITS = 6;
const WAIT_MS = 250; // a browser refuses more than some changes a second

/**
 * @param {string} search
 * @returns {Seen}
 */
export function readAddress(search) {
  const q = new URLSearchParams(search);
  const number = (/** @type {string} */ name) => {
    const text = q.get(name);
    const v = text === null || text.trim() === "" ? NaN : Number(text);
    return Number.isFinite(v) ? v : null;
  };
  const [from, to] = [number("from"), number("to")];
  return { look: from !== null && to !== null && to > from ? { from, to } : null, log: q.get("time") === "log", at: number("at"), open: q.get("open") };
}

/**
 * The query that says what is seen; what else stands in it stays.
 * @param {string} search
 * @param {Seen} seen
 */
export function addressOf(search, seen) {
  const q = new URLSearchParams(search);
  const set = (/** @type {string} */ name, /** @type {string | null} */ value) => (value === null ? q.delete(name) : q.set(name, value));
  const short = (/** @type {number} */ t) => String(Number(t.toFixed(DIGITS)));
  set("from", seen.look ? short(seen.look.from) : null);
  set("to", seen.look ? short(seen.look.to) : null);
  set("time", seen.log ? "log" : null);
  set("at", seen.at === null ? null : short(seen.at));
  set("open", seen.open);
  const text = q.toString();
  return text ? `?${text}` : "";
}

/** @type {ReturnType<typeof setTimeout> | undefined} */
let timer;
/** @type {Seen | null} */
let last = null;

/** @param {Seen} seen */
export function writeAddress(seen) {
  last = seen;
  timer ??= setTimeout(() => {
    timer = undefined;
    if (!last) return;
    const next = addressOf(location.search, last);
    if (next !== location.search) history.replaceState(null, "", location.pathname + next);
  }, WAIT_MS);
}

/** The address after another derivation became the current one: what was seen stays, which derivation does not. */
export function closingAddress() {
  const q = new URLSearchParams(last ? addressOf(location.search, last) : location.search);
  q.delete("derivation");
  const text = q.toString();
  return location.pathname + (text ? `?${text}` : "");
}
