import assert from "node:assert/strict";
import { test } from "node:test";
import { CHIRPS, chirpFor, countdownWord, passed, samplesOf, SOUNDS } from "../scripts/tones.js";

test("every sound fades at both ends, stays within its level and takes the time it says", () => {
  for (const rate of [8000, 44100, 48000]) {
    for (const notes of [...Object.values(SOUNDS), ...CHIRPS.map((c) => c.notes)]) {
      const s = samplesOf(notes, rate, 0.5);
      const want = notes.reduce((sum, n) => sum + n.s, 0);
      assert.ok(Math.abs(s.length / rate - want) < 2e-3);
      assert.ok(Math.max(...s) <= 0.5 && Math.min(...s) >= -0.5);
      assert.ok(Math.max(...s) > 0.4, "it is to be heard");
      assert.ok(Math.abs(s[0]) < 0.02 && Math.abs(s[s.length - 1]) < 0.02, "no click");
    }
  }
});

test("a chirp sweeps through its band: zero crossings come as often as its frequency says", () => {
  const rate = 48000;
  const s = samplesOf(CHIRPS[0].notes, rate);
  let crossings = 0;
  for (let i = 1; i < s.length; i++) if ((s[i] > 0) !== (s[i - 1] > 0)) crossings++;
  // Twice the mean frequency of 2500 Hz, for a quarter of a second.
  assert.ok(Math.abs(crossings - 1250) < 12, `${crossings} crossings`);
});

test("the later an onset is heard, the later its chirp, and one that is too late has none", () => {
  assert.equal(chirpFor(0.05)?.afterS, 0.25);
  assert.equal(chirpFor(0.24)?.afterS, 0.75);
  assert.equal(chirpFor(0.5)?.afterS, 0.75);
  assert.equal(chirpFor(1.5)?.afterS, 2);
  assert.equal(chirpFor(3), null);
});

test("the countdown says each second once, and where it is after a sleep", () => {
  const said = [];
  let before = 12;
  for (let left = 11.98; left > -0.5; left -= 0.016) {
    const whole = passed(before, left);
    const word = whole < 0 ? "" : countdownWord(whole);
    if (word) said.push(word);
    before = left;
  }
  assert.deepEqual(said, ["10 seconds", "5", "4", "3", "2", "1", "Take the short off"]);
  assert.equal(passed(9.5, 2.5), 3);
  assert.equal(passed(2.5, 8), -1, "a hold made longer is not counted");
});
