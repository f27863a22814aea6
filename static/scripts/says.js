// Where the words and dimension lines of a chart stand. Pure: it is given the coordinates and a way
// to measure text, and gives back what to draw. What finds no room is left out, the least important
// first.

/** @typedef {import("./phases.js").Stretch} Stretch */
/** @typedef {import("./frame.js").Plot} Plot */
/** @typedef {import("./model.js").Line} Line */
/** @typedef {{text: string, bold?: boolean}} Part */
/** @typedef {{x: number, y: number, parts: Part[], anchor: "start" | "middle" | "end", size: number, soft?: boolean}} Say */
/** @typedef {{x1: number, x2: number, y: number, foot1: number, foot2: number}} Dimension a length between two arrow heads; the feet are where its end lines reach down to */
/** @typedef {{x1: number, y1: number, x2: number, y2: number}} Leader */

/** @typedef {{a: number, text: string}} Level a level of the current with its name */

/**
 * @typedef {object} Scene
 * @property {Plot} plot
 * @property {(t: number) => number} x
 * @property {(a: number) => number} y
 * @property {(px: number) => number} t the time at a pixel
 * @property {Level[]} [levels]
 * @property {Stretch[]} stretches
 * @property {Line[]} lines the figures in words, as the server says them
 * @property {(from: number, to: number) => {t: number, a: number} | null} peak the largest reading between two times
 * @property {(text: string, bold: boolean, size: number) => number} measure width in pixels
 * @property {Record<string, string>} words what the phases are called
 * @property {{t: number, a: number} | null} now the newest reading, where it is to be shown
 * @property {number} ratedA
 * @property {number} endS NaN where not to be shown
 * @property {number} keptS armed: what is kept from before; else 0
 */

const ROW = 21; // between two rows of words
const BODY = 13;
const LEAST = 12;

/**
 * @param {Scene} scene
 */
export function layoutSays(scene) {
  const out = { levels: /** @type {{y: number}[]} */ ([]), says: /** @type {Say[]} */ ([]), dims: /** @type {Dimension[]} */ ([]), leaders: /** @type {Leader[]} */ ([]), dots: /** @type {{x: number, y: number}[]} */ ([]) };
  phaseWords(scene, out.says);
  ribbonWords(scene, out.says);
  if (scene.keptS > 0) {
    waitingWords(scene, out);
    edgeWords(scene, out.says);
    nowWords(scene, out.says);
  } else {
    const rows = faultWords(scene, out);
    levelWords(scene, out);
    edgeWords(scene, out.says);
    nowWords(scene, out.says);
    retryWords(scene, out, rows);
    limitingWords(scene, out.says, rows);
  }
  return out;
}

/**
 * Moves words down row by row until they stand on no others, and gives up after a few.
 * @param {Scene} s
 * @param {Say[]} says
 * @param {Say} say
 * @returns {boolean} whether they found room
 */
function putFree(s, says, say) {
  for (let k = 0; k < 4; k++) {
    const box = boxOf(s, say);
    if (!says.some((other) => meets(box, boxOf(s, other)))) {
      says.push(say);
      return true;
    }
    say.y += ROW;
  }
  return false;
}

/**
 * @param {Scene} s
 * @param {Say} say
 */
function boxOf(s, say) {
  const width = say.parts.reduce((w, p) => w + s.measure(p.text, p.bold ?? false, say.size), 0);
  const left = say.anchor === "start" ? say.x : say.anchor === "end" ? say.x - width : say.x - width / 2;
  return { left: left - 3, right: left + width + 3, top: say.y - say.size, bottom: say.y + 4 };
}

/**
 * @param {ReturnType<typeof boxOf>} a
 * @param {ReturnType<typeof boxOf>} b
 */
const meets = (a, b) => a.left < b.right && b.left < a.right && a.top < b.bottom && b.top < a.bottom;

/**
 * A figure as words on the trace: "cut off after 1.92 s". Null where it has no number.
 * @param {Line | undefined} line
 */
export function phrase(line) {
  if (!line || !line.value) return null;
  let say = line.say.charAt(0).toLowerCase() + line.say.slice(1);
  if (line.lead.startsWith("at ") && say.endsWith(" at")) say = say.slice(0, -3); // "peaked at least 4.5 A"
  return [say, line.lead, line.value, line.unit].filter(Boolean).join(" ");
}

/**
 * @param {Scene} s
 * @param {string} key
 */
const lineOf = (s, key) => s.lines.find((l) => l.key === key);

/**
 * @param {Scene} s
 * @param {Part[]} parts
 */
const widthOf = (s, parts) => parts.reduce((w, p) => w + s.measure(p.text, p.bold ?? false, BODY), 0);

/**
 * The phases' names over their bands; a retry keeps its number when its word has no room.
 * @param {Scene} s
 * @param {Say[]} says
 */
function phaseWords(s, says) {
  let free = s.plot.left; // nothing may stand left of this
  const retries = s.stretches.filter((st) => st.phase === "retry");
  const apart = Math.min(...retries.slice(1).map((st, i) => s.x(st.from) - s.x(retries[i].from)), Infinity);
  const numbersOnly = s.measure(`${s.words.retry} ${retries.length}`, false, LEAST) + 8 > apart;
  // A row of bare numbers would read like an axis: the first keeps its word, and where that has no room
  // either, the retries are counted once for all.
  const first = s.measure(`${s.words.retry} 1`, false, LEAST);
  const counted = numbersOnly && (s.measure(`${retries.length}`, false, LEAST) + 8 > apart || first + 8 > s.x(retries[0].from) - Math.max(s.plot.left, s.x(s.stretches.find((st) => st.phase === "fault")?.to ?? -Infinity)));
  let retry = 0;
  for (const st of s.stretches) {
    if (st.phase === "retry") retry++;
    if (st.phase === "idle" || (counted && st.phase !== "fault" && st.phase !== "limiting")) continue;
    const left = Math.max(s.plot.left, s.x(st.from));
    const right = Math.min(s.plot.right, s.x(st.to));
    if (right <= left) continue;
    const word = s.words[st.phase] ?? st.phase;
    const leads = numbersOnly && st.phase === "retry" && retry === 1;
    const text = st.phase !== "retry" ? word : numbersOnly && retry > 1 ? `${retry}` : `${word} ${retry}`;
    const width = s.measure(text, false, LEAST);
    // The number stands over its retry, the word before it.
    const middle = (left + right) / 2 - (leads ? (width - s.measure("1", false, LEAST)) / 2 : 0);
    // What flows may reach over its band's edges, "off" stays within its own.
    const fits = st.phase === "off" ? width + 8 <= right - left : middle + width / 2 <= s.plot.right + 2;
    if (!fits || middle - width / 2 < free) continue;
    says.push({ x: middle, y: s.plot.top - 8, parts: [{ text }], anchor: "middle", size: LEAST, soft: true });
    free = middle + width / 2 + 6;
  }
  if (counted) retriesWord(s, says, retries, free);
}

/**
 * "9 retries", over them all.
 * @param {Scene} s
 * @param {Say[]} says
 * @param {Stretch[]} retries
 * @param {number} free nothing may stand left of this
 */
function retriesWord(s, says, retries, free) {
  const text = `${retries.length} ${retries.length === 1 ? "retry" : "retries"}`;
  const width = s.measure(text, false, LEAST);
  const left = Math.max(free, s.plot.left, s.x(retries[0].from));
  const right = Math.min(s.plot.right, s.x(retries[retries.length - 1].to));
  const middle = Math.max(left + width / 2, (left + right) / 2);
  if (right <= s.plot.left || middle + width / 2 > s.plot.right) return;
  says.push({ x: middle, y: s.plot.top - 8, parts: [{ text }], anchor: "middle", size: LEAST, soft: true });
}

/**
 * Levels that a ramp, stairs or a load have shown: a line each and its name, at the left, where the trace
 * is still low.
 * @param {Scene} s
 * @param {{says: Say[], levels: {y: number}[]}} out
 */
function levelWords(s, out) {
  for (const l of s.levels ?? []) {
    const y = s.y(l.a);
    if (y < s.plot.top || y > s.plot.bottom) continue;
    out.levels.push({ y });
    putFree(s, out.says, { x: s.plot.left + 8, y: y - 6, parts: [{ text: l.text, bold: true }], anchor: "start", size: BODY });
  }
}

/**
 * @param {Scene} s
 * @param {Say[]} says
 */
function ribbonWords(s, says) {
  const y = (s.plot.ribbonTop + s.plot.ribbonBottom) / 2 + 4;
  for (const st of s.stretches) {
    const left = Math.max(s.plot.left, s.x(st.from));
    const right = Math.min(s.plot.right, s.x(st.to));
    const text = st.phase === "idle" ? "" : lengthText(st.to - st.from);
    if (text && s.measure(text, true, LEAST) + 10 <= right - left) {
      says.push({ x: (left + right) / 2, y, parts: [{ text, bold: true }], anchor: "middle", size: LEAST });
    }
  }
}

/**
 * A length of the ribbon, to three digits at most: it is there to be seen, the figure stands beside.
 * @param {number} seconds
 */
export function lengthText(seconds) {
  if (!(seconds > 0)) return "";
  if (seconds < 0.0995) return `${Math.max(1, Math.round(seconds * 1000))} ms`;
  return `${seconds.toFixed(seconds < 9.995 ? 2 : 1)} s`;
}

/**
 * Cut off after, peaked at, held: one row each, right of the fault.
 * @param {Scene} s
 * @param {{says: Say[], dims: Dimension[], leaders: Leader[], dots: {x: number, y: number}[]}} out
 * @returns {{y: number, right: number}} the lowest row and how far right the rows reach
 */
function faultWords(s, out) {
  const fault = s.stretches.find((st) => st.phase === "fault");
  if (!fault || s.x(fault.to) <= s.plot.left) return { y: s.plot.top, right: s.plot.left };
  const left = s.x(fault.from);
  const edge = s.x(fault.to);
  let y = s.plot.top + 14;
  let right = edge;
  const place = (/** @type {Part[]} */ parts) => {
    const width = widthOf(s, parts);
    const inside = edge + 10 + width > s.plot.right; // no room right of the fault: within its right edge
    const x = inside ? Math.min(edge, s.plot.right) - 8 : edge + 10;
    out.says.push({ x, y: y + 4, parts, anchor: inside ? "end" : "start", size: BODY });
    right = Math.max(right, inside ? x : x + width);
    return inside;
  };
  const after = s.stretches[s.stretches.indexOf(fault) + 1]?.phase;
  const limits = phrase(lineOf(s, "time_to_limit_s"));
  const ended = after === "limiting" ? limits : (phrase(lineOf(s, "time_to_cutoff_s")) ?? phrase(lineOf(s, "time_to_trip_s")));
  const running = s.now !== null && s.now.t <= fault.to + 1e-9;
  // "now" has the first row where it stands among these words; it passes through them.
  const nowX = s.now ? s.x(s.now.t) : NaN;
  if (running || (nowX > edge - 120 && nowX < edge + 20 + s.measure(ended ?? "", true, BODY))) y += ROW;
  if (ended && !running) {
    out.dims.push({ x1: left, x2: edge, y, foot1: s.plot.top + 60, foot2: Math.max(y + 8, s.y(s.peak(fault.from, fault.to)?.a ?? 0)) });
    place([{ text: ended, bold: true }]);
    y += ROW;
  } else if (limits && !running) {
    // It limits from the first settled reading on: a time too short to be a length on this chart.
    place([{ text: limits, bold: true }]);
    y += ROW;
  }
  const peak = s.peak(fault.from, fault.to);
  const peaked = lineOf(s, "peak_current_a");
  const peakText = phrase(peaked);
  if (peak && peakText && peaked) {
    y = Math.max(y, Math.min(s.y(peak.a), s.plot.bottom - 40));
    const parts = [{ text: peakText, bold: true }];
    const more = peaked.lead ? "" : peaked.more;
    if (more && s.plot.right - s.plot.left > 500) parts.push({ text: `, ${more}`, bold: false });
    const inside = place(parts);
    out.dots.push({ x: s.x(peak.t), y: s.y(peak.a) });
    if (!inside) out.leaders.push({ x1: s.x(peak.t), y1: s.y(peak.a), x2: edge + 6, y2: y });
    y += ROW;
  }
  const held = phrase(lineOf(s, "sustained_current_a"));
  const fall = lineOf(s, "sustained_current_a");
  if (held && fall && !running && s.plot.right - s.plot.left > 500) {
    y = Math.max(y, Math.min(s.y(Number(fall.value) || 0), s.plot.bottom - 20));
    place([{ text: held }]);
    y += ROW;
  }
  return { y: y - ROW, right };
}

/**
 * Comes back every: between the first two retries.
 * @param {Scene} s
 * @param {{says: Say[], dims: Dimension[]}} out
 * @param {{y: number, right: number}} rows
 */
function retryWords(s, out, rows) {
  const retries = s.stretches.filter((st) => st.phase === "retry");
  const text = phrase(lineOf(s, "retry_period_s"));
  if (retries.length < 2 || !text) return;
  const x1 = s.x(retries[0].from);
  const x2 = s.x(retries[1].from);
  if (x1 < s.plot.left || x2 > s.plot.right || x2 - x1 < 24) return;
  const top = s.peak(retries[0].from, retries[1].to);
  let y = s.y(top?.a ?? 0) - 24;
  if (rows.right > x1 && y < rows.y + ROW) y = rows.y + ROW + 4;
  y = Math.max(y, s.plot.top + 14);
  if (y > s.plot.bottom - 24) return;
  /** @type {Part[]} */
  const parts = [{ text, bold: true }];
  const more = lineOf(s, "retry_period_s")?.more;
  if (more && s.plot.right - s.plot.left > 500) parts.push({ text: ` ${more}` });
  if (x2 + 10 + widthOf(s, parts) > s.plot.right && parts.length > 1) parts.pop();
  /** @type {Say} */
  const say = { x: x2 + 10, y: y + 4, parts, anchor: "start", size: BODY };
  if (say.x + widthOf(s, parts) > s.plot.right || !putFree(s, out.says, say)) return;
  y = say.y - 4;
  const foot = Math.max(y + 8, s.y(top?.a ?? 0));
  out.dims.push({ x1, x2, y, foot1: foot, foot2: foot });
}

/**
 * The level a unit folded back to or limits at, over its band.
 * @param {Scene} s
 * @param {Say[]} says
 * @param {{y: number, right: number}} rows
 */
function limitingWords(s, says, rows) {
  const limiting = s.stretches.find((st) => st.phase === "limiting");
  const line = lineOf(s, "residual_current_a");
  if (!limiting || !line?.value) return;
  const text = ["then", line.lead, line.value, line.unit].filter(Boolean).join(" ");
  const left = Math.max(s.plot.left, s.x(limiting.from));
  const right = Math.min(s.plot.right, s.x(limiting.to));
  const width = s.measure(text, true, BODY);
  if (width + 24 > right - left) return;
  const y = Math.max(s.y(Number(line.value) || 0) - 12, rows.y + ROW + 4);
  says.push({ x: left + Math.min((right - left) / 2, 60 + width / 2), y, parts: [{ text, bold: true }], anchor: "middle", size: BODY });
}

/**
 * Armed: what is kept, and the hold that will follow on blank sheet.
 * @param {Scene} s
 * @param {{says: Say[], dims: Dimension[]}} out
 */
function waitingWords(s, out) {
  const middle = (s.plot.ribbonTop + s.plot.ribbonBottom) / 2 + 4;
  if (s.measure("waiting", true, LEAST) + 10 < s.x(0) - s.plot.left) {
    out.says.push({ x: (s.plot.left + s.x(0)) / 2, y: middle, parts: [{ text: "waiting", bold: true }], anchor: "middle", size: LEAST });
  }
  const kept = `kept, ${lengthText(s.keptS).replace(/\.0+ s$/, " s")}`;
  const zero = s.x(0);
  if (s.measure(kept, false, LEAST) < zero - s.plot.left) {
    out.says.push({ x: (s.plot.left + zero) / 2, y: s.plot.top - 8, parts: [{ text: kept }], anchor: "middle", size: LEAST, soft: true });
  }
  const end = s.x(s.endS);
  if (!(end > zero)) return;
  const y = (s.plot.top + s.plot.bottom) / 2 - 20;
  out.dims.push({ x1: zero, x2: end, y, foot1: y, foot2: y });
  /** @type {Part[]} */
  const hold = [{ text: "the hold", bold: true }, { text: `, ${String(Math.round(s.endS * 1000) / 1000)} s from the short` }];
  const blank = "blank until then: a short opens the run by itself";
  if (widthOf(s, hold) < end - zero) out.says.push({ x: (zero + end) / 2, y: y - 10, parts: hold, anchor: "middle", size: BODY });
  if (s.measure(blank, false, BODY) < end - zero) {
    out.says.push({ x: (zero + end) / 2, y: y + 21, parts: [{ text: blank }], anchor: "middle", size: BODY, soft: true });
  }
}

/**
 * The reference lines' names and the newest reading.
 * @param {Scene} s
 * @param {Say[]} says
 */
function edgeWords(s, says) {
  // Once the trace has passed the end of the hold, the blank sheet is behind it, at the right edge.
  const reached = s.stretches.length ? s.stretches[s.stretches.length - 1].to : 0;
  const ahead = s.endS > reached;
  const end = ahead ? Math.min(s.x(s.endS), s.plot.right) : s.plot.right;
  const rated = s.ratedA > 0 ? s.y(s.ratedA) : -1;
  if (rated > s.plot.top + 12) {
    const text = `rated ${s.ratedA} A`;
    // Above the line, unless the trace runs there.
    const near = s.peak(s.t(end - 8 - s.measure(text, false, BODY)), s.t(end - 8));
    const above = near ? rated - s.y(near.a) : 0;
    says.push({ x: end - 8, y: above > 0 && above < 20 ? rated + 15 : rated - 6, parts: [{ text }], anchor: "end", size: BODY });
  }
  const nowX = s.now ? s.x(s.now.t) : s.plot.left;
  if (ahead && end - nowX > 90 && (rated < 0 || s.plot.bottom - rated > 36)) {
    says.push({ x: end - 8, y: s.plot.bottom - 10, parts: [{ text: "hold ends" }], anchor: "end", size: LEAST, soft: true });
  }
}

/**
 * The newest reading beside its line.
 * @param {Scene} s
 * @param {Say[]} says
 */
function nowWords(s, says) {
  if (!s.now || !Number.isFinite(s.now.a)) return;
  const nowX = s.x(s.now.t);
  /** @type {Part[]} */
  const parts = [{ text: `now ${amps(s.now.a)} A`, bold: true }];
  const inside = nowX + 8 + widthOf(s, parts) > s.plot.right;
  putFree(s, says, { x: inside ? nowX - 8 : nowX + 8, y: s.plot.top + 14, parts, anchor: inside ? "end" : "start", size: BODY });
}

/**
 * What the pointer points to in words: one value, or how far the readings of its pixel reach.
 * @param {{min: number, max: number, over?: boolean}} at
 * @param {string} unit
 */
export function pointerText(at, unit) {
  const digits = (/** @type {number} */ v) => (Math.abs(v) < 0.0995 ? v.toFixed(4) : v.toFixed(Math.abs(v) < 9.995 ? 3 : 2)).replace("-", "−");
  if (!Number.isFinite(at.max)) return Number.isFinite(at.min) ? `from ${digits(at.min)} ${unit} to beyond the range` : "beyond the range";
  const said = digits(at.min) === digits(at.max) ? `${digits(at.max)} ${unit}` : `${digits(at.min)} to ${digits(at.max)} ${unit}`;
  return at.over ? `${said}, beyond the range` : said;
}

/**
 * A live reading in amperes: two decimals, a real minus sign, and no minus before nothing.
 * @param {number} a
 */
export function amps(a) {
  const text = a.toFixed(2);
  return text === "-0.00" ? "0.00" : text.replace("-", "−");
}
