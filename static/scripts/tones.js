// The sounds of the Bench, worked out as samples: what rises, falls and sweeps. Pure; sounds.js plays
// them. Another page or module may add a sound: give `samplesOf` its list of notes.
//
// The onset has no simple tone but a chirp: a sweep of a quarter of a second through 1.5 to 3.5 kHz,
// which `letthrough runs export --sync` finds again in a video's sound track, however noisy. It comes
// a fixed time after the onset, so that the delay from the test to the loudspeaker does not count. A
// slow meter is heard later: then another sweep comes, later still, and its shape says how much.

/** @typedef {{hz: number, s: number, to?: number}} Note a tone of s seconds; with `to` it sweeps there; hz 0 is silence */

export const CHIRP_S = 0.25;
const LOW_HZ = 1500;
const HIGH_HZ = 3500;

/** The three chirps, with their delay after the onset in seconds. The program's own sweep finder knows the same. */
export const CHIRPS = [
  { name: "onset up", afterS: 0.25, notes: [{ hz: LOW_HZ, to: HIGH_HZ, s: CHIRP_S }] },
  { name: "onset down", afterS: 0.75, notes: [{ hz: HIGH_HZ, to: LOW_HZ, s: CHIRP_S }] },
  { name: "onset up and down", afterS: 2, notes: [{ hz: LOW_HZ, to: HIGH_HZ, s: CHIRP_S / 2 }, { hz: HIGH_HZ, to: LOW_HZ, s: CHIRP_S / 2 }] },
];

/** @type {Record<string, Note[]>} */
export const SOUNDS = {
  cut_off: [{ hz: 660, s: 0.09 }, { hz: 0, s: 0.03 }, { hz: 440, s: 0.14 }],
  limited: [{ hz: 550, s: 0.25 }],
  retry_on: [{ hz: 880, s: 0.08 }],
};

/** What falls louder or softer than this begins to click. */
const FADE_S = 0.01;

/**
 * The samples of a row of notes, one after the other, within ±level. The phase runs through, and both
 * ends fade, so that nothing clicks.
 * @param {Note[]} notes
 * @param {number} rateHz of the samples
 * @param {number} [level] 0 to 1
 * @returns {Float32Array<ArrayBuffer>}
 */
export function samplesOf(notes, rateHz, level = 0.5) {
  const lengths = notes.map((n) => Math.round(n.s * rateHz));
  const out = new Float32Array(lengths.reduce((a, b) => a + b, 0));
  let phase = 0;
  let at = 0;
  notes.forEach((note, k) => {
    const n = lengths[k];
    const end = note.to ?? note.hz;
    const joins = (/** @type {number} */ i) => (notes[i]?.hz ?? 0) !== 0;
    for (let i = 0; i < n; i++) {
      const share = (i + 0.5) / n;
      phase += (2 * Math.PI * (note.hz + (end - note.hz) * share)) / rateHz;
      const fadeIn = joins(k - 1) ? 1 : Math.min(1, i / (FADE_S * rateHz));
      const fadeOut = joins(k + 1) ? 1 : Math.min(1, (n - 1 - i) / (FADE_S * rateHz));
      out[at + i] = note.hz ? level * Math.sin(phase) * fadeIn * fadeOut : 0;
    }
    at += n;
  });
  return out;
}

/**
 * The chirp that can still come in time for a mark heard so late, null where none can.
 * @param {number} lateS seconds since the onset
 */
export function chirpFor(lateS) {
  return CHIRPS.find((c) => lateS <= c.afterS - 0.02) ?? null;
}

/**
 * What a countdown says when so many seconds are left, or nothing.
 * @param {number} leftS
 * @returns {string}
 */
export function countdownWord(leftS) {
  if (leftS === 10) return "10 seconds";
  if (leftS >= 1 && leftS <= 5) return String(leftS);
  return leftS === 0 ? "Take the short off" : "";
}

/**
 * The whole seconds of a countdown that were passed between two looks at the clock: what is to be
 * said is the last of them, so that a page that slept says where it is and not where it was.
 * @param {number} beforeS left at the last look
 * @param {number} nowS left now
 */
export function passed(beforeS, nowS) {
  const whole = Math.max(0, Math.ceil(nowS));
  return whole < Math.ceil(beforeS) ? whole : -1;
}
