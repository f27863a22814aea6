import assert from "node:assert/strict";
import test from "node:test";

import { chosenAfter, traySays } from "../scripts/traychoice.js";

const NAMES = { short: "Short-circuit test", carry: "Carry test" };
/** @param {number} id @param {string} [procedure] */
const run = (id, procedure = "short") => ({ id, unit: `Unit${id}`, procedure });

test("runs are kept in the order they were chosen, each once", () => {
  let chosen = chosenAfter([], run(9), true);
  chosen = chosenAfter(chosen, run(4), true);
  chosen = chosenAfter(chosen, run(9), true);
  assert.deepEqual(chosen.map((c) => c.id), [4, 9]);
  assert.deepEqual(chosenAfter(chosen, run(4), false).map((c) => c.id), [9]);
});

test("two to six of one kind can be put side by side", () => {
  for (let n = 0; n <= 8; n++) {
    const says = traySays(Array.from({ length: n }, (_, i) => run(i + 1)), NAMES);
    assert.equal(says.ready, n >= 2 && n <= 6, `${n}`);
    assert.equal(says.count, `${n} chosen`);
  }
  assert.match(traySays([1, 2, 3, 4, 5, 6, 7].map((i) => run(i)), NAMES).wrong, /At most 6 stand side by side: clear 1/);
  assert.match(traySays([run(1)], NAMES).names, /Choose one to five more/);
});

test("unlike kinds are refused by name", () => {
  const says = traySays([run(1), run(25, "carry"), run(2)], NAMES);
  assert.equal(says.ready, false);
  assert.equal(says.wrong, "These are different kinds of tests (Short-circuit test: run 1, 2; Carry test: run 25). Choose runs of one kind.");
});
