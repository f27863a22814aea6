// An instrument's line, as the command line has it, out of the fields of the form.

/**
 * An option's value: what would be read as something else is encoded, the rest stays readable.
 * @param {string} value
 */
export function encodeOption(value) {
  return value.replace(/%(?=[0-9A-Fa-f]{2})/g, "%25").replace(/&/g, "%26");
}

/**
 * @param {{name: string, format: string, port: string, options: [string, string][]}} fields
 */
export function argumentOf({ name, format, port, options }) {
  const given = options.filter(([, value]) => value.trim() !== "").map(([key, value]) => `${key}=${encodeOption(value.trim())}`);
  return `${name.trim()}=${format}:${port.trim()}${given.length ? "?" + given.join("&") : ""}`;
}

/**
 * A number as people write it, with a sign, a comma or a point; NaN where it is none.
 * @param {string} text
 */
export function signedNumber(text) {
  const t = text.trim().replace(",", ".").replace("−", "-");
  return /^[+-]?(\d+\.?\d*|\.\d+)$/.test(t) ? Number(t) : NaN;
}

/**
 * What the last decimal place of the numbers is worth as they are written: 0.001 of 1.500; 0 where there is none.
 * @param {string[]} written
 */
export function lastPlace(written) {
  const places = written.filter((t) => t.trim()).map((t) => (t.trim().replace(",", ".").split(".")[1] ?? "").length);
  return places.length ? Number((10 ** -Math.min(9, Math.max(...places))).toPrecision(1)) : 0;
}

/** The newest readings of a channel, to take the mean of what is shown now. */
export class Recent {
  /** @param {number} spanMs how far back */
  constructor(spanMs = 2000) {
    this.spanMs = spanMs;
    /** @type {{at: number, value: number}[]} */
    this.kept = [];
  }

  /**
   * @param {number} at ms
   * @param {number | null} value null: beyond the range or not there, which ends what was collected
   */
  add(at, value) {
    if (value === null || !Number.isFinite(value)) {
      this.kept = [];
      return;
    }
    this.kept.push({ at, value });
    while (this.kept.length && this.kept[0].at < at - this.spanMs) this.kept.shift();
  }

  /** The mean and how far the readings lie apart; null where there is none. */
  mean() {
    if (!this.kept.length) return null;
    const values = this.kept.map((k) => k.value);
    return {
      mean: values.reduce((a, b) => a + b, 0) / values.length,
      apart: Math.max(...values) - Math.min(...values),
      n: values.length,
    };
  }
}

/**
 * A reading with as many places as its scatter makes sense of.
 * @param {number} value
 * @param {number} apart
 */
export function readingText(value, apart) {
  const places = apart > 0 ? Math.min(6, Math.max(0, 2 - Math.floor(Math.log10(apart)))) : 6;
  return String(Number(value.toFixed(places)));
}
