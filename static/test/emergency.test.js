import assert from "node:assert/strict";
import test from "node:test";
import { contactIsLive, countdownS } from "../scripts/emergency.js";

test("Esc is the contact's key while it is closed or counts down, and at no other time", () => {
  assert.equal(contactIsLive({ contact: "closed" }), true);
  assert.equal(contactIsLive({ contact: "open", contact_state: { closes_at_s: 7 }, now_at_s: 5 }), true);
  assert.equal(contactIsLive({ contact: "open", contact_state: { closes_at_s: null } }), false);
  assert.equal(contactIsLive({ contact: "none" }), false);
  assert.equal(contactIsLive({ contact: "refused" }), false);
  assert.equal(contactIsLive(null), false);
});

test("a countdown is said in whole seconds, upwards, and never below 0", () => {
  const at = (/** @type {number} */ now) => countdownS({ contact_state: { closes_at_s: 10 }, now_at_s: now });
  assert.equal(at(7), 3);
  assert.equal(at(7.1), 3);
  assert.equal(at(9.5), 1);
  assert.equal(at(10.2), 0);
  assert.equal(countdownS({ contact_state: { closes_at_s: null }, now_at_s: 0 }), null);
  assert.equal(countdownS({}), null);
});
