// A word on a finding without leaving the place on the page: the form is sent, and what changed is swapped in.

const failed = document.querySelector("[data-review-failed]");

document.addEventListener("submit", async (event) => {
  const form = event.target.closest("[data-review]");
  if (!form) return;
  event.preventDefault();
  if (form.getAttribute("aria-busy") === "true") return;
  form.setAttribute("aria-busy", "true");
  failed.hidden = true;
  try {
    const answer = await fetch(form.action, {
      method: "POST",
      body: new URLSearchParams(new FormData(form, event.submitter)),
      headers: { Accept: "text/html" },
    });
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    if (!answer.ok) throw new Error(page.querySelector(".say")?.textContent ?? "");
    swap(page, form.closest("[data-finding]"));
  } catch (error) {
    const said = error instanceof TypeError ? "" : error.message;
    failed.textContent = said || "The word was not kept: this page cannot reach the program. Check the Wi-Fi and say it again.";
    failed.hidden = false;
    failed.scrollIntoView({ block: "center" });
    form.setAttribute("aria-busy", "false");
  }
});

function swap(page, finding) {
  for (const old of document.querySelectorAll("[data-swap]")) {
    const fresh = page.getElementById(old.id);
    // A node that has not changed stays, and with it a list of kinds that somebody has just opened.
    if (!fresh) continue;
    for (const part of fresh.querySelectorAll("[data-with-script]")) part.hidden = false;
    if (!fresh.isEqualNode(old)) old.replaceWith(document.adoptNode(fresh));
  }
  const open = [...document.querySelectorAll("[data-finding]")];
  const here = open.findIndex((one) => one.id === finding.id);
  const after = [...open.slice(here + 1), ...open.slice(0, here)].find((one) => "unreviewed" in one.dataset);
  (after ?? document.getElementById(finding.id)).focus();
}

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
