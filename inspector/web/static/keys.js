// Keys for reviewing without a pointer. They can be switched off, and never act while something is being typed or drawn.

import { kept } from "./review.js";

const STORED = "inspector-keys";
const help = document.querySelector("[data-keys]");
const tick = help.querySelector("[data-keys-on]");
const opener = document.querySelector("[data-show-keys]");
opener.hidden = false;
opener.addEventListener("click", () => help.showModal());
tick.checked = localStorage.getItem(STORED) !== "off";
tick.addEventListener("change", () => localStorage.setItem(STORED, tick.checked ? "on" : "off"));

const findings = () => [...document.querySelectorAll("[data-finding]")];
const atHand = () =>
  document.activeElement?.closest("[data-finding]") ??
  findings().find((finding) => "unreviewed" in finding.dataset) ??
  findings()[0];
const photoAtHand = () => atHand()?.closest("section.photo") ?? document.querySelector("section.photo");

function step(by) {
  const all = findings();
  const here = all.indexOf(document.activeElement?.closest("[data-finding]"));
  const next = here < 0 ? (by > 0 ? 0 : all.length - 1) : here + by;
  all[Math.min(Math.max(next, 0), all.length - 1)]?.focus();
}
function somethingElse() {
  const choice = atHand()?.querySelector("[data-else]");
  if (!choice) return;
  choice.open = true;
  choice.querySelector("select").focus();
}
const say = (verdict) => atHand()?.querySelector(`button[value="${verdict}"]`)?.click();
const click = (selector) => photoAtHand()?.querySelector(selector)?.click();
const focus = (element) => element?.focus();

const ACTIONS = {
  j: () => step(1),
  k: () => step(-1),
  c: () => say("confirmed"),
  d: () => say("dismissed"),
  t: somethingElse,
  e: () => atHand()?.querySelector("[data-correct]")?.click(),
  a: () => click("[data-missed]"),
  u: () => (document.querySelector("[data-undo]") ?? document.querySelector("[data-undo-decided]"))?.click(),
  s: () => focus(photoAtHand()?.querySelector("[data-slide]")),
  v: () => click("[data-differ]"),
  o: () => click("[data-outlines]"),
  "+": () => click('[data-zoom="in"]'),
  "=": () => click('[data-zoom="in"]'),
  "-": () => click('[data-zoom="out"]'),
  0: () => click('[data-zoom="whole"]'),
  n: () => document.querySelector("[data-next]")?.click(),
  "?": () => help.showModal(),
};
for (const number of [1, 2, 3, 4]) ACTIONS[number] = () => document.querySelectorAll("[data-stamp]")[number - 1]?.click();

function meant(event) {
  const typing = event.target.closest?.("input:not([type=checkbox], [type=range]), select, textarea");
  const busy = help.open || document.querySelector("[data-outlining]:not([hidden])");
  return tick.checked && !typing && !busy && !event.ctrlKey && !event.metaKey && !event.altKey;
}

// One key after the other: what was pressed while a word was being kept is about what stands there afterwards. Once a
// key is to lead into a field, a panel or an outline, those that follow are no commands any more.
const LEADING = new Set(["t", "e", "a", "s", "?"]);
let waiting = Promise.resolve();
let isLeading = false;

document.addEventListener("keydown", (event) => {
  const select = event.target.closest?.("[data-else] select");
  if (select && event.key === "Enter" && tick.checked) {
    event.preventDefault();
    return void say("kind changed");
  }
  if (event.key === "Escape" && event.target.closest?.("#note, [data-else] select, [data-slide]")) {
    return void focus(event.target.closest("[data-finding]") ?? document.getElementById("content"));
  }
  if (!meant(event) || event.repeat) return;
  const key = event.key.toLowerCase();
  if (key === "f") return void photoAtHand()?.dispatchEvent(new Event("flip-press"));
  if (key === "m") return void (event.preventDefault(), focus(document.getElementById("note")));
  const act = ACTIONS[key];
  if (!act || isLeading) return;
  event.preventDefault(); // a field that a key leads to is not to take its letter
  isLeading = LEADING.has(key);
  waiting = waiting.then(act).then(kept).then(() => { isLeading = false; });
});
document.addEventListener("keyup", (event) => {
  if (event.key.toLowerCase() !== "f") return;
  for (const photo of document.querySelectorAll("section.photo")) photo.dispatchEvent(new Event("flip-release"));
});
