import assert from "node:assert/strict";
import { test } from "node:test";
import { ColumnStore, GAP, OVER } from "../scripts/columns.js";
import { lookKey } from "../scripts/gestures.js";
import { Lens } from "../scripts/lens.js";
import { intervalS, lanePicture, limitsOf, logPicture, lookPicture } from "../scripts/pictures.js";
import { alongOf, logWindow, timeTicks } from "../scripts/timeaxis.js";

const limits = { from: -1, to: 31, leastS: 0.01 };
const near = (/** @type {number} */ a, /** @type {number} */ b, eps = 1e-9) => assert.ok(Math.abs(a - b) <= eps * Math.max(1, Math.abs(b)), `${a} is not ${b}`);

test("what one zooms at stays where it is, on both kinds of time", () => {
  for (const log of [false, true]) {
    const lens = new Lens();
    lens.log = log;
    lens.select(0.1, 10, limits);
    const { u } = alongOf(lens);
    const share = (/** @type {{from: number, to: number}} */ w) => (u(1) - u(w.from)) / (u(w.to) - u(w.from));
    const before = share(lens.at(20) ?? limits);
    assert.ok(lens.zoom(lens.at(20) ?? limits, 0.5, 1, limits));
    near(share(lens.at(20) ?? limits), before);
  }
});

test("a look never leaves what there is, and is never narrower than a few readings", () => {
  const lens = new Lens();
  lens.select(5, 6, limits);
  for (let i = 0; i < 100; i++) lens.zoom(lens.at(20) ?? limits, 0.8, 5.5, limits);
  near((lens.window?.to ?? 0) - (lens.window?.from ?? 0), 0.01);
  for (let i = 0; i < 100; i++) lens.pan(lens.at(20) ?? limits, 0.5, limits);
  for (let i = 0; i < 100; i++) lens.pan(lens.at(20) ?? limits, 3000, limits);
  near(lens.window?.to ?? 0, 31);
  near((lens.window?.to ?? 0) - (lens.window?.from ?? 0), 0.01);
  for (let i = 0; i < 100; i++) lens.zoom(lens.at(20) ?? limits, 1.5, 5.5, limits);
  assert.equal(lens.window, null, "zoomed out to all there is, the page chooses again");
});

test("a look that follows moves with the newest reading, and holds still once it is told to or moved", () => {
  const lens = new Lens();
  lens.follow({ from: 0, to: 10 });
  const a = lens.at(12);
  const b = lens.at(15);
  near((b?.from ?? 0) - (a?.from ?? 0), 3);
  assert.ok((b?.to ?? 0) > 15, "the newest reading has a little blank sheet before it");
  lens.still(b ?? limits);
  assert.deepEqual(lens.at(25), b);
  lens.follow({ from: 0, to: 10 });
  lens.pan(lens.at(15) ?? limits, -0.25, limits);
  assert.equal(lens.follows, false);
});

test("keys do what the gestures do", () => {
  const lens = new Lens();
  let changes = 0;
  let reached = 20;
  const look = { lens, limits: () => limits, shown: () => lens.at(reached) ?? { from: -1, to: 31 }, changed: () => void changes++, charts: [] };
  for (const key of ["f", "+", "ArrowLeft", "t", "-", "w"]) assert.equal(lookKey(key, look), true, key);
  assert.equal(lookKey("q", look), false);
  assert.deepEqual([lens.chosen, lens.log, changes], [false, true, 6]);
  lookKey("f", look);
  reached = 22;
  assert.ok(lens.follows && (lens.at(reached)?.to ?? 0) > 22);
  lookKey("f", look);
  assert.ok(!lens.follows && lens.chosen, "the second time it holds still");
});

test("ticks of logarithmic time are powers of ten, with 2 and 5 while there is room", () => {
  assert.deepEqual(timeTicks({ from: 0.001, to: 30, log: true }, 0.001, 7).texts, ["0.001", "0.01", "0.1", "1", "10"]);
  assert.deepEqual(timeTicks({ from: 0.09, to: 6, log: true }, 0.09, 7).texts, ["0.1", "0.2", "0.5", "1", "2", "5"]);
  assert.deepEqual(timeTicks({ from: 0, to: 30 }, 0, 7).texts, ["0", "5", "10", "15", "20", "25", "30"]);
});

test("logarithmic time begins after the onset with the first instant that readings tell", () => {
  assert.deepEqual(logWindow({ from: -1, to: 30 }, 0.001), { from: 0.001, to: 30 });
  assert.deepEqual(logWindow({ from: 0.2, to: 30 }, 0.001), { from: 0.2, to: 30 });
  const w = logWindow({ from: -1, to: 0.5 }, 1);
  assert.ok(w.from > 0 && w.from < w.to, "a meter slower than the window still has one");
});

/** @param {number} n @param {(t: number) => number} value @param {number} [dt] */
function storeOf(n, value, dt = 0.001) {
  const store = new ColumnStore();
  const t = Float64Array.from({ length: n }, (_, i) => i * dt);
  const v = Float32Array.from(t, value);
  store.take({ backlog: true, channel: 0, lost: 0, widthS: 0, t, min: v, max: v, flags: new Uint8Array(n) });
  return store;
}

test("a peak of one sample is in the pixels of every window and both kinds of time", () => {
  const at = 7.123;
  const store = storeOf(30_000, (t) => (Math.abs(t - at) < 1e-6 ? 9 : 1));
  for (const [from, to] of [[0.001, 30], [7, 7.5], [7.1, 7.2], [0.5, 29], [7.122, 7.2]]) {
    for (const width of [40, 333, 1200]) {
      const along = alongOf({ log: true });
      const edges = Float64Array.from({ length: width + 1 }, (_, i) => along.t(along.u(from) + ((along.u(to) - along.u(from)) * i) / width));
      for (const px of [store.pixels(from, to, width), store.pixels(from, to, width, edges)]) {
        assert.equal(Math.max(...px.max.subarray(0, px.n)), 9, `${from} to ${to} at ${width}`);
        assert.ok(px.n <= 2 * (width + 2));
      }
    }
  }
});

test("the pointer finds the readings of its pixel, or the last one before", () => {
  const store = storeOf(1000, (t) => (Math.abs(t - 0.5) < 1e-6 ? 9 : t));
  const seen = store.around(0.4895, 0.5105);
  assert.deepEqual([seen?.t, seen?.max.toFixed(3), seen?.min.toFixed(3)], [0.5, "9.000", "0.490"]);
  near(store.around(0.60021, 0.60022)?.max ?? 0, 0.6, 1e-6);
  assert.equal(store.around(-2, -1), null);
});

test("a page left open for hours keeps every extreme and gap in fewer columns", () => {
  const store = new ColumnStore();
  const n = 1000;
  for (let k = 0; k < 600; k++) {
    const t = Float64Array.from({ length: n }, (_, i) => k + i / n);
    const v = Float32Array.from({ length: n }, (_, i) => (k === 3 && i === 500 ? 9 : k === 5 && i === 1 ? -4 : 1));
    const flags = new Uint8Array(n);
    if (k === 7) flags[0] = GAP;
    if (k === 8) flags[1] = OVER;
    store.take({ backlog: false, channel: 0, lost: 0, widthS: 0, t, min: v, max: v, flags });
  }
  assert.ok(store.length <= (1 << 18) + n, `${store.length} columns`);
  assert.deepEqual(store.extremes(0, 600), { min: -4, max: 9 });
  for (let i = store.start + 1; i < store.n; i++) assert.ok(store.t[i] > store.t[i - 1], "times stay in order");
  const flagged = [];
  for (let i = store.start; i < store.n; i++) if (store.flags[i]) flagged.push([Math.round(store.t[i]), store.flags[i]]);
  assert.deepEqual(flagged, [[7, GAP], [8, OVER]]);
});

/** @param {ColumnStore} store @returns {import("../scripts/chart.js").Picture} */
const pictureOf = (store) => ({ view: { from: -0.1, to: 1, top: 5, stretches: [], ratedA: 1.4, endS: NaN }, store, zeroS: 0, lines: [], now: { t: 0.9, a: 1 }, keptS: 0 });

test("the current axis follows where only little flows, and stays where it is to be compared", () => {
  const picture = pictureOf(storeOf(1000, (t) => (t < 0.3 ? 4.5 : 0.01)));
  assert.equal(lookPicture(picture, { from: 0, to: 0.5 }, 5).view.top, 5);
  assert.ok(lookPicture(picture, { from: 0.5, to: 0.9 }, 5).view.top <= 0.02);
  assert.equal(lookPicture(picture, { from: 0.1, to: 0.5 }, 5).now, null);
});

test("a lane has its own unit and reaches below zero where its readings do", () => {
  const volts = storeOf(1000, (t) => (t < 0.5 ? 12.2 : -1));
  const lane = lanePicture(pictureOf(volts), { instrument: "board", quantity: "voltage", unit: "V" }, volts, false);
  assert.deepEqual([lane.view.unit, lane.name, lane.view.top >= 12.2, (lane.view.bottom ?? 0) <= -1, lane.view.ratedA], ["V", "Voltage", true, true, 0]);
});

test("the narrowest look is ten readings", () => {
  const picture = pictureOf(storeOf(1000, () => 1));
  near(intervalS(picture.store), 0.001, 1e-6);
  near(limitsOf(picture).leastS, 0.01, 1e-6);
  near(logPicture(picture).view.from, 0.001, 1e-3);
});
