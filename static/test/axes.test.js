import assert from "node:assert/strict";
import { test } from "node:test";
import { niceStep, niceTicks, niceTop, tickText } from "../scripts/axes.js";

test("steps are 1, 2 or 5 times a power of ten and never too many", () => {
  for (const span of [0.001, 0.3, 1, 7, 31, 99, 1e4]) {
    for (const most of [1, 2, 5, 7]) {
      const step = niceStep(span, most);
      assert.ok(span / step <= most * (1 + 1e-6), `${span} by ${step}`);
      const lead = step / 10 ** Math.floor(Math.log10(step) + 1e-9);
      assert.ok([1, 2, 5].some((f) => Math.abs(lead - f) < 1e-6), `step ${step}`);
    }
  }
});

test("ticks are clean multiples within the range", () => {
  assert.deepEqual(niceTicks(0, 0.3, 3).values, [0, 0.1, 0.2, 0.3]);
  assert.deepEqual(niceTicks(-5, 31, 7).values, [0, 10, 20, 30]);
  assert.deepEqual(niceTicks(-5, 31, 8).values, [-5, 0, 5, 10, 15, 20, 25, 30]);
});

test("the top of the axis has room above the highest value", () => {
  assert.equal(niceTop(4.5, 5), 5);
  assert.equal(niceTop(5.1, 5), 6);
  assert.equal(niceTop(0.58, 5), 0.8);
  for (let a = 0.01; a < 50; a *= 1.13) assert.ok(niceTop(a, 5) >= a * 1.05, `top of ${a}`);
});

test("tick text has the decimals of its step and a real minus", () => {
  assert.equal(tickText(0.3, 0.1), "0.3");
  assert.equal(tickText(-5, 5), "−5");
  assert.equal(tickText(-0, 0.5), "0.0");
  assert.equal(tickText(20, 10), "20");
});
