// A word on a piece without leaving the place on the page: the form is sent, and what changed is swapped in.

import { text } from "./texts.js";

const failed = document.querySelector("[data-review-failed]");
let keeping = Promise.resolve();

// Settled once the last word was kept, or refused: what a key does next is about the page as it is then.
export const kept = () => keeping;

document.addEventListener("submit", (event) => {
  const form = event.target;
  if (!form.matches("[data-review]") || "plainly" in form.dataset) return onlyOnce(event);
  event.preventDefault();
  if (form.getAttribute("aria-busy") !== "true") keeping = send(form, event.submitter);
});

// A form that leads to another page is sent once, however often it is pressed.
function onlyOnce(event) {
  if (event.defaultPrevented || event.target.method === "dialog") return;
  if ("sent" in event.target.dataset) event.preventDefault();
  event.target.dataset.sent = "";
}
addEventListener("pageshow", () => {
  for (const form of document.querySelectorAll("[data-sent]")) delete form.dataset.sent;
});

async function send(form, submitter) {
  form.setAttribute("aria-busy", "true");
  failed.hidden = true;
  try {
    const answer = await fetch(form.action, {
      method: "POST",
      body: new URLSearchParams(new FormData(form, submitter)),
      headers: { Accept: "text/html" },
      keepalive: true, // it arrives even if the page is left meanwhile
    });
    if (answer.status === 409) return sendPlainly(form, submitter);
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    if (!answer.ok) throw new Error(page.querySelector(".say")?.textContent ?? "");
    swap(page, form);
  } catch (error) {
    const said = error instanceof TypeError ? "" : error.message;
    failed.textContent = said || text("not-kept");
    failed.hidden = false;
    failed.scrollIntoView({ block: "center" });
    form.setAttribute("aria-busy", "false");
  }
}

// Somebody else has spoken meanwhile: nothing was kept, and the page that says so takes this one's place.
function sendPlainly(form, submitter) {
  form.dataset.plainly = "";
  form.requestSubmit(submitter);
  return new Promise(() => {}); // no key means anything here any more
}

function swap(page, form) {
  const finding = form.closest("[data-finding]");
  const before = new Set(findings().map((one) => one.id));
  const undone = document.activeElement?.closest("#undo") !== null;
  form.setAttribute("aria-busy", "false");
  form.dispatchEvent(new Event("kept"));
  for (const old of document.querySelectorAll("[data-swap-list]")) {
    const fresh = page.getElementById(old.id);
    if (fresh.children.length !== old.children.length) put(fresh, old);
  }
  for (const old of document.querySelectorAll("[data-swap]")) {
    const fresh = page.getElementById(old.id);
    // A node that has not changed stays, and with it a list of kinds that somebody has just opened.
    if (fresh && !isSame(fresh, old)) put(fresh, old);
  }
  const seen = page.querySelector("#decide [name=seen]").value;
  for (const field of document.querySelectorAll("[name=seen]:not([data-other] *)")) field.value = seen;
  if (document.activeElement?.matches("#note, select")) return; // something is being written already
  const drawn = findings().find((one) => !before.has(one.id));
  const all = findings();
  const here = all.findIndex((one) => one.id === finding?.id);
  const after = [...all.slice(here + 1), ...all.slice(0, here)].find((one) => "unreviewed" in one.dataset);
  if (drawn) drawn.focus();
  else if (finding) (after ?? document.getElementById(finding.id)).focus();
  else if (undone) (document.querySelector("[data-undo]") ?? document.getElementById("content")).focus({ preventScroll: true });
}

function put(fresh, old) {
  for (const part of fresh.querySelectorAll("[data-with-script]")) part.hidden = false;
  old.replaceWith(document.adoptNode(fresh));
}

// The same but for the version of the piece, which every form carries.
function isSame(fresh, old) {
  const [a, b] = [fresh, old].map((node) => node.cloneNode(true));
  for (const field of [...a.querySelectorAll("[name=seen]"), ...b.querySelectorAll("[name=seen]")]) field.remove();
  for (const part of [...a.querySelectorAll("[data-with-script]"), ...b.querySelectorAll("[data-with-script]")]) part.hidden = false;
  return a.isEqualNode(b);
}

const findings = () => [...document.querySelectorAll("[data-finding]")];

// The finding at hand is drawn heavier over the photo; a click on its outline leads to its words.
for (const type of ["focusin", "focusout", "pointerover"]) document.addEventListener(type, choose);

function choose(event) {
  const finding = event.target.closest?.("[data-finding]");
  if (!finding && event.type !== "focusout") return;
  for (const mark of document.querySelectorAll("[data-mark]")) {
    const chosen = event.type !== "focusout" && mark.dataset.mark === finding.dataset.finding;
    mark.classList.toggle("chosen", chosen);
  }
}
