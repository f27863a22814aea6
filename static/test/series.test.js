import assert from "node:assert/strict";
import test from "node:test";
import { contactLine } from "../scripts/contactform.js";
import { levelHeard } from "../scripts/guardtones.js";
import { seriesView } from "../scripts/series.js";

test("a series that goes on can be stopped, one that was stopped goes on", () => {
  assert.deepEqual(seriesView({ bench: "idle", series: { id: 3, rig: "bench1", text: "2 of 5 done, next in 42 s" } }, null), { text: "Series 3: 2 of 5 done, next in 42 s", act: "stop", id: 3, rig: "bench1" });
  assert.equal(seriesView({ bench: "idle", series: null, last_series: { id: 3, stage: "stopped", text: "x" } }, null).act, "resume");
  assert.equal(seriesView({ bench: "idle", series: null, last_series: { id: 3, stage: "complete", text: "x" } }, { id: 2, rig: "", text: "y" }).act, "");
  assert.deepEqual(seriesView({ bench: "idle", series: null, last_series: null }, { id: 2, rig: "", text: "y" }), { text: "y", act: "resume", id: 2, rig: "" });
  assert.equal(seriesView({ bench: "armed", series: null, last_series: null }, { id: 2, rig: "", text: "y" }).act, "");
  assert.equal(seriesView(null, null).text, "");
});

test("a level is heard when it is reached from below, and the last one again while the contact is closed", () => {
  const at = (/** @type {string} */ before, /** @type {string} */ level, open = false, since = Infinity) => levelHeard(before, { level, open_now: open }, since);
  assert.equal(at("well", "half"), "half");
  assert.equal(at("half", "half"), "");
  assert.equal(at("half", "near"), "near");
  assert.equal(at("near", "half"), "");
  assert.equal(at("near", "limit"), "limit");
  assert.equal(at("quiet", "well"), "");
  assert.equal(at("limit", "limit", true, 300), "");
  assert.equal(at("limit", "limit", true, 1500), "limit");
  assert.equal(at("near", "limit", true, 300), "limit");
  assert.equal(at("limit", "near", true, 1500), "limit");
});

test("the contact's line is written as it would be typed", () => {
  assert.equal(contactLine({ port: "/dev/ttyUSB1", drive: true, sense: "", lowered: true }), "/dev/ttyUSB1");
  assert.equal(contactLine({ port: "/dev/ttyUSB1", drive: false, sense: "dsr", lowered: true }), "/dev/ttyUSB1?drive=no&sense=dsr&closed=lowered");
});
