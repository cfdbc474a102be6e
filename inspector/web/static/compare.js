// A photo beside the good piece that was laid over it: what lies over it, and how closely both are looked at.

import { overlays } from "./overlays.js";
import { zooming } from "./zooming.js";

for (const section of document.querySelectorAll("section.photo")) {
  const frame = section.querySelector("[data-compare]");
  frame.dataset.enhanced = "";
  for (const part of section.querySelectorAll("[data-with-script]")) part.hidden = false;
  overlays(section, frame);
  zooming(section, frame);
}
