import assert from "node:assert/strict";
import { test } from "node:test";
import { fieldProblem } from "../scripts/sheet.js";

const field = (/** @type {Partial<Parameters<typeof fieldProblem>[0]>} */ over) => fieldProblem({ value: "", required: false, numeric: true, least: 0, most: 20, say: "Wire", ...over });

test("a field says what is wrong in its own words, and an empty one only where it is needed", () => {
  assert.equal(field({}), "");
  assert.equal(field({ required: true }), "Wire is needed.");
  assert.equal(field({ value: "0,5" }), "");
  assert.match(field({ value: "thick" }), /is a number/);
  assert.equal(field({ value: "21" }), "Wire is 0 to 20.");
  assert.match(field({ value: "-1" }), /is a number/);
  assert.equal(field({ value: "anything", numeric: false }), "");
});
