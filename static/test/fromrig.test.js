import assert from "node:assert/strict";
import { test } from "node:test";
import { askedOfBench, rigAddress } from "../scripts/fromrig.js";

test("the Bench takes unit, rig, procedure and hold from the address, and no hold that is none", () => {
  assert.deepEqual(askedOfBench("?unit=3&rig=bench1&procedure=ramp&hold=12,5"), { unit: "3", rig: "bench1", procedure: "ramp", hold: "12,5" });
  assert.deepEqual(askedOfBench("?rig=a%26b&hold=-1"), { unit: "", rig: "a&b", procedure: "", hold: "" });
  assert.equal(askedOfBench("?hold=x"), null);
  assert.equal(askedOfBench(""), null);
});

test("the page Rig is asked for what is chosen on the Bench", () => {
  assert.equal(rigAddress({ unit: "new" }), "/rig");
  assert.equal(rigAddress({ unit: 3, rig: "a&b", procedure: "short" }), "/rig?unit=3&rig=a%26b");
  assert.equal(rigAddress({ procedure: "ramp" }), "/rig?procedure=ramp");
});
