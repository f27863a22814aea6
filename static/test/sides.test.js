import assert from "node:assert/strict";
import test from "node:test";

import { columnsOf, fitting, sideLayout } from "../scripts/sidelayout.js";
import { addressOf, bandOf, decadesOf, storeOf, topOf, traceIn, valueAt } from "../scripts/sidetraces.js";

const measure = (/** @type {string} */ t) => 7 * t.length;
const NAMES = ["Tin", "Slate", "Amber", "Moss", "Clay", "Flint"];

/** @param {number} n @param {number} width @param {string} view */
function layout(n, width, view) {
  const names = NAMES.slice(0, n);
  return sideLayout({ width, view, names, plates: names.map(() => "run 14, 12 V, 1.4 A"), close: "The first 3 s", whole: "All 30 s", measure });
}

test("panels never overlap and never leave the chart, at any width", () => {
  for (const view of ["over", "stack", "beside"]) {
    for (let n = 2; n <= 6; n++) {
      for (const width of [288, 358, 560, 720, 976, 1376, 1900]) {
        const { boxes, height, words } = layout(n, width, view);
        assert.equal(boxes.length, view === "over" ? 2 + n : 3 * n, `${view} ${n} ${width}`);
        for (const [i, a] of boxes.entries()) {
          assert.ok(a.left >= 0 && a.left + a.width <= width && a.top >= 0 && a.top + a.height <= height && a.width > 60, `${view} ${n} ${width}: ${JSON.stringify(a)}`);
          for (const b of boxes.slice(i + 1)) {
            const apart = a.left + a.width <= b.left || b.left + b.width <= a.left || a.top + a.height <= b.top || b.top + b.height <= a.top;
            assert.ok(apart, `${view} ${n} ${width}: ${JSON.stringify([a, b])}`);
          }
        }
        for (const w of words) assert.ok(w.y >= 0 && w.y < height);
      }
    }
  }
});

test("five and six stand in two rows of three, and one under another on a phone", () => {
  assert.deepEqual([2, 3, 4, 5, 6].map((n) => columnsOf(n, 1376)), [2, 3, 4, 3, 3]);
  assert.deepEqual([2, 4, 6].map((n) => columnsOf(n, 358)), [1, 1, 1]);
  const six = layout(6, 1376, "beside").boxes.filter((_, i) => i % 3 === 0);
  assert.equal(new Set(six.map((b) => b.top)).size, 2);
  assert.equal(new Set(six.map((b) => b.width)).size, 1);
});

test("a name that finds no room is cut, and says so", () => {
  assert.equal(fitting("Tin", 100, measure), "Tin");
  assert.equal(fitting("a very long name", 70, measure), "a very lo…");
});

/** @param {number} n @param {(t: number) => number} f @param {number} [step] */
function columns(n, f, step = 0.001) {
  const t = Array.from({ length: n }, (_, i) => i * step);
  const v = t.map(f);
  return { t_s: t, min: v, max: v, mean: v, flags: t.map(() => 0), single: true };
}

const panel = { px: 300, pxPerUnit: 30, scale: 1, top: 8, along: { u: (/** @type {number} */ t) => t } };

test("a peak of one reading is drawn at any width", () => {
  const store = storeOf(columns(20_000, (t) => (Math.abs(t - 7.777) < 1e-6 ? 6 : 1)));
  const { line, tones } = traceIn(store, { from: 0, to: 20 }, panel);
  assert.equal(Math.max(...line.map((p) => p[1] ?? 0)), 6);
  assert.ok(line.length < 1500);
  assert.equal(tones.length, 0);
});

test("a ripple too fast for the pixels is toned between its edges, a plateau with noise and its end are not", () => {
  const ripple = storeOf(columns(20_000, (t) => (t > 5 && t < 15 ? 4 * Math.abs(Math.sin(2 * Math.PI * 50 * t)) : 0)));
  const drawn = traceIn(ripple, { from: 0, to: 20 }, panel);
  assert.equal(drawn.tones.length, 1);
  assert.ok(Math.abs(drawn.tones[0].top[0][0] - 5) < 0.6 && Math.abs((drawn.tones[0].top.at(-1) ?? [0])[0] - 15) < 0.6);
  assert.ok(drawn.tones[0].top.slice(20, -20).every((p) => p[1] > 3.9));
  const noisy = storeOf(columns(20_000, (t) => (t < 15 ? 4 + 0.05 * Math.sin(1e5 * t) : 0)));
  assert.equal(traceIn(noisy, { from: 0, to: 20 }, panel).tones.length, 0);
});

test("over a gap the line is broken, and what is beyond the range stands at the top", () => {
  const c = columns(100, () => 2);
  c.flags[50] = 2;
  c.max[70] = c.min[70] = /** @type {any} */ (null);
  const { line } = traceIn(storeOf(c), { from: 0, to: 0.1 }, panel);
  assert.equal(line.filter((p) => p[1] === null).length, 1);
  assert.equal(Math.max(...line.map((p) => p[1] ?? 0)), 8);
  assert.ok(Number.isNaN(valueAt(storeOf(c), 0.0495)));
  assert.equal(valueAt(storeOf(c), 0.0205), 2);
  assert.ok(Number.isNaN(valueAt(storeOf(c), 5)));
});

test("finer columns take the place of coarse ones where they are", () => {
  const coarse = { ...columns(10, () => 1, 1), single: false };
  const fine = { ...columns(100, () => 2, 0.01), t_s: Array.from({ length: 100 }, (_, i) => 3 + i * 0.01) };
  const store = storeOf(coarse, fine);
  assert.equal(store.length, 109);
  assert.equal(valueAt(store, 3.5), 2);
  assert.equal(valueAt(store, 6), 1);
});

test("all panels share one axis, also as multiples of each rating", () => {
  const stores = [storeOf(columns(10, () => 4)), storeOf(columns(10, () => 3))];
  assert.ok(topOf(stores, [1, 1.5], [1, 1]) >= 4.4);
  assert.ok(topOf(stores, [1, 1], [1 / 1, 1 / 1.5]) >= 4.4);
});

test("logarithmic time is asked for decade by decade", () => {
  assert.deepEqual(decadesOf({ from: 0.001, to: 0.5 }).map((d) => [Number(d.from.toPrecision(3)), Number(d.to.toPrecision(3))]), [[0.001, 0.01], [0.01, 0.1], [0.1, 0.5]]);
});

test("the address holds the window, and forgets it", () => {
  assert.equal(addressOf("?runs=14,9&view=over", { from: -0.1234567, to: 2 }), "?runs=14,9&view=over&from=-0.123&to=2");
  assert.equal(addressOf("?runs=14,9&from=1&to=2", null), "?runs=14,9");
});

test("a band is as fine as what is looked at, and the whole's outside it", () => {
  const band = (/** @type {number[]} */ t, /** @type {(t: number) => number} */ f) => ({ t, min: t.map((x) => f(x) - 0.1), mean: t.map(f), max: t.map((x) => f(x) + 0.1) });
  const every = (/** @type {number} */ from, /** @type {number} */ to, /** @type {number} */ step) => Array.from({ length: Math.round((to - from) / step) }, (_, i) => from + (i + 0.5) * step);
  const falls = (/** @type {number} */ t) => (t < 0.9 ? 4 : 0);
  const whole = band(every(0, 10, 0.035), falls);
  const near = band(every(0.86, 0.93, 0.001), falls);
  const { t, min, mean, max } = bandOf(whole, near);
  assert.ok(t.every((x, i) => i === 0 || x > t[i - 1]), "in order of time");
  assert.ok([min, mean, max].every((v) => v.length === t.length));
  const inside = t.filter((x) => x > 0.86 && x < 0.93);
  assert.deepEqual(inside, near.t);
  assert.deepEqual(t.filter((x) => x < 0.86 || x > 0.93), whole.t.filter((x) => x < 0.86 || x > 0.93));
  const last = t.findLastIndex((x, i) => mean[i] > 2);
  assert.ok(t[last + 1] - t[last] < 0.0011, "the fall is as steep as it is known");
  assert.deepEqual(bandOf(whole, undefined, { t: [], min: [], mean: [], max: [] }), whole);
  assert.deepEqual(bandOf(undefined, near), near);
});

test("the key names what is drawn: of runs of one unit their ground and their mean, and no line of theirs", () => {
  const page = { view: "over", names: ["Tin 13", "Slate", "Tin 15"], plates: ["", "", ""], close: "", whole: "", measure, bands: [{ runs: [0, 2], least_to_most: "Tin, 2 runs: min–max", mean: "Tin, 2 runs: mean" }] };
  for (const width of [358, 1376]) {
    const { keys } = sideLayout({ ...page, width });
    assert.deepEqual(
      keys.map((k) => [k.run, k.text, k.ground]),
      [
        [0, "Tin, 2 runs: min–max", true],
        [0, "Tin, 2 runs: mean", false],
        [1, "Slate", false],
      ],
    );
    for (const k of keys) assert.ok(k.x + 42 + measure(k.text) <= width);
  }
  assert.deepEqual(sideLayout({ ...page, width: 1376, bands: [] }).keys.map((k) => k.text), page.names);
});
