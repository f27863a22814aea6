// The colours of the style sheet, for what is drawn on a canvas.

/** @typedef {(name: string) => string} Colour */

/** Reads a custom property of the page: colour("ink") is what --ink says now. */
export function readColours() {
  const style = getComputedStyle(document.body);
  /** @type {Map<string, string>} */
  const known = new Map();
  return (/** @type {string} */ name) => {
    let value = known.get(name);
    if (value === undefined) {
      value = style.getPropertyValue("--" + name).trim();
      known.set(name, value);
    }
    return value;
  };
}

/** The page's own type face. */
export function readFace() {
  return getComputedStyle(document.body).fontFamily;
}

/**
 * A copy of an option object in which every string "var(--name)" has become that colour: the options
 * are made on the server, the colours belong to the style sheet.
 * @param {any} value
 * @param {Colour} colour
 * @returns {any}
 */
export function coloured(value, colour) {
  if (typeof value === "string") {
    const m = /^var\(--([a-z-]+)\)$/.exec(value);
    return m ? colour(m[1]) : value;
  }
  if (Array.isArray(value)) return value.map((v) => coloured(v, colour));
  if (value && typeof value === "object") {
    return Object.fromEntries(Object.entries(value).map(([k, v]) => [k, coloured(v, colour)]));
  }
  return value;
}

/**
 * Calls back whenever the page turns light or dark.
 * @param {() => void} changed
 */
export function onSchemeChange(changed) {
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", changed);
}

/** @type {Record<string, {size: number, draw: (ctx: CanvasRenderingContext2D, size: number) => void}>} */
const HATCHES = {
  fault: {
    size: 8,
    draw(ctx, s) {
      for (const x of [-s, 0, s]) {
        ctx.moveTo(x - 1, s + 1);
        ctx.lineTo(x + s + 1, -1);
      }
    },
  },
  limiting: {
    size: 5,
    draw(ctx, s) {
      ctx.moveTo(0, 1);
      ctx.lineTo(s, 1);
    },
  },
  retry: {
    size: 4,
    draw(ctx, s) {
      ctx.moveTo(1, 0);
      ctx.lineTo(1, s);
    },
  },
};

/**
 * A tile of a phase's ground with its hatch, for a repeating fill: every phase has its own
 * direction, so that it reads in grey print too. Null for a phase without one.
 * @param {string} phase
 * @param {Colour} colour
 */
export function hatchTile(phase, colour) {
  const hatch = HATCHES[phase];
  if (!hatch) return null;
  const tile = document.createElement("canvas");
  tile.width = tile.height = hatch.size;
  const ctx = tile.getContext("2d");
  if (!ctx) return null;
  ctx.fillStyle = colour(`phase-${phase}`);
  ctx.fillRect(0, 0, hatch.size, hatch.size);
  ctx.strokeStyle = colour(`phase-${phase}-line`);
  ctx.lineWidth = 1.4;
  ctx.beginPath();
  hatch.draw(ctx, hatch.size);
  ctx.stroke();
  return tile;
}
