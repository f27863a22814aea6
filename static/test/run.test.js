// The parts of the page of a run that compute.
import assert from "node:assert/strict";
import test from "node:test";
import { addressOf, readAddress } from "../scripts/runaddress.js";
import { layerKey } from "../scripts/runlayer.js";
import { markFrom, phaseAt } from "../scripts/runreplay.js";
import { bestOf, isFine } from "../scripts/runstore.js";
import { plotOf, ticksOf } from "../scripts/frame.js";
import { Lens } from "../scripts/lens.js";
import { wholeRun } from "../scripts/windows.js";

test("an address says what was seen, and leaves the rest alone", () => {
  const seen = { look: { from: -0.25, to: 2.7500000004 }, log: true, at: 1.41, open: "let_through_a2s" };
  const search = addressOf("?derivation=3", seen);
  assert.equal(search, "?derivation=3&from=-0.25&to=2.75&time=log&at=1.41&open=let_through_a2s");
  assert.deepEqual(readAddress(search), { ...seen, look: { from: -0.25, to: 2.75 } });
  assert.equal(addressOf(search, { look: null, log: false, at: null, open: null }), "?derivation=3");
  assert.equal(addressOf("?from=1&to=2", { look: null, log: false, at: null, open: null }), "");
});

test("an address that says nothing sound is read as nothing", () => {
  for (const bad of ["", "?from=soon&to=1", "?from=2&to=1", "?from=1", "?from=&to=", "?from=1&to=Infinity", "?from=1&to=1"]) {
    assert.equal(readAddress(bad).look, null, bad);
  }
  assert.equal(readAddress("?at=").at, null);
  assert.equal(readAddress("?at=0").at, 0);
  assert.equal(readAddress("?time=linear").log, false);
});

test("from mark to mark, either way", () => {
  const times = [0, 0.9, 3.25, 3.5];
  assert.equal(markFrom(times, -2, 1), 0);
  assert.equal(markFrom(times, 0, 1), 0.9);
  assert.equal(markFrom(times, 0.9, -1), 0);
  assert.equal(markFrom(times, 2, -1), 0.9);
  assert.equal(markFrom(times, 3.5, 1), null);
  assert.equal(markFrom(times, 0, -1), null);
  assert.equal(markFrom([], 0, 1), null);
});

test("an instant belongs to the phase that begins there", () => {
  const parts = /** @type {any} */ ([
    { phase: "idle", from: -2, to: 0 },
    { phase: "fault", from: 0, to: 0.9 },
    { phase: "off", from: 0.9, to: 3 },
  ]);
  assert.equal(phaseAt(parts, 0)?.phase, "fault");
  assert.equal(phaseAt(parts, -1)?.phase, "idle");
  assert.equal(phaseAt(parts, 0.9)?.phase, "off");
  assert.equal(phaseAt(parts, 3), null);
});

test("the finest columns that hold a stretch are drawn", () => {
  const part = (/** @type {number} */ from, /** @type {number} */ to, single = false, log = false) => /** @type {any} */ ({ from, to, single, log, stores: [] });
  const wide = part(0, 100);
  const near = part(10, 20);
  const single = part(12, 13, true);
  const need = (/** @type {number} */ from, /** @type {number} */ to, log = false) => ({ from, to, log });
  assert.equal(bestOf([wide, near, single], need(14, 16)), near);
  assert.equal(bestOf([wide, near, single], need(12.2, 12.8)), single);
  assert.equal(bestOf([wide, near, single], need(12.2, 13.8)), near);
  assert.equal(bestOf([wide, near], need(9, 16)), wide);
  assert.equal(bestOf([near], need(9, 16)), null);
  assert.equal(bestOf([wide, near], need(14, 16, true)), null, "linear columns are too coarse for the beginning of a logarithmic axis");
  assert.equal(bestOf([single], need(12.2, 12.4, true)), single);
  assert.ok(isFine(near, need(12, 17)));
  assert.ok(!isFine(wide, need(12, 17)));
  assert.ok(isFine(single, need(12.5, 12.5001)));
  assert.ok(!isFine(near, need(12, 17, true)));
  assert.ok(isFine(part(0.001, 20, false, true), need(0.001, 20, true)));
});

test("a chart is drawn anew when what stands over it changes", () => {
  const layer = /** @type {any} */ ({ marks: [{ kind: "onset", t: 0, by: "detector", say: "Onset" }], levels: [], used: null, play: null, drag: null, close: true });
  const key = layerKey(layer);
  assert.notEqual(layerKey({ ...layer, play: { t: 1, a: 2, says: true } }), key);
  assert.notEqual(layerKey({ ...layer, drag: { i: 0, t: 0.1 } }), key);
  assert.notEqual(layerKey({ ...layer, used: { uses: [{ as: "sum", of: "current", from_s: 0, to_s: 1 }], say: "Let through" } }), key);
  assert.notEqual(layerKey({ ...layer, marks: [] }), key);
  assert.equal(layerKey({ ...layer }), key);
});

test("the whole run begins with the first stored reading, and a look can go there", () => {
  for (const [from, to] of [[-5, 23], [-5, 0.4], [-60, 1], [0, 10], [-0.2, 600]]) {
    const whole = wholeRun(from, to);
    assert.equal(whole.from, from);
    assert.ok(whole.to >= to && whole.to - to < 0.02 * (to - from), `${from} to ${to}`);
  }
  assert.equal(wholeRun(0.3, 4).from, 0, "the onset is part of it");
  const lens = new Lens();
  lens.select(-4.8, -4.2, { ...wholeRun(-5, 23), leastS: 1e-3 });
  assert.deepEqual(lens.window, { from: -4.8, to: -4.2 });
});

test("the time before the onset has its ticks where there is much of it", () => {
  const at = (/** @type {number} */ from, /** @type {number} */ to) => ticksOf(/** @type {any} */ ({ from, to, top: 5 }), plotOf(900, 300)).x.values;
  assert.ok(at(-5, 23).some((v) => v < -1e-9), "a whole run");
  assert.ok(at(-3, 1).filter((v) => v < -1e-9).length >= 2, "a look at the pre-record");
  assert.ok(at(-0.5, 3.5).every((v) => v >= 0), "the close look at a fault");
  assert.ok(at(-1.2, 31).every((v) => v >= 0), "the hold on the Bench");
});
