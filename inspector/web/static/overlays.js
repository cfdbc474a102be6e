// What lies over a photo: the good piece (turned over, or slid across), where both differ, and the outlines.

const HOLD_MS = 300;

export function overlays(section, frame) {
  outlines(section, frame);
  const flip = section.querySelector("[data-flip]");
  if (!flip) return; // no good piece could be laid over this photo
  const differ = section.querySelector("[data-differ]");
  const slide = section.querySelector("[data-slide]");
  const over = frame.querySelector("[data-over]");
  const difference = frame.querySelector("[data-difference]");
  const divider = frame.querySelector("[data-divider]");
  const caption = frame.querySelector("[data-caption]");
  const view = { scale: 1, x: 0 };
  let shown = "piece"; // or good, both, differs

  function show(what) {
    shown = what;
    if (what !== "both") slide.value = "0";
    over.loading = "eager";
    over.hidden = what !== "good" && what !== "both";
    if (what === "differs") difference.src ||= difference.dataset.src;
    difference.hidden = what !== "differs";
    divider.hidden = what !== "both";
    flip.setAttribute("aria-pressed", String(what === "good"));
    differ.setAttribute("aria-pressed", String(what === "differs"));
    caption.textContent = caption.dataset[what];
    cut();
  }
  // The good piece up to where the slide stands in the window, however far the photo is enlarged.
  function cut() {
    const at = Number(slide.value) / 100;
    const onPhoto = (view.x + at / view.scale) * 100;
    over.style.clipPath = shown === "both" ? `inset(0 ${100 - onPhoto}% 0 0)` : "";
    divider.style.left = `${at * 100}%`;
  }

  // Flip: a click turns over, holding the button (or the key) shows the good piece only as long as it is held.
  let pressedAt = 0;
  const turn = () => show(shown === "good" ? "piece" : "good");
  function press() {
    pressedAt = performance.now();
    turn();
  }
  function release() {
    if (pressedAt && performance.now() - pressedAt > HOLD_MS) turn();
    pressedAt = 0;
  }
  flip.addEventListener("pointerdown", (event) => {
    if (event.button !== 0) return;
    flip.setPointerCapture(event.pointerId);
    press();
  });
  flip.addEventListener("pointerup", release);
  flip.addEventListener("pointercancel", release);
  flip.addEventListener("contextmenu", (event) => event.preventDefault());
  // A click without a pointer: Enter, space, or a screen reader.
  flip.addEventListener("click", (event) => {
    if (event.detail === 0) turn();
  });
  section.addEventListener("flip-press", press);
  section.addEventListener("flip-release", release);
  differ.addEventListener("click", () => show(shown === "differs" ? "piece" : "differs"));
  slide.addEventListener("input", () => show(Number(slide.value) > 0 ? "both" : "piece"));
  section.addEventListener("view", (event) => {
    Object.assign(view, event.detail);
    cut();
  });
}

function outlines(section, frame) {
  const button = section.querySelector("[data-outlines]");
  if (!button) return;
  button.addEventListener("click", () => {
    const shown = button.getAttribute("aria-pressed") !== "true";
    button.setAttribute("aria-pressed", String(shown));
    frame.classList.toggle("bare", !shown);
  });
}
