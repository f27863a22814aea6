// Where the panels of Side by side stand in a chart of a given width. Pure; lengths in pixels.

/** @typedef {{kind: string, runs: number[]}} Panel */
/** @typedef {{left: number, top: number, width: number, height: number, ticksX: boolean, ticksY: boolean}} Box */
/** @typedef {{x: number, y: number, text: string, bold?: boolean, soft?: boolean, align?: "left" | "right"}} Words what stands beside the panels */
/** @typedef {{x: number, y: number, run: number, text: string, ground?: boolean}} Key a sample of a trace's line with its name, or of the ground of a band */
/** @typedef {{height: number, boxes: Box[], words: Words[], keys: Key[]}} Layout */

/** Room for the ticks of the current axis, and at the right edge for half a tick of time. */
const LEFT = 44;
const RIGHT = 14;
const TICKS = 28;
const LINE = 22;
const RIBBON = 20;

/** Below this everything stands in one column. */
export const NARROW = 640;

/**
 * @param {{width: number, view: string, names: string[], bands?: {runs: number[], least_to_most: string, mean: string}[], plates: string[], close: string, whole: string, measure: (text: string) => number}} page
 * runs of a band have one line and one ground, not a line each; `close` and `whole` are what the two looks are called, `measure` gives a text's width
 * @returns {Layout}
 */
export function sideLayout(page) {
  if (page.view === "over") return over(page);
  if (page.view === "stack" && page.width >= NARROW) return stack(page);
  return beside(page);
}

/**
 * @param {number} n
 * @param {number} width
 */
export function columnsOf(n, width) {
  if (width < NARROW) return 1;
  if (n === 2) return 2;
  if (n === 4) return width >= 960 ? 4 : 2;
  return width >= 840 ? 3 : 2;
}

/**
 * A text cut to the room there is, with a sign that it was.
 * @param {string} text
 * @param {number} room
 * @param {(text: string) => number} measure
 */
export function fitting(text, room, measure) {
  if (measure(text) <= room) return text;
  let n = text.length;
  while (n > 1 && measure(text.slice(0, n) + "…") > room) n--;
  return text.slice(0, n) + "…";
}

/**
 * What is drawn where runs lie over each other, in the order of the runs: a line each, and of a band its ground and its mean.
 * @param {string[]} names
 * @param {{runs: number[], least_to_most: string, mean: string}[]} bands
 */
function keysOf(names, bands) {
  return names.flatMap((name, run) => {
    const band = bands.find((b) => b.runs.includes(run));
    if (!band) return [{ run, name, ground: false }];
    if (band.runs[0] !== run) return [];
    return [{ run, name: band.least_to_most, ground: true }, { run, name: band.mean, ground: false }];
  });
}

/** @param {Parameters<typeof sideLayout>[0]} page */
function over(page) {
  const { width, names } = page;
  const narrow = width < NARROW;
  /** @type {Layout} */
  const out = { height: 0, boxes: [], words: [], keys: [] };
  let x = 0;
  let y = 14;
  for (const { run, name, ground } of keysOf(names, page.bands ?? [])) {
    const text = fitting(name, Math.min(width - 60, 320), page.measure);
    const need = 44 + page.measure(text) + 24;
    if (x > 0 && x + need > width) {
      x = 0;
      y += LINE;
    }
    out.keys.push({ x, y, run, text, ground });
    x += need;
  }
  y += 26;
  const high = narrow ? 200 : 264;
  const inner = width - 2 * LEFT - 2 * RIGHT;
  const closeWidth = narrow ? width - LEFT - RIGHT : Math.round(inner * 0.6);
  out.words.push({ x: LEFT, y, text: page.close, bold: true });
  out.boxes.push({ left: LEFT, top: y + 14, width: closeWidth, height: high, ticksX: true, ticksY: true });
  let top = y + 14;
  if (narrow) top = y = y + 14 + high + TICKS + 34;
  const left = narrow ? LEFT : LEFT + closeWidth + RIGHT + LEFT;
  out.words.push({ x: left, y: narrow ? top - 14 : y, text: page.whole, bold: true });
  const wholeHigh = narrow ? 170 : high;
  out.boxes.push({ left, top, width: width - left - RIGHT, height: wholeHigh, ticksX: true, ticksY: true });
  y = top + wholeHigh + TICKS + 20;
  const short = names.map((n) => fitting(n, narrow ? width - LEFT - RIGHT : 180, page.measure));
  const room = narrow ? LEFT : Math.max(LEFT, 16 + Math.max(...short.map((n) => page.measure(n))));
  for (let i = 0; i < names.length; i++) {
    if (narrow) {
      out.words.push({ x: LEFT, y, text: short[i], bold: true });
      y += 14;
    } else out.words.push({ x: 0, y: y + RIBBON / 2, text: short[i], bold: true });
    out.boxes.push({ left: room, top: y, width: width - room - RIGHT, height: RIBBON, ticksX: i === names.length - 1, ticksY: false });
    y += RIBBON + (narrow ? 20 : 8);
  }
  out.height = y + TICKS;
  return out;
}

/** @param {Parameters<typeof sideLayout>[0]} page */
function stack(page) {
  const { width, names } = page;
  /** @type {Layout} */
  const out = { height: 0, boxes: [], words: [], keys: [] };
  const high = names.length > 3 ? 104 : 136;
  const closeWidth = Math.round((width - 2 * LEFT - 2 * RIGHT) * 0.6);
  const left = LEFT + closeWidth + RIGHT + LEFT;
  out.words.push({ x: LEFT, y: 10, text: page.close, soft: true }, { x: left, y: 10, text: page.whole, soft: true });
  let y = 34;
  for (let i = 0; i < names.length; i++) {
    const last = i === names.length - 1;
    out.words.push({ x: LEFT, y, text: fitting(names[i], closeWidth, page.measure), bold: true }, { x: width - RIGHT, y, text: page.plates[i], soft: true, align: "right" });
    y += 14;
    out.boxes.push({ left: LEFT, top: y, width: closeWidth, height: high + 8 + RIBBON, ticksX: last, ticksY: true });
    out.boxes.push({ left, top: y, width: width - left - RIGHT, height: high, ticksX: false, ticksY: true });
    out.boxes.push({ left, top: y + high + 8, width: width - left - RIGHT, height: RIBBON, ticksX: last, ticksY: false });
    y += high + 8 + RIBBON + 24;
  }
  out.height = y + 12;
  return out;
}

/** @param {Parameters<typeof sideLayout>[0]} page */
function beside(page) {
  const { width, names } = page;
  const columns = columnsOf(names.length, width);
  // Three and more: so wide that each plot begins where its column of the table does.
  const wide = columns > 2;
  const cell = wide ? (width - LEFT) / columns : width / columns;
  const high = { close: columns === 1 ? 190 : 164, whole: 112 };
  /** @type {Layout} */
  const out = { height: 0, boxes: [], words: [], keys: [] };
  let y = 12;
  for (let i = 0; i < names.length; i++) {
    const column = i % columns;
    if (i > 0 && column === 0) y = out.height + 20;
    const left = column * cell + LEFT;
    const room = wide ? cell - LEFT : cell - LEFT - RIGHT;
    out.words.push({ x: left, y, text: fitting(names[i], room, page.measure), bold: true });
    if (page.measure(names[i]) + page.measure(page.plates[i]) + 24 < room) out.words.push({ x: left + room, y, text: page.plates[i], soft: true, align: "right" });
    let top = y + 24;
    out.words.push({ x: left, y: top, text: page.close, soft: true });
    top += 14;
    out.boxes.push({ left, top, width: room, height: high.close, ticksX: true, ticksY: true });
    top += high.close + TICKS + 16;
    out.words.push({ x: left, y: top, text: page.whole, soft: true });
    top += 14;
    out.boxes.push({ left, top, width: room, height: high.whole, ticksX: false, ticksY: true });
    top += high.whole + 8;
    out.boxes.push({ left, top, width: room, height: RIBBON - 2, ticksX: true, ticksY: false });
    out.height = Math.max(out.height, top + RIBBON + TICKS);
  }
  return out;
}
