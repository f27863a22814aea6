import assert from "node:assert/strict";
import test from "node:test";
import { BAR, guardView, secondsText } from "../scripts/guardbar.js";

const guard = { part: "shunt", used: 0.77, seconds_left: 18.9, level: "half", text: "", hold_uses: 0.85, lasts: true, open_now: false, rest_s: 0 };

test("the bar shows what is used and what the hold still needs", () => {
  const v = guardView(guard);
  assert.equal(v.kind, "well");
  assert.equal(v.used, 0.77 * BAR);
  assert.ok(Math.abs(v.next - 0.08 * BAR) < 1e-9);
  assert.equal(`${v.left} ${v.seconds}`, "Open the contact in 18 s");
});

test("a hold that it will not last is near, however little is used", () => {
  const v = guardView({ ...guard, used: 0.1, level: "well", lasts: false, hold_uses: 3 });
  assert.equal(v.kind, "near");
  assert.ok(Math.abs(v.used + v.next - BAR) < 1e-9);
});

test("used up while current flows says what to do now", () => {
  const v = guardView({ ...guard, used: 1.02, level: "limit", seconds_left: 0, open_now: true });
  assert.equal(v.kind, "open");
  assert.equal(v.left, "Open the contact now");
  assert.equal(v.used, BAR);
});

test("used up and open says to let it rest", () => {
  const v = guardView({ ...guard, used: 1.02, level: "limit", seconds_left: null, lasts: null, rest_s: 66.4 });
  assert.equal(`${v.left} ${v.seconds}`, "Rest before the next 66 s");
});

test("without a rig it is quiet", () => {
  assert.equal(guardView({ ...guard, level: "quiet", used: null }).kind, "quiet");
  assert.equal(guardView(null).kind, "quiet");
});

test("seconds are never rounded up", () => {
  assert.equal(secondsText(18.9), "18 s");
  assert.equal(secondsText(9.99), "9.9 s");
  assert.equal(secondsText(0.04), "0.0 s");
  assert.equal(secondsText(179), "2 min");
  assert.equal(secondsText(1e9), "100 min or more");
});
