import assert from "node:assert/strict";
import { test } from "node:test";
import { ColumnStore, decodeChunk, GAP, OVER } from "../scripts/columns.js";

/**
 * @param {object} m
 * @param {boolean} [m.backlog]
 * @param {number} [m.t0]
 * @param {number[]} m.t offsets
 * @param {number[]} m.min
 * @param {number[]} [m.max]
 * @param {number[]} [m.flags]
 */
function message({ backlog = false, t0 = 0, t, min, max = min, flags = t.map(() => 0) }) {
  const n = t.length;
  const buffer = new ArrayBuffer(32 + 13 * n);
  const v = new DataView(buffer);
  v.setUint8(0, 0x4c);
  v.setUint8(1, 0x54);
  v.setUint8(2, 1);
  v.setUint8(3, backlog ? 1 : 0);
  v.setUint16(4, 3, true);
  v.setUint32(8, n, true);
  v.setUint32(12, 7, true);
  v.setFloat64(16, t0, true);
  v.setFloat64(24, 0.001, true);
  for (let i = 0; i < n; i++) {
    v.setFloat32(32 + 4 * i, t[i], true);
    v.setFloat32(32 + 4 * (n + i), min[i], true);
    v.setFloat32(32 + 4 * (2 * n + i), max[i], true);
    v.setUint8(32 + 12 * n + i, flags[i]);
  }
  return buffer;
}

/** @param {ArrayBuffer} b */
const chunk = (b) => {
  const c = decodeChunk(b);
  if (!c) throw new Error("not decoded");
  return c;
};

test("a binary message is read as it was laid out", () => {
  const c = chunk(message({ backlog: true, t0: 100, t: [0, 0.5], min: [1, -2], max: [3, 4], flags: [0, OVER | GAP] }));
  assert.deepEqual([c.backlog, c.channel, c.lost, c.widthS], [true, 3, 7, 0.001]);
  assert.deepEqual([...c.t], [100, 100.5]);
  assert.deepEqual([...c.min], [1, -2]);
  assert.deepEqual([...c.max], [3, 4]);
  assert.deepEqual([...c.flags], [0, 3]);
});

test("what is none of ours, of another version or cut short is no message", () => {
  const whole = message({ t: [0, 1], min: [1, 2] });
  assert.equal(decodeChunk(whole.slice(0, 20)), null);
  assert.equal(decodeChunk(whole.slice(0, whole.byteLength - 1)), null);
  for (const at of [0, 1, 2]) {
    const other = whole.slice(0);
    new DataView(other).setUint8(at, 99);
    assert.equal(decodeChunk(other), null);
  }
});

test("an append goes behind, a backlog replaces, a late column is set aside", () => {
  const s = new ColumnStore();
  s.take(chunk(message({ t: [0, 1], min: [1, 2] })));
  s.take(chunk(message({ t: [1, 2], min: [9, 3] })));
  assert.equal(s.length, 3);
  assert.deepEqual([s.at(1), s.newest, s.newestS], [2, 3, 2]);
  s.take(chunk(message({ backlog: true, t: [5], min: [7] })));
  assert.deepEqual([s.length, s.newest], [1, 7]);
});

test("forgetting keeps the column before the cut and everything behind it, however often it grows", () => {
  const s = new ColumnStore();
  for (let k = 0; k < 5000; k++) {
    s.take(chunk(message({ t0: k, t: [0, 0.5], min: [k, k + 0.5] })));
    s.forget(s.newestS - 10);
    assert.ok(s.length <= 23, `kept ${s.length}`);
  }
  assert.ok(s.t.length <= 4096, `room for ${s.t.length} columns`);
  assert.deepEqual([s.newest, s.at(4995)], [4999.5, 4995]);
});

test("reducing to pixels hides no extreme", () => {
  let seed = 1;
  const random = () => (seed = (seed * 16807) % 2147483647) / 2147483647;
  for (let round = 0; round < 200; round++) {
    const n = 1 + Math.floor(random() * 800);
    const s = new ColumnStore();
    const t = Array.from({ length: n }, (_, i) => i / 100);
    const min = t.map(() => Math.fround(random() * 4 - 1));
    const max = min.map((v) => Math.fround(v + random()));
    s.take(chunk(message({ t, min, max, flags: t.map(() => (random() < 0.02 ? GAP : 0)) })));
    const from = random() * n * 0.004;
    const to = from + 0.05 + random() * n * 0.006;
    const width = 1 + Math.floor(random() * 300);
    const px = s.pixels(from, to, width);
    const want = s.extremes(from, to);
    let lo = Infinity;
    let hi = -Infinity;
    for (let i = 0; i < px.n; i++) {
      if (px.t[i] >= from - 0.011 && px.t[i] <= to + 0.011) {
        lo = Math.min(lo, px.min[i]);
        hi = Math.max(hi, px.max[i]);
      }
      assert.ok(px.first[i] >= px.min[i] && px.first[i] <= px.max[i]);
      assert.ok(px.last[i] >= px.min[i] && px.last[i] <= px.max[i]);
      assert.ok(i === 0 || px.t[i] > px.t[i - 1], "pixels are in order of time");
    }
    if (want) assert.ok(lo <= want.min && hi >= want.max, `round ${round}: got ${lo}..${hi}, want ${want.min}..${want.max}`);
    assert.ok(px.n <= 2 * (width + 2));
  }
});

test("a gap inside one pixel still breaks the line", () => {
  const s = new ColumnStore();
  s.take(chunk(message({ t: [0, 0.001, 0.5, 0.501], min: [1, 1, 2, 2], flags: [0, 0, GAP, 0] })));
  const px = s.pixels(0, 1000, 10);
  assert.deepEqual([...px.flags.slice(0, px.n)], [0, GAP]);
});

test("a ripple within a pixel is told from an edge", () => {
  const s = new ColumnStore();
  const t = Array.from({ length: 400 }, (_, i) => i / 1000);
  s.take(chunk(message({ t, min: t.map((x) => (x < 0.2 ? 0 : 2 + 2 * Math.sin(x * 628))) })));
  const px = s.pixels(0, 0.4, 10);
  assert.ok(px.turns.slice(0, 5).every((n) => n < 3), `quiet: ${px.turns.slice(0, 5)}`);
  assert.ok(px.turns.slice(6, 10).every((n) => n >= 6), `ripple: ${px.turns.slice(6, 10)}`);
});

test("an empty store answers everything", () => {
  const s = new ColumnStore();
  assert.equal(s.extremes(0, 1), null);
  assert.equal(s.pixels(0, 1, 100).n, 0);
  assert.ok(Number.isNaN(s.newest) && Number.isNaN(s.newestS) && Number.isNaN(s.at(3)));
});
