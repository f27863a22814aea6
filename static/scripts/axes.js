// Ticks and ranges of axes. Pure.

/**
 * A step of 1, 2 or 5 times a power of ten that cuts `span` into at most `most` parts.
 * @param {number} span above 0
 * @param {number} most at least 1
 */
export function niceStep(span, most) {
  const raw = span / Math.max(1, most);
  const power = 10 ** Math.floor(Math.log10(raw));
  for (const f of [1, 2, 5, 10]) {
    // A hair of room: 0.3 / 3 is a little over 0.1 in floating point.
    if (f * power >= raw * (1 - 1e-9)) return f * power;
  }
  return 10 * power;
}

/**
 * The multiples of a nice step within from..to.
 * @param {number} from
 * @param {number} to above from
 * @param {number} most parts
 * @returns {{step: number, values: number[]}}
 */
export function niceTicks(from, to, most) {
  const step = niceStep(to - from, most);
  const values = [];
  const first = Math.ceil(from / step - 1e-9);
  for (let k = first; k * step <= to + step * 1e-9; k++) values.push(clean(k * step, step));
  return { step, values };
}

/**
 * The top of a current axis that begins at 0: the smallest nice multiple that leaves `room` above
 * the highest value.
 * @param {number} highest in amperes
 * @param {number} most parts
 */
export function niceTop(highest, most) {
  const need = Math.max(highest * 1.06, 0.001);
  const step = niceStep(need, most);
  return clean(Math.ceil(need / step - 1e-9) * step, step);
}

/**
 * A tick as text, with the decimals its step needs and a real minus sign.
 * @param {number} value
 * @param {number} step
 */
export function tickText(value, step) {
  const decimals = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
  return value.toFixed(decimals).replace("-", "−").replace(/^−(0(\.0*)?)$/, "$1");
}

/**
 * Without the dust of floating point.
 * @param {number} value
 * @param {number} step
 */
function clean(value, step) {
  return Number(value.toFixed(Math.max(0, 2 - Math.floor(Math.log10(step)))));
}
