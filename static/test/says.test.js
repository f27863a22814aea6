import assert from "node:assert/strict";
import { test } from "node:test";
import { layoutSays, lengthText, phrase } from "../scripts/says.js";
import { plateProblems, readNumber } from "../scripts/unitform.js";

const plot = { left: 40, right: 900, top: 24, bottom: 336, ribbonTop: 350, ribbonBottom: 378 };
const line = (/** @type {string} */ key, /** @type {string} */ say, /** @type {string} */ value, /** @type {string} */ unit, more = "") => ({ key, say, lead: "", value, pm: "", unit, more });
const lines = [
  line("time_to_cutoff_s", "Cut off after", "0.90", "s"),
  line("peak_current_a", "Peaked at", "4.5", "A", "3.2 × rated"),
  line("sustained_current_a", "Held, until it cut off", "4.3", "A"),
  line("retry_period_s", "Comes back every", "2.60", "s", "for 0.25 s, 9 times"),
];

/** @param {Partial<import("../scripts/says.js").Scene>} over */
function scene(over = {}) {
  const width = (over.plot ?? plot).right - 40;
  return {
    plot,
    x: (/** @type {number} */ t) => 40 + ((t + 1.2) / 32.2) * width,
    y: (/** @type {number} */ a) => 336 - (a / 5) * 312,
    t: (/** @type {number} */ px) => ((px - 40) / width) * 32.2 - 1.2,
    stretches: [
      { phase: /** @type {const} */ ("idle"), from: -1.2, to: 0 },
      { phase: /** @type {const} */ ("fault"), from: 0, to: 0.9 },
      { phase: /** @type {const} */ ("off"), from: 0.9, to: 2.6 },
      ...[0, 1, 2, 3, 4].flatMap((k) => [
        { phase: /** @type {const} */ ("retry"), from: 2.6 * (k + 1), to: 2.6 * (k + 1) + 0.25 },
        { phase: /** @type {const} */ ("off"), from: 2.6 * (k + 1) + 0.25, to: 2.6 * (k + 2) },
      ]),
    ],
    lines,
    peak: () => ({ t: 0.01, a: 4.5 }),
    measure: (/** @type {string} */ text) => 7 * text.length,
    words: { fault: "fault", off: "off", retry: "retry", limiting: "limiting" },
    now: { t: 15.6, a: 0 },
    ratedA: 1.4,
    endS: 30,
    keptS: 0,
    ...over,
  };
}

/** @param {ReturnType<typeof layoutSays>} l */
const texts = (l) => l.says.map((s) => s.parts.map((p) => p.text).join(""));

test("the figures stand on the trace as words", () => {
  const t = texts(layoutSays(scene()));
  for (const want of ["cut off after 0.90 s", "peaked at 4.5 A, 3.2 × rated", "held, until it cut off 4.3 A", "rated 1.4 A", "now 0.00 A", "hold ends"]) {
    assert.ok(t.includes(want), `${want} is missing from ${t.join(" | ")}`);
  }
});

test("no words of the fault stand on each other", () => {
  for (const right of [358, 600, 900, 1400]) {
    const l = layoutSays(scene({ plot: { ...plot, right } }));
    const rows = l.says.filter((s) => s.size === 13 && s.anchor === "start").sort((a, b) => a.y - b.y);
    const end = (/** @type {(typeof rows)[0]} */ r) => r.x + 7 * r.parts.map((p) => p.text).join("").length;
    for (const a of rows) {
      for (const b of rows) {
        const overlap = a !== b && Math.abs(a.y - b.y) < 14 && a.x < end(b) && b.x < end(a);
        assert.ok(!overlap, `at width ${right}: ${a.parts[0].text} and ${b.parts[0].text}`);
      }
    }
  }
});

test("words that would stand on others move down a row and do not vanish", () => {
  const l = layoutSays(scene({ lines: lines.filter((x) => x.key === "retry_period_s"), now: { t: 10, a: 0 } }));
  const row = (/** @type {string} */ start) => l.says.find((s) => s.parts[0].text.startsWith(start))?.y ?? NaN;
  assert.ok(row("comes back every") - row("now") > 13, `rows at ${row("now")} and ${row("comes back every")}`);
  assert.equal(l.dims.length, 1);
});

test("where there is no room a retry keeps its number and off loses its word", () => {
  const late = [10, 12.6, 15.2].flatMap((from) => [{ phase: /** @type {const} */ ("retry"), from, to: from + 0.25 }]);
  const t = texts(layoutSays(scene({ plot: { ...plot, right: 600 }, stretches: [{ phase: "fault", from: 0, to: 0.9 }, ...late] })));
  assert.ok(t.includes("retry 1") && t.includes("2") && !t.includes("retry 2"), t.join(" | "));
  const less = texts(layoutSays(scene({ plot: { ...plot, right: 330 } })));
  assert.ok(less.includes("5 retries") && !less.includes("off") && !less.includes("2"), less.join(" | "));
});

test("many retries are counted once instead of a row of numbers that reads like an axis", () => {
  const stretches = Array.from({ length: 60 }, (_, k) => ({ phase: /** @type {const} */ ("retry"), from: 0.5 * (k + 1), to: 0.5 * (k + 1) + 0.1 }));
  const t = texts(layoutSays(scene({ plot: { ...plot, right: 360 }, stretches, lines: [], now: null })));
  assert.ok(t.includes("60 retries"), t.join());
  assert.ok(!t.some((x) => /^\d+$/.test(x)), t.join());
});

test("while the fault lasts there is no cut-off on the trace", () => {
  const l = layoutSays(scene({ stretches: [{ phase: "fault", from: 0, to: 0.5 }], now: { t: 0.5, a: 4.4 } }));
  assert.equal(l.dims.length, 0);
  assert.ok(!texts(l).some((t) => t.startsWith("cut off")), texts(l).join(" | "));
});

test("a limit that was there from the first reading on is no length on the chart", () => {
  const l = layoutSays(scene({ stretches: [{ phase: "fault", from: 0, to: 8 }, { phase: "idle", from: 8, to: 18 }], lines: [{ ...line("time_to_limit_s", "Limited after", "0.0035", "s"), lead: "at most" }] }));
  assert.equal(l.dims.length, 0);
  assert.ok(texts(l).includes("limited after at most 0.0035 s"), texts(l).join(" | "));
});

test("armed, the hold is one dimension line on blank sheet", () => {
  const l = layoutSays(scene({ stretches: [], lines: [], keptS: 5, now: { t: 0, a: 0 }, x: (t) => 40 + ((t + 5) / 36) * 860 }));
  assert.equal(l.dims.length, 1);
  assert.ok(texts(l).includes("the hold, 30 s from the short") && texts(l).includes("kept, 5 s"), texts(l).join(" | "));
});

test("a figure without a number is not written on the trace, a bound is", () => {
  assert.equal(phrase({ ...lines[0], value: "" }), null);
  assert.equal(phrase({ ...lines[0], lead: "at most" }), "cut off after at most 0.90 s");
});

test("lengths of the ribbon never read as zero", () => {
  assert.deepEqual([lengthText(0.035), lengthText(0.0001), lengthText(1.8), lengthText(29.96)], ["35 ms", "1 ms", "1.80 s", "30.0 s"]);
});

test("a plate is checked where it is typed", () => {
  assert.deepEqual(plateProblems({ name: "Tin", volts: "12", amps: "1,4" }), {});
  assert.deepEqual(Object.keys(plateProblems({ name: " ", volts: "-3", amps: "x" })), ["name", "volts", "amps"]);
  assert.match(plateProblems({ name: "Moss", volts: "", amps: "300" }).amps, /0\.3/);
  assert.match(plateProblems({ name: "Moss", volts: "", amps: "30" }).amps, /mA, write 0\.03/);
});

test("numbers are read as people write them, and nothing else is a number", () => {
  assert.deepEqual([readNumber("1,4"), readNumber(" 12 "), readNumber(".5")], [1.4, 12, 0.5]);
  for (const t of ["", "1e5", "0x10", "1.2.3", "-1", "12 V"]) assert.ok(Number.isNaN(readNumber(t)), t);
});

test("a bound follows the words without saying at twice", () => {
  assert.equal(phrase({ ...line("peak_current_a", "Peaked at", "4.5", "A"), lead: "at least" }), "peaked at least 4.5 A");
  assert.equal(phrase({ ...line("time_to_cutoff_s", "Cut off after", "0.4", "s"), lead: "at most" }), "cut off after at most 0.4 s");
});
