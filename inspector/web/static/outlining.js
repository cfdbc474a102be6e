// Drawing an outline on a photo: around a defect that was missed, or a better one for a finding.

import { outlineEditor } from "./outline-editor.js";

for (const form of document.querySelectorAll("[data-outlining]")) outlining(form.closest("section.photo"), form);

function outlining(section, form) {
  const editor = outlineEditor(section, form);
  const missedAction = form.getAttribute("action");

  section.addEventListener("click", (event) => {
    const missed = event.target.closest("[data-missed]");
    if (missed) {
      setUp(form, missedAction, false);
      editor.openHere(missed);
    }
    if (event.target.closest("[data-correct]")) correct(event.target.closest("[data-finding]"));
  });
  form.addEventListener("kept", () => editor.close());

  function correct(finding) {
    finding.querySelector("[data-closer]").click();
    setUp(form, finding.querySelector("[data-review]").getAttribute("action"), true);
    editor.openAround(section.querySelector(`g[data-mark="${finding.dataset.finding}"] polygon`), finding);
  }
}

// One form for both: a kind goes with what was missed, a verdict with what is corrected.
function setUp(form, action, correcting) {
  form.setAttribute("action", action);
  form.elements.verdict.disabled = !correcting;
  form.elements.kind.disabled = correcting;
  form.querySelector("[data-kind]").hidden = correcting;
}
