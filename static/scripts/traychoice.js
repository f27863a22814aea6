// What may be put side by side, and how the tray says it. Pure.

/** @typedef {{id: number, unit: string, procedure: string}} Chosen */

export const FEWEST = 2;
export const MOST = 6;

/**
 * The choice after a run was ticked or cleared.
 * @param {Chosen[]} chosen
 * @param {Chosen} run
 * @param {boolean} ticked
 */
export function chosenAfter(chosen, run, ticked) {
  const others = chosen.filter((c) => c.id !== run.id);
  return ticked ? [...others, run] : others;
}

/**
 * @param {Chosen[]} chosen
 * @param {Record<string, string>} procedures what they are called
 * @returns {{count: string, names: string, wrong: string, ready: boolean}}
 */
export function traySays(chosen, procedures) {
  const kinds = [...new Set(chosen.map((c) => c.procedure))];
  const called = (/** @type {string} */ p) => procedures[p] ?? p;
  let wrong = "";
  if (kinds.length > 1) {
    const parts = kinds.map((k) => `${called(k)}: run ${chosen.filter((c) => c.procedure === k).map((c) => c.id).join(", ")}`);
    wrong = `These are different kinds of tests (${parts.join("; ")}). Choose runs of one kind.`;
  } else if (chosen.length > MOST) wrong = `At most ${MOST} stand side by side: clear ${chosen.length - MOST}.`;
  const names = chosen.map((c) => `${c.unit || "no name"} ${c.id}`).join(", ");
  const one = chosen.length === 1 ? ". Choose one to five more of the same kind of test." : ".";
  return {
    count: `${chosen.length} chosen`,
    names: names + (kinds.length === 1 ? `, ${called(kinds[0])}` : "") + one,
    wrong,
    ready: !wrong && chosen.length >= FEWEST,
  };
}
