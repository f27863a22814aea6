// What a file's beginning tells before it is sent: the names of a table's columns. The program itself
// finds them again; this only offers them to choose from.

/**
 * Whether a file holds whole runs, by its name.
 * @param {string} name
 */
export function isRunFile(name) {
  return /\.(zip|json|bundle)$/i.test(name);
}

/**
 * The columns of the first line that is no remark. Without a header they have numbers only.
 * @param {string} text
 * @returns {{value: string, say: string}[]}
 */
export function columnsOf(text) {
  const line = text
    .replace(/^\ufeff/, "")
    .split(/\r\n|\n|\r/)
    .find((l) => l.trim() && !l.trimStart().startsWith("#"));
  if (!line) return [];
  const cells = cut(line, delimiterOf(line));
  if (cells.length < 2 || cells.length > 200) return [];
  return cells.map((c, i) => {
    const name = c.trim();
    const number = name === "" || /^[+-]?[0-9.,]+(e[+-]?[0-9]+)?$/i.test(name);
    return { value: String(i + 1), say: number ? `${i + 1}` : `${i + 1}: ${name.slice(0, 60)}` };
  });
}

/** @param {string} line */
function delimiterOf(line) {
  const count = (/** @type {string} */ d) => line.split(d).length;
  return ["\t", ";", ","].reduce((best, d) => (count(d) > count(best) ? d : best), "\t");
}

/**
 * Cells of one line, quoted ones as RFC 4180 has them.
 * @param {string} line
 * @param {string} delimiter
 */
function cut(line, delimiter) {
  const cells = [""];
  let quoted = false;
  for (let i = 0; i < line.length; i++) {
    const c = line[i];
    if (quoted && c === '"' && line[i + 1] === '"') {
      cells[cells.length - 1] += '"';
      i++;
    } else if (c === '"' && (quoted || cells[cells.length - 1] === "")) {
      quoted = !quoted;
    } else if (c === delimiter && !quoted) {
      cells.push("");
    } else {
      cells[cells.length - 1] += c;
    }
  }
  return cells;
}
