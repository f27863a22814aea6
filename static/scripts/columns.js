// Trace columns as they come over the socket: their binary layout, and a store that keeps them and
// reduces any window of time to the pixels of a chart without losing an extreme. Nothing here draws.

/** Flags of a column. */
export const OVER = 1; // beyond the instrument's range
export const GAP = 2; // something was lost before this column

const HEAD_BYTES = 32;
const KIND_BACKLOG = 1;

/** A page left open for hours keeps this many columns: the older half becomes coarser, extremes stay. */
const MOST_COLUMNS = 1 << 18;

/**
 * One decoded binary message.
 * @typedef {object} Chunk
 * @property {boolean} backlog replaces everything kept of that channel
 * @property {number} channel index into the channels of hello
 * @property {number} lost samples lost since the last message
 * @property {number} widthS column width in seconds, 0 for single samples
 * @property {Float64Array} t seconds on the bench's time base
 * @property {Float32Array} min
 * @property {Float32Array} max
 * @property {Uint8Array} flags
 */

/**
 * Reads a binary message; null where it is none of ours or is cut short.
 * @param {ArrayBuffer} buffer
 * @returns {Chunk | null}
 */
export function decodeChunk(buffer) {
  if (buffer.byteLength < HEAD_BYTES) return null;
  const view = new DataView(buffer);
  if (view.getUint8(0) !== 0x4c || view.getUint8(1) !== 0x54 || view.getUint8(2) !== 1) return null;
  const n = view.getUint32(8, true);
  if (buffer.byteLength < HEAD_BYTES + 13 * n) return null;
  const t0 = view.getFloat64(16, true);
  const t = new Float64Array(n);
  const min = new Float32Array(n);
  const max = new Float32Array(n);
  const flags = new Uint8Array(n);
  for (let i = 0; i < n; i++) {
    t[i] = t0 + view.getFloat32(HEAD_BYTES + 4 * i, true);
    min[i] = view.getFloat32(HEAD_BYTES + 4 * (n + i), true);
    max[i] = view.getFloat32(HEAD_BYTES + 4 * (2 * n + i), true);
    flags[i] = view.getUint8(HEAD_BYTES + 12 * n + i);
  }
  return {
    backlog: view.getUint8(3) === KIND_BACKLOG,
    channel: view.getUint16(4, true),
    lost: view.getUint32(12, true),
    widthS: view.getFloat64(24, true),
    t,
    min,
    max,
    flags,
  };
}

/**
 * A window of a trace reduced to pixels: one entry per pixel that has readings, in order of time.
 * `first` and `last` join a pixel to its neighbours; `min` and `max` are all it hides.
 * @typedef {object} Pixels
 * @property {number} n
 * @property {Float64Array} t time of the pixel's first reading
 * @property {Float32Array} first
 * @property {Float32Array} min
 * @property {Float32Array} max
 * @property {Float32Array} last
 * @property {Uint8Array} flags of all its readings, or-ed; GAP is that of the first one
 * @property {Uint16Array} turns how often the trace turns within the pixel: many on a ripple too fast for it
 * @property {number} way of the newest reading: 1 up, -1 down; used while reducing
 */

/** Columns of one channel in order of time, growing at the end and cut at the front. */
export class ColumnStore {
  constructor() {
    this.n = 0;
    this.start = 0; // index of the oldest column kept
    this.widthS = 0;
    this.lost = 0;
    this.version = 0; // changes with every change, so that a drawer knows
    this.t = new Float64Array(1024);
    this.min = new Float32Array(1024);
    this.max = new Float32Array(1024);
    this.flags = new Uint8Array(1024);
  }

  /** How many columns are kept. */
  get length() {
    return this.n - this.start;
  }

  /** Time of the newest column in seconds, NaN where there is none. */
  get newestS() {
    return this.length ? this.t[this.n - 1] : NaN;
  }

  /** The newest value, NaN where there is none. */
  get newest() {
    return this.length ? this.max[this.n - 1] : NaN;
  }

  clear() {
    this.n = this.start = this.lost = 0;
    this.version++;
  }

  /**
   * Takes a message: a backlog replaces everything, an append goes behind it. Columns that are not
   * later than the newest one are set aside, as the bench does with readings.
   * @param {Chunk} c
   */
  take(c) {
    if (c.backlog) this.clear();
    this.widthS = c.widthS;
    this.lost += c.lost;
    this.reserve(c.t.length);
    let newest = this.length ? this.t[this.n - 1] : -Infinity;
    for (let i = 0; i < c.t.length; i++) {
      if (!(c.t[i] > newest)) continue;
      newest = this.t[this.n] = c.t[i];
      this.min[this.n] = c.min[i];
      this.max[this.n] = c.max[i];
      this.flags[this.n] = c.flags[i];
      this.n++;
    }
    if (this.length > MOST_COLUMNS) this.coarsen();
    this.version++;
  }

  /** Joins the columns of the older half in pairs; never over a gap, and no extreme is lost. */
  coarsen() {
    const half = this.start + (this.length >> 1);
    let k = this.start;
    let i = this.start;
    while (i < half) {
      const pair = i + 1 < half && !(this.flags[i + 1] & GAP);
      const j = pair ? i + 1 : i;
      this.t[k] = this.t[i];
      // A bound without a number (beyond the range) is the greater one all the same.
      const [min, max] = [Math.min(this.min[i], this.min[j]), Math.max(this.max[i], this.max[j])];
      this.flags[k] = this.flags[i] | (this.flags[j] & OVER);
      this.min[k] = min;
      this.max[k] = max;
      k++;
      i = j + 1;
    }
    const newer = this.n - half;
    for (const a of [this.t, this.min, this.max, this.flags]) a.copyWithin(k, half, this.n);
    this.n = k + newer;
  }

  /**
   * Forgets columns before a time in seconds; the one just before it stays, so that a line drawn
   * from the left edge has where to come from.
   * @param {number} t
   */
  forget(t) {
    const i = this.firstAtOrAfter(t) - 1;
    if (i > this.start) {
      this.start = i;
      this.version++;
    }
  }

  /**
   * A store of its own with the newest columns of this one.
   * @param {number} seconds
   */
  tail(seconds) {
    const out = new ColumnStore();
    const from = this.firstAtOrAfter(this.newestS - seconds);
    out.take({
      backlog: true,
      channel: 0,
      lost: 0,
      widthS: this.widthS,
      t: this.t.slice(from, this.n),
      min: this.min.slice(from, this.n),
      max: this.max.slice(from, this.n),
      flags: this.flags.slice(from, this.n),
    });
    return out;
  }

  /**
   * Index of the first column at or after a time; n where there is none.
   * @param {number} t
   */
  firstAtOrAfter(t) {
    let lo = this.start;
    let hi = this.n;
    while (lo < hi) {
      const mid = (lo + hi) >> 1;
      if (this.t[mid] < t) lo = mid + 1;
      else hi = mid;
    }
    return lo;
  }

  /**
   * The largest and smallest finite value between two times; null where there is none.
   * @param {number} from
   * @param {number} to
   * @returns {{min: number, max: number} | null}
   */
  extremes(from, to) {
    let min = Infinity;
    let max = -Infinity;
    for (let i = this.firstAtOrAfter(from); i < this.n && this.t[i] <= to; i++) {
      if (this.min[i] < min && Number.isFinite(this.min[i])) min = this.min[i];
      if (this.max[i] > max && Number.isFinite(this.max[i])) max = this.max[i];
    }
    return min <= max ? { min, max } : null;
  }

  /**
   * The readings between two times, where there are none the last one before: when the first of them
   * was, and how little and how much they were.
   * @param {number} from
   * @param {number} to
   * @returns {{t: number, min: number, max: number, over: boolean} | null}
   */
  around(from, to) {
    let i = this.firstAtOrAfter(from);
    if (!(i < this.n && this.t[i] <= to)) i--;
    if (i < this.start || i >= this.n) return null;
    const out = { t: this.t[i], min: this.min[i], max: this.max[i], over: (this.flags[i] & OVER) !== 0 };
    for (let k = i + 1; k < this.n && this.t[k] <= to; k++) {
      if (this.max[k] > out.max) [out.max, out.t] = [this.max[k], this.t[k]];
      if (this.min[k] < out.min) out.min = this.min[k];
      out.over ||= (this.flags[k] & OVER) !== 0;
    }
    return out;
  }

  /**
   * The value at a time: that of the newest column not later; NaN before the first.
   * @param {number} t
   */
  at(t) {
    const i = this.firstAtOrAfter(t);
    if (i < this.n && this.t[i] === t) return this.max[i];
    return i > this.start ? this.max[i - 1] : NaN;
  }

  /**
   * Reduces from..to seconds to `width` pixels. The column before the window and the one after it
   * are taken along, so that the line runs to both edges.
   * @param {number} from
   * @param {number} to
   * @param {number} width in pixels, at least 1
   * @param {Float64Array} [edges] where the pixels are not even: the times at which they begin, and the end
   * @returns {Pixels}
   */
  pixels(from, to, width, edges) {
    // Two entries a pixel at most: what came before a gap within it, and what came after.
    const cap = 2 * (width + 2);
    const out = {
      n: 0,
      t: new Float64Array(cap),
      first: new Float32Array(cap),
      min: new Float32Array(cap),
      max: new Float32Array(cap),
      last: new Float32Array(cap),
      flags: new Uint8Array(cap),
      turns: new Uint16Array(cap),
      way: 0,
    };
    const begin = Math.max(this.start, this.firstAtOrAfter(from) - 1);
    const perSecond = width / (to - from);
    let pixel = -2; // the one being filled; -1 stands before the window
    let split = false; // whether a gap has split it
    let uneven = 0;
    for (let i = begin; i < this.n; i++) {
      if (edges) while (uneven < width && this.t[i] >= edges[uneven + 1]) uneven++;
      const px = this.t[i] < from ? -1 : edges ? uneven : Math.min(width, Math.floor((this.t[i] - from) * perSecond));
      const gap = (this.flags[i] & GAP) !== 0;
      if (px !== pixel) {
        pixel = px;
        split = false;
        this.begin(out, i);
      } else if (gap && !split) {
        split = true;
        this.begin(out, i);
      } else {
        this.widen(out, i);
      }
      if (px >= width) break;
    }
    return out;
  }

  /**
   * @param {Pixels} out
   * @param {number} i
   */
  begin(out, i) {
    const k = out.n++;
    const up = this.rising(i);
    out.t[k] = this.t[i];
    out.min[k] = this.min[i];
    out.max[k] = this.max[i];
    out.first[k] = up ? this.min[i] : this.max[i];
    out.last[k] = up ? this.max[i] : this.min[i];
    out.flags[k] = this.flags[i];
  }

  /**
   * @param {Pixels} out
   * @param {number} i
   */
  widen(out, i) {
    const k = out.n - 1;
    if (this.min[i] < out.min[k]) out.min[k] = this.min[i];
    if (this.max[i] > out.max[k]) out.max[k] = this.max[i];
    out.last[k] = this.rising(i) ? this.max[i] : this.min[i];
    out.flags[k] |= this.flags[i] & OVER;
    const way = Math.sign(this.max[i] - this.max[i - 1]);
    if (way !== 0 && way !== out.way) {
      out.turns[k]++;
      out.way = way;
    }
  }

  /**
   * Whether the trace rises through column i, as far as its neighbour before tells.
   * @param {number} i
   */
  rising(i) {
    return i === this.start || this.max[i] >= this.max[i - 1];
  }

  /** @param {number} more */
  reserve(more) {
    const need = this.n + more;
    if (need <= this.t.length) return;
    const keep = this.length;
    const cap = Math.max(1024, 2 * (keep + more));
    const grow = (/** @type {any} */ old, /** @type {any} */ fresh) => {
      fresh.set(old.subarray(this.start, this.n));
      return fresh;
    };
    this.t = grow(this.t, new Float64Array(cap));
    this.min = grow(this.min, new Float32Array(cap));
    this.max = grow(this.max, new Float32Array(cap));
    this.flags = grow(this.flags, new Uint8Array(cap));
    this.start = 0;
    this.n = keep;
  }
}
