// Asking the program to do something. An answer that is no success becomes an Error whose message is
// what the program said, with its hint.

/**
 * @param {string} method
 * @param {string} path
 * @param {unknown} [body]
 * @returns {Promise<any>}
 */
export async function ask(method, path, body) {
  /** @type {RequestInit} */
  const init = { method, headers: { "Content-Type": "application/json" } };
  if (body !== undefined) init.body = JSON.stringify(body);
  let answer;
  try {
    answer = await fetch(path, init);
  } catch {
    throw new Error("The program does not answer. Is it still running?");
  }
  const text = await answer.text();
  let value = null;
  try {
    value = text ? JSON.parse(text) : null;
  } catch {
    // Not JSON: a proxy in between, or a page. The status says enough.
  }
  if (answer.ok) return value;
  const said = value?.error;
  throw new Error(said ? [said.text, said.hint].filter(Boolean).map(sentence).join(" ") : `The program answered ${answer.status}.`);
}

/** @param {string} s */
export function sentence(s) {
  const t = s.trim();
  return t.charAt(0).toUpperCase() + t.slice(1) + (/[.?!]$/.test(t) ? "" : ".");
}
