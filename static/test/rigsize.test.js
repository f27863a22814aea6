import assert from "node:assert/strict";
import { test } from "node:test";
import { areaOfGauge, forRig, freeName, moved, numberProblem, shortQuery } from "../scripts/rigsize.js";

// Areas of ASTM B258 as its table prints them, mm²: the table rounds diameters to a tenth of a thousandth of an inch.
test("a gauge is the area of ASTM B258", () => {
  for (const [gauge, mm2] of /** @type {[string, number][]} */ ([["36", 0.01267], ["24", 0.2047], ["AWG 22", 0.3255], ["20 awg", 0.5189], ["18", 0.8235], ["16", 1.309], ["14", 2.082], ["12", 3.308], ["10", 5.26], ["0", 53.49], ["1/0", 53.49], ["000", 85.01], ["4/0", 107.2]])) {
    const got = areaOfGauge(gauge);
    assert.ok(Math.abs(got / mm2 - 1) < 3e-3, `${gauge}: ${got}, want ${mm2}`);
  }
});

test("what is no gauge is no area", () => {
  for (const text of ["", "0.75", "-3", "018", "51", "5/0", "0/0", "1/2", "x", "18 mm"]) assert.ok(Number.isNaN(areaOfGauge(text)), text);
});

test("a rating is a number above 0, or nothing", () => {
  for (const text of ["", " ", "0.5", "0,5", "12"]) assert.equal(numberProblem(text), "", text);
  assert.match(numberProblem("-1"), /negative/);
  assert.match(numberProblem("-0,5"), /negative/);
  assert.match(numberProblem("0"), /leave it empty/);
  for (const text of ["x", "1 A", "1e3", "NaN", "Infinity", "1.2.3", "--1"]) assert.match(numberProblem(text), /A number/, text);
});

test("a part moves to its place and the rest keeps its order", () => {
  assert.deepEqual(moved(["a", "b", "c"], 2, 0), ["c", "a", "b"]);
  assert.deepEqual(moved(["a", "b", "c"], 0, 1), ["b", "a", "c"]);
  const row = ["a", "b"];
  for (const [from, to] of [[0, -1], [1, 2], [-1, 0], [5, 0]]) assert.equal(moved(row, from, to), row);
});

test("a free name is not taken in any writing", () => {
  assert.equal(freeName([]), "rig 1");
  assert.equal(freeName(["Rig 1", "rig 2"]), "rig 3");
  assert.equal(freeName(["bench1", "Bench1 (2)"], "bench1"), "bench1 (3)");
});

test("a rig keeps nothing of the shelf", () => {
  assert.deepEqual(forRig({ id: 4, kind: "fuse", name: "F", rated_a: 2, count: 3, price: 1.5 }), { kind: "fuse", name: "F", rated_a: 2 });
});

test("the address holds what differs from what is usual", () => {
  assert.equal(shortQuery([["unit", "3"], ["procedure", "short"], ["hold", " "], ["by", "ohms"], ["in", "times"]]), "unit=3&by=ohms");
});
