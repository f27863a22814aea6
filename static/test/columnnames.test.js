import assert from "node:assert/strict";
import { test } from "node:test";

import { columnsOf, isRunFile } from "../scripts/columnnames.js";

test("the names of a table's columns", () => {
  /** @type {[string, string[]][]} */
  const cases = [
    ["time_s,current_a\r\n0,1\r\n", ["1: time_s", "2: current_a"]],
    ["\ufeffZeit (ms);Strom (mA)\n0;1,5\n", ["1: Zeit (ms)", "2: Strom (mA)"]],
    ["# made by hand\n\nt\ti\tu\n", ["1: t", "2: i", "3: u"]],
    ['"a, ""b""",c\n', ['1: a, "b"', "2: c"]],
    ["0.1,4.5,12\n", ["1", "2", "3"]],
    ["one\n", []],
    ["", []],
    ["PK\u0003\u0004\u0000", []],
  ];
  for (const [text, want] of cases) assert.deepEqual(columnsOf(text).map((c) => c.say), want, JSON.stringify(text));
});

test("which files hold whole runs", () => {
  for (const name of ["a.zip", "A.ZIP", "run.json", "x.bundle"]) assert.ok(isRunFile(name), name);
  for (const name of ["a.csv", "a.cfg", "json", "a.zip.csv"]) assert.ok(!isRunFile(name), name);
});
