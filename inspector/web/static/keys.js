// Keys for reviewing without a pointer. They can be switched off, and never act while something is being typed.

const STORED = "inspector-keys";
const box = document.querySelector("[data-keys]");
const tick = box.querySelector("[data-keys-on]");
box.hidden = false;
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
const say = (verdict) => atHand()?.querySelector(`button[value="${verdict}"]`)?.click();
const click = (selector) => photoAtHand()?.querySelector(selector)?.click();

const ACTIONS = {
  j: () => step(1),
  k: () => step(-1),
  c: () => say("confirmed"),
  d: () => say("dismissed"),
  o: () => click("[data-outlines]"),
  "+": () => click('[data-zoom="in"]'),
  "=": () => click('[data-zoom="in"]'),
  "-": () => click('[data-zoom="out"]'),
  0: () => click('[data-zoom="whole"]'),
  n: () => document.querySelector("[data-next]")?.click(),
};

function meant(event) {
  const typing = event.target.closest?.("input:not([type=checkbox]), select, textarea");
  return tick.checked && !typing && !event.ctrlKey && !event.metaKey && !event.altKey;
}

document.addEventListener("keydown", (event) => {
  if (!meant(event) || event.repeat) return;
  const key = event.key.toLowerCase();
  if (key === "f") return void photoAtHand()?.dispatchEvent(new Event("flip-press"));
  if (/^[1-9]$/.test(key)) return void document.querySelectorAll("#decide button")[Number(key) - 1]?.click();
  ACTIONS[key]?.();
});
document.addEventListener("keyup", (event) => {
  if (event.key.toLowerCase() !== "f") return;
  for (const photo of document.querySelectorAll("section.photo")) photo.dispatchEvent(new Event("flip-release"));
});
