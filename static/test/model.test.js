import assert from "node:assert/strict";
import { test } from "node:test";
import { waitMs } from "../scripts/live.js";
import { BenchModel } from "../scripts/model.js";
import { stretches } from "../scripts/phases.js";
import { closePicture, wholePicture } from "../scripts/pictures.js";

const idle = { type: "hello", role: "operator", channels: [{ instrument: "shunt", quantity: "current", unit: "A" }], bench: "idle", run: null, phase: "idle", instruments: [], now_at_s: 100, zero_at_s: null, opened_at_s: null, hold_s: null, watching: false };
const unit = { id: 1, name: "Tin", rated_current_a: 1.4 };

/** @param {...any} messages */
function modelAfter(...messages) {
  const m = new BenchModel();
  for (const x of messages) m.take(x);
  return m;
}

const open = { ...idle, type: "state", bench: "recording", run: 7, zero_at_s: null, opened_at_s: 110, hold_s: 30, unit, now_at_s: 111 };
const mark = (/** @type {any} */ over) => ({ type: "mark", run: 7, id: 1, kind: "onset", t_s: 0, at_s: 112, by: "detector", provisional: true, withdrawn: false, say: "onset", ...over });

test("marks count from the onset even when the onset moves after they were made", () => {
  const m = modelAfter(idle, open, mark({ id: 1, kind: "applied", at_s: 111.8 }), mark({ id: 2 }), mark({ id: 3, kind: "cut_off", at_s: 112.9, t_s: 0.9 }));
  assert.deepEqual(m.marksInOrder().map((x) => [x.kind, Number(x.t.toFixed(3))]), [["applied", -0.2], ["onset", 0], ["cut_off", 0.9]]);
  m.take(mark({ id: 2, at_s: 112.01, provisional: false }));
  assert.deepEqual(m.marksInOrder().map((x) => Number(x.t.toFixed(3))), [-0.21, 0, 0.89]);
});

test("a run that the program no longer knows after a break is interrupted, and its trace stays", () => {
  const m = modelAfter(idle, open, mark({ id: 2 }));
  m.takeBinary(columns([110, 112, 115]));
  m.take({ ...idle, now_at_s: 3 });
  m.takeBinary(columns([1, 2, 3], true));
  assert.deepEqual([m.mode, m.run, m.runState, m.current?.newestS], ["after", 7, "interrupted", 115]);
  m.take({ ...open, type: "hello", channels: idle.channels, run: 8 });
  assert.deepEqual([m.mode, m.run], ["recording", 8]);
});

test("a withdrawn mark is gone", () => {
  const m = modelAfter(idle, open, mark({ id: 2 }), mark({ id: 3, kind: "cut_off", at_s: 112.9 }), mark({ id: 3, kind: "cut_off", at_s: 112.9, withdrawn: true }));
  assert.deepEqual(m.marksInOrder().map((x) => x.kind), ["onset"]);
});

test("a run that ended stays on the page until the bench is armed again", () => {
  const m = modelAfter(idle, open, mark({ id: 2 }), { type: "figures", run: 7, say: "Tries again by itself", lines: [{ key: "peak_current_a" }] });
  assert.equal(m.mode, "recording");
  m.take({ type: "run", run: 7, state: "complete", unit });
  m.take({ ...idle, type: "state", now_at_s: 160 });
  assert.deepEqual([m.mode, m.run, m.lines.length, m.behaviour], ["after", 7, 1, "Tries again by itself"]);
  m.take({ ...idle, type: "state", bench: "armed", hold_s: 20, unit });
  assert.deepEqual([m.mode, m.run, m.lines.length, m.marks.size, m.holdS], ["armed", null, 0, 0, 20]);
});

/** @param {number[]} t */
function columns(t, backlog = false) {
  const buffer = new ArrayBuffer(32 + 13 * t.length);
  const v = new DataView(buffer);
  for (const [i, b] of [0x4c, 0x54, 1, backlog ? 1 : 0].entries()) v.setUint8(i, b);
  v.setUint32(8, t.length, true);
  t.forEach((x, i) => {
    v.setFloat32(32 + 4 * i, x, true);
    v.setFloat32(32 + 4 * (t.length + i), x, true);
    v.setFloat32(32 + 4 * (2 * t.length + i), x, true);
  });
  return buffer;
}

test("listening goes on behind the trace of a run that ended, without a hole and without end", () => {
  const m = modelAfter(idle, open, mark({ id: 2 }));
  m.takeBinary(columns([110, 120, 130]));
  m.take({ type: "run", run: 7, state: "complete", unit });
  m.take({ ...idle, type: "state", now_at_s: 131 });
  for (let t = 131; t < 200; t++) m.takeBinary(columns([t]));
  assert.deepEqual([m.mode, m.current?.newestS, m.current?.length, m.nowS], ["after", 130, 3, 130]);
  assert.ok(m.stores[0].length <= 15, `${m.stores[0].length} columns are kept while nothing runs`);
  m.take({ ...idle, type: "state", bench: "armed", unit, now_at_s: 199 });
  assert.deepEqual([m.current?.newestS, m.current?.at(190)], [199, 190]);
});

test("a run that opens is recorded from its first message on, before the state says so", () => {
  const m = modelAfter({ ...idle, bench: "armed", unit }, { type: "run", run: 7, state: "open", unit, zero_at_s: null });
  m.takeBinary(columns([100, 130]));
  assert.deepEqual([m.mode, m.current?.length], ["recording", 2]);
});

test("messages of another run change nothing shown", () => {
  const m = modelAfter(idle, open, mark({ id: 2 }));
  m.take({ type: "run", run: 3, state: "complete" });
  m.take({ type: "figures", run: 3, lines: [{}, {}] });
  assert.deepEqual([m.run, m.runState, m.lines.length, m.marks.size], [7, "open", 0, 1]);
});

test("a page opened in the middle of a run is whole after hello, run, marks and figures", () => {
  const m = modelAfter({ ...open, type: "hello", channels: idle.channels, role: "viewer", zero_at_s: 112 }, { type: "run", run: 7, state: "open", unit, zero_at_s: 112 }, mark({ id: 2 }), mark({ id: 3, kind: "cut_off", at_s: 113 }));
  assert.deepEqual([m.mode, m.role, m.zeroS, m.marksInOrder().length], ["recording", "viewer", 112, 2]);
});

test("phases are cut by marks, and notes cut nothing", () => {
  const marks = [{ kind: "applied", t: -0.1 }, { kind: "onset", t: 0 }, { kind: "note", t: 0.5 }, { kind: "cut_off", t: 0.9 }, { kind: "retry_on", t: 2.6 }, { kind: "retry_off", t: 2.85 }, { kind: "removed", t: 4 }];
  assert.deepEqual(
    stretches(marks.map((m, id) => ({ id, by: "detector", say: "", ...m })), -1, 5).map((s) => [s.phase, s.from, s.to]),
    [["idle", -1, 0], ["fault", 0, 0.9], ["off", 0.9, 2.6], ["retry", 2.6, 2.85], ["off", 2.85, 4], ["idle", 4, 5]],
  );
});

test("a fault too narrow for the whole hold gets a close look, a wide one none", () => {
  const narrow = modelAfter(idle, { ...open, zero_at_s: 112, now_at_s: 120 }, mark({ id: 2 }), mark({ id: 3, kind: "cut_off", at_s: 112.035 }));
  const near = closePicture(wholePicture(narrow, 5), 900);
  assert.ok(near && near.view.to < 0.2 && near.view.from < 0, JSON.stringify(near?.view));
  const wide = modelAfter(idle, { ...open, zero_at_s: 112, now_at_s: 120 }, mark({ id: 2 }), mark({ id: 3, kind: "cut_off", at_s: 116 }));
  assert.equal(closePicture(wholePicture(wide, 5), 900), null);
});

test("waiting to connect again doubles, is bounded and never zero", () => {
  assert.equal(waitMs(0, 1), 500);
  assert.equal(waitMs(3, 1), 4000);
  for (let n = 0; n < 2000; n += 7) {
    const w = waitMs(n);
    assert.ok(w >= 375 && w <= 10_000, `attempt ${n}: ${w}`);
  }
});

test("what nothing sends any more is not shown as now", () => {
  const shunt = (/** @type {string} */ state) => ({ name: "shunt", format: "text", port: "p", state, rate_hz: 1000, latest: [] });
  const m = modelAfter(idle, { ...idle, type: "state", bench: "armed", hold_s: 20, unit, instruments: [shunt("receiving")] });
  m.stores[0].take({ backlog: false, channel: 0, lost: 0, widthS: 0, t: Float64Array.of(99, 99.5), min: Float32Array.of(0, 0), max: Float32Array.of(0, 0), flags: Uint8Array.of(0, 0) });
  assert.notEqual(wholePicture(m, 5).now, null);
  m.take({ ...idle, type: "state", bench: "armed", hold_s: 20, unit, instruments: [shunt("unplugged")] });
  assert.equal(m.receives, false);
  assert.equal(wholePicture(m, 5).now, null);
});
