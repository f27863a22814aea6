import assert from "node:assert/strict";
import { test } from "node:test";
import { argumentOf, encodeOption, lastPlace, readingText, Recent, signedNumber } from "../scripts/argument.js";

test("the line has what was filled in, in a form that is read back", () => {
  const line = argumentOf({ name: " shunt ", format: "text", port: "/dev/ttyACM0", options: [["time", "us"], ["baud", " "], ["accuracy", "0.8%+3"], ["query", "A&B%20"]] });
  assert.equal(line, "shunt=text:/dev/ttyACM0?time=us&accuracy=0.8%+3&query=A%26B%2520");
  assert.equal(argumentOf({ name: "a", format: "codes", port: "p", options: [] }), "a=codes:p");
  assert.equal(encodeOption("±(0.8 % + 3)"), "±(0.8 % + 3)");
});

test("numbers are read as people write them, and nothing else is a number", () => {
  for (const [text, want] of /** @type {[string, number][]} */ ([["1,5", 1.5], ["-0.02", -0.02], ["−3", -3], ["+.5", 0.5], ["2.", 2]])) assert.equal(signedNumber(text), want, text);
  for (const text of ["", " ", "1e3", "1.2.3", "abc", "--1", ".", "Infinity"]) assert.ok(Number.isNaN(signedNumber(text)), text);
});

test("a meter's count is that of the digits it showed", () => {
  assert.equal(lastPlace(["0", "1,500", ""]), 0.001);
  assert.equal(lastPlace(["4"]), 1);
  assert.equal(lastPlace([" "]), 0);
});

test("the mean is of the last two seconds, and a reading beyond the range ends it", () => {
  const r = new Recent(2000);
  assert.equal(r.mean(), null);
  for (const [at, v] of [[0, 100], [1500, 1], [2500, 3], [3000, 2]]) r.add(at, v);
  assert.deepEqual(r.mean(), { mean: 2, apart: 2, n: 3 });
  r.add(3100, null);
  assert.equal(r.mean(), null);
});

test("a reading is written with the places that its scatter leaves", () => {
  assert.equal(readingText(1.23456789, 0.01), "1.2346");
  assert.equal(readingText(1.23456789, 3), "1.23");
  assert.equal(readingText(1.5, 0), "1.5");
});
