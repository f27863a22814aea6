// The page Rig: what is asked stands in the address, the program answers with the same page, and what differs is put in
// its place. So there is one place where the words are made, and a link leads to the same answer.

import { element, setText, shape } from "./page.js";
import { RigEdit } from "./rigedit.js";
import { shortQuery } from "./rigsize.js";

const TYPED_MS = 300;
let timer = 0;
/** @type {AbortController | null} */
let asking = null;
let said = element("answer-head").textContent ?? "";

function form() {
  return /** @type {HTMLFormElement} */ (element("rig-ask"));
}

/**
 * Asks anew and puts in what differs: every part that is marked as fresh, or the whole page where its fields change too.
 * @param {{whole?: boolean, rig?: number, focus?: string[]}} [how] rig: another one than the page shows, 0: whichever
 */
async function refresh(how = {}) {
  clearTimeout(timer);
  const fields = new FormData(form());
  if (how.rig !== undefined) {
    fields.delete("rig");
    if (how.rig) fields.set("rig", String(how.rig));
  }
  const address = `/rig?${shortQuery(fields.entries())}`.replace(/\?$/, "");
  asking?.abort();
  const mine = new AbortController();
  asking = mine;
  let answer;
  try {
    answer = await fetch(address, { signal: mine.signal, headers: { Accept: "text/html" } });
  } catch (error) {
    if (mine.signal.aborted) return;
    element("rig-wrong").replaceChildren(shape("fail"), "The program does not answer. Is it still running?");
    return;
  }
  const page = new DOMParser().parseFromString(await answer.text(), "text/html");
  if (mine.signal.aborted) return;
  if (!answer.ok || !page.getElementById("rig-ask")) {
    element("rig-wrong").replaceChildren(shape("fail"), page.querySelector("main")?.textContent?.trim().replace(/\s+/g, " ") || `The program answered ${answer.status}.`);
    return;
  }
  history.replaceState(null, "", address);
  element("rig-wrong").replaceChildren();
  const focused = document.activeElement?.id ?? "";
  swap(page, how.whole ?? false);
  document.title = page.title;
  edit.showUndo();
  focus([...(how.focus ?? []), focused]);
  speak();
}

/**
 * @param {Document} page
 * @param {boolean} whole
 */
function swap(page, whole) {
  const data = page.getElementById("page-data");
  if (data) element("page-data").textContent = data.textContent;
  if (whole) {
    for (const part of [".head", ".page"]) {
      const fresh = page.querySelector(part);
      if (fresh) document.querySelector(`main ${part}`)?.replaceWith(document.adoptNode(fresh));
    }
    return;
  }
  const head = document.querySelector("main .head-acts");
  const freshHead = page.querySelector(".head-acts");
  if (head && freshHead) head.replaceWith(document.adoptNode(freshHead));
  for (const fresh of page.querySelectorAll("main .page [data-fresh], main .head h1, main .head .under")) {
    const old = document.getElementById(fresh.id);
    if (old && old.outerHTML !== fresh.outerHTML) old.replaceWith(document.adoptNode(fresh));
  }
}

/**
 * Gives the keyboard to the first of these that is there, unless it is somewhere already.
 * @param {string[]} ids
 */
function focus(ids) {
  for (const [n, id] of ids.entries()) {
    const el = id ? document.getElementById(id) : null;
    const last = n === ids.length - 1;
    if (!el || (last && document.activeElement !== document.body)) continue;
    if (el instanceof HTMLButtonElement && el.disabled) continue;
    el.focus({ preventScroll: last });
    return;
  }
}

/** Says the answer aloud when it has changed. */
function speak() {
  const now = document.getElementById("answer-head")?.textContent ?? "";
  if (now === said) return;
  said = now;
  setText(element("rig-said"), now);
}

/** @param {EventTarget | null} target */
function asks(target) {
  return (target instanceof HTMLInputElement || target instanceof HTMLSelectElement) && target.form?.id === "rig-ask" ? target : null;
}

document.addEventListener("input", (event) => {
  const field = asks(event.target);
  if (!(field instanceof HTMLInputElement) || field.type === "radio" || field.type === "checkbox") return;
  clearTimeout(timer);
  timer = Number(setTimeout(() => refresh(), TYPED_MS));
});
document.addEventListener("change", (event) => {
  const field = asks(event.target);
  if (!field) return;
  if (field instanceof HTMLInputElement && field.type !== "radio" && field.type !== "checkbox") return;
  // Another unit brings its own choices of where the current comes from.
  refresh({ whole: field.dataset.whole !== undefined });
});
document.addEventListener("submit", (event) => {
  if (event.target !== form()) return;
  event.preventDefault();
  refresh();
});

const edit = new RigEdit(refresh);
