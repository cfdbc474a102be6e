// Naming parts on a reference photo: a part that no proposal covers is drawn, one that has a name gets a better outline.

import { outlineEditor } from "./outline-editor.js";
import { OPENING_SHARE, zooming } from "./zooming.js";

for (const section of document.querySelectorAll("[data-parts]")) naming(section);

function naming(section) {
  for (const part of section.querySelectorAll("[data-with-script]")) part.hidden = false;
  const piece = section.querySelector("[data-piece]");
  const { lookAt } = zooming(section, section.querySelector("[data-compare]"), { opensAt: piece });
  let whole = true;
  section.addEventListener("view", (event) => (whole = event.detail.scale === 1));
  const form = section.querySelector("[data-outlining]");
  if (!form) return; // somebody who may only look
  const editor = outlineEditor(section, form);

  section.addEventListener("click", (event) => {
    const draw = event.target.closest("[data-draw]");
    const correct = event.target.closest("[data-correct-part]");
    if (draw) {
      if (whole) lookAt(piece, OPENING_SHARE);
      setUp("");
      editor.openHere(draw);
    }
    if (correct) {
      const name = correct.dataset.correctPart;
      const drawn = section.querySelector(`[data-part="${CSS.escape(name)}"]`);
      if (drawn) lookAt(drawn, 0.33);
      else if (whole) lookAt(piece, OPENING_SHARE);
      setUp(name);
      if (drawn) editor.openAround(drawn, correct);
      else editor.openHere(correct);
    }
  });
  // What was drawn and refused goes on where it stood.
  if (form.dataset.kept) {
    setUp(form.dataset.corrects ?? "");
    const drawn = document.createElementNS("http://www.w3.org/2000/svg", "polygon");
    drawn.setAttribute("points", form.dataset.kept);
    piece.after(drawn); // to be measured there
    lookAt(drawn, 0.33);
    drawn.remove();
    editor.openAround(drawn, section.querySelector("[data-draw]"));
  }

  function setUp(corrects) {
    const { name, corrects: field } = form.elements;
    field.value = corrects;
    field.disabled = !corrects;
    name.disabled = Boolean(corrects);
    form.querySelector("[data-name-field]").hidden = Boolean(corrects);
    form.querySelector("[data-whose]").hidden = !corrects;
    form.querySelector("[data-whose-name]").textContent = corrects;
  }
}
