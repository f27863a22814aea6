// The guard's tones at 50, 80 and 100 % of what the weakest part stands. They are on unless somebody switched
// them off: of all sounds these are the ones to be missed least.

/** @typedef {import("./tones.js").Note} Note */

const ID = "guard";
const CHOSEN = "letthrough guard tones";
/** While the contact has to be opened the tone comes again. */
const AGAIN_MS = 1200;

/** @type {Record<string, Note[]>} */
export const LEVEL_NOTES = {
  half: [{ hz: 523, s: 0.12 }],
  near: [{ hz: 740, s: 0.1 }, { hz: 0, s: 0.06 }, { hz: 740, s: 0.1 }],
  limit: [{ hz: 988, s: 0.12 }, { hz: 0, s: 0.05 }, { hz: 988, s: 0.12 }, { hz: 0, s: 0.05 }, { hz: 988, s: 0.3 }],
};

const RANK = ["quiet", "well", "half", "near", "limit"];

/**
 * Which level is to be heard: one that was just reached from below, and again and again while the contact has
 * to be opened.
 * @param {string} before
 * @param {{level: string, open_now: boolean}} guard
 * @param {number} sinceMS since the last tone
 * @returns {string} a key of LEVEL_NOTES, or empty
 */
export function levelHeard(before, guard, sinceMS) {
  if (guard.open_now) return sinceMS >= AGAIN_MS || before !== "limit" ? "limit" : "";
  return RANK.indexOf(guard.level) > RANK.indexOf(before) && guard.level in LEVEL_NOTES ? guard.level : "";
}

export class GuardTones {
  /** @param {import("./sounds.js").Sounds} sounds */
  constructor(sounds) {
    this.sounds = sounds;
    this.level = "quiet";
    this.atMS = -Infinity;
    if (!chosenBefore()) sounds.chosen.add(ID);
    sounds.add(ID, "The guard at 50, 80 and 100 %", "on unless you switch it off");
    sounds.say();
  }

  /** @param {any} guard */
  take(guard) {
    if (!guard) return;
    const level = levelHeard(this.level, guard, performance.now() - this.atMS);
    this.level = guard.open_now ? "limit" : guard.level;
    if (!level) return;
    this.atMS = performance.now();
    if (this.sounds.on(ID)) this.sounds.play(LEVEL_NOTES[level], 0, `guard ${level}`);
  }
}

/** Whether this browser has met the switch before; then it stands as it was left. */
function chosenBefore() {
  try {
    const met = localStorage.getItem(CHOSEN) !== null;
    localStorage.setItem(CHOSEN, "1");
    return met;
  } catch {
    return false;
  }
}
