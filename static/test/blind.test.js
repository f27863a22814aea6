import assert from "node:assert/strict";
import { test } from "node:test";
import { BenchModel } from "../scripts/model.js";
import { wholePicture } from "../scripts/pictures.js";

const shunt = { name: "shunt", state: "receiving" };
const hello = { type: "hello", role: "operator", channels: [{ instrument: "shunt", quantity: "current", unit: "A" }], bench: "armed", run: null, phase: "idle", instruments: [shunt], now_at_s: 100, zero_at_s: null, opened_at_s: null, hold_s: 30, watching: false };

/** @param {string} state of the instrument */
function armed(state) {
  const m = new BenchModel();
  m.take({ ...hello, instruments: [{ ...shunt, state }] });
  m.stores[0].take({ backlog: true, channel: 0, lost: 0, widthS: 0, t: Float64Array.of(98, 99), min: Float32Array.of(0, 0), max: Float32Array.of(0, 0), flags: Uint8Array.of(0, 0) });
  return m;
}

test("what is no longer received has no reading now", () => {
  assert.equal(wholePicture(armed("receiving"), 5).now?.t, 0);
  assert.equal(wholePicture(armed("over_range"), 5).now?.t, 0);
  for (const state of ["silent", "unplugged", "reconnecting", "garbled"]) assert.equal(wholePicture(armed(state), 5).now, null, state);
});

test("another instrument's readings are no current", () => {
  const m = armed("unplugged");
  m.take({ ...hello, type: "state", instruments: [{ ...shunt, state: "silent" }, { name: "volts", state: "receiving" }] });
  assert.equal(m.receives, false);
});

test("a phase reaches no further than what was received", () => {
  const m = armed("receiving");
  m.take({ ...hello, type: "state", bench: "recording", run: 3, opened_at_s: 98, zero_at_s: 98, now_at_s: 120, instruments: [{ ...shunt, state: "unplugged" }] });
  m.take({ type: "mark", run: 3, id: 1, kind: "onset", t_s: 0, at_s: 98, by: "detector", say: "Onset" });
  assert.equal(wholePicture(m, 5).view.stretches.at(-1)?.to, 1);
});
