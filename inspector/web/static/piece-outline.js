// Putting the outline of a good piece right: a place is taken away from it, or added, or all of it is drawn anew.

import { outlineEditor } from "./outline-editor.js";
import { zooming } from "./zooming.js";

// Drawn by hand the whole piece needs more corners than a part of it.
const CORNERS_OF_PIECE = 40;

for (const section of document.querySelectorAll("[data-piece-outline]")) correcting(section);

function correcting(section) {
  for (const part of section.querySelectorAll("[data-with-script]")) part.hidden = false;
  const piece = section.querySelector("[data-piece]");
  zooming(section, section.querySelector("[data-compare]"), { opensAt: piece });
  const form = section.querySelector("[data-outlining]");
  if (!form) return; // somebody who may only look
  const editor = outlineEditor(section, form);

  section.addEventListener("click", (event) => {
    const button = event.target.closest("[data-how]");
    if (!button) return;
    setUp(button.dataset.how);
    if (button.dataset.how === "draw anew") editor.openAround(piece, button, { mostCorners: CORNERS_OF_PIECE });
    else editor.openHere(button);
  });
  // What was drawn and refused goes on where it stood.
  if (form.dataset.kept) {
    setUp(form.dataset.keptHow);
    const drawn = document.createElementNS("http://www.w3.org/2000/svg", "polygon");
    drawn.setAttribute("points", form.dataset.kept);
    const origin = section.querySelector(`[data-how="${form.dataset.keptHow}"]`);
    editor.openAround(drawn, origin, { mostCorners: CORNERS_OF_PIECE });
  }

  function setUp(how) {
    form.elements.how.value = how;
    for (const part of form.querySelectorAll("[data-for]")) part.hidden = part.dataset.for !== how;
  }
}
