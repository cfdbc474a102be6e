// Zoom: wheel, two fingers or buttons, dragging moves; both panes show the same place, at full resolution when enlarged.

const LARGEST = 8;
const STEP = 1.6;

// How much of the photo's width or height the piece takes on a page that opens at it; `part_letters.py` makes room by it.
export const OPENING_SHARE = 0.72;

// Gives what looks at one outline closely. `opensAt`: an outline that is looked at from the start.
export function zooming(section, frame, { opensAt } = {}) {
  const stages = [...frame.querySelectorAll("[data-stage]")];
  const view = { scale: 1, x: 0, y: 0 }; // x, y: the part at the stage's left top corner, 0 to 1 of the photo
  let opening = false; // as it was opened: a finger on the photo scrolls the page

  function draw() {
    const room = 1 - 1 / view.scale;
    view.x = Math.min(Math.max(view.x, 0), room);
    view.y = Math.min(Math.max(view.y, 0), room);
    for (const stage of stages) {
      const layer = stage.querySelector("[data-layer]");
      const zoomed = view.scale > 1;
      if (!zoomed) stage.style.height = "";
      else if (!stage.style.height) stage.style.height = `${stage.clientHeight}px`;
      layer.style.width = zoomed ? `${view.scale * 100}%` : "";
      layer.style.transform = zoomed ? `translate(${-view.x * 100}%, ${-view.y * 100}%)` : "";
      stage.classList.toggle("zoomed", zoomed && !opening);
    }
    if (view.scale > STEP && !opening) for (const image of frame.querySelectorAll("[data-full]:not([hidden])")) sharpen(image);
    section.dispatchEvent(new CustomEvent("view", { detail: view }));
  }
  const moves = () => view.scale > 1 && !opening;
  function zoom(factor, atX = 0.5, atY = 0.5) {
    opening = false;
    const scale = Math.min(Math.max(view.scale * factor, 1), LARGEST);
    view.x += atX * (1 / view.scale - 1 / scale);
    view.y += atY * (1 / view.scale - 1 / scale);
    view.scale = scale < 1.01 ? 1 : scale;
    draw();
  }
  const lookCloser = (finding) => lookAt(frame.querySelector(`g[data-mark="${finding.dataset.finding}"] polygon`), 0.33);
  // So close that the outline takes up this share of the photo's width or height.
  function lookAt(outline, share) {
    opening = false;
    show(outline, share);
  }
  function open() {
    opening = Boolean(opensAt);
    if (opening) show(opensAt, OPENING_SHARE);
  }
  function show(outline, share) {
    const { width, height } = outline.ownerSVGElement.viewBox.baseVal;
    const box = outline.getBBox();
    view.scale = Math.min(Math.max(share / Math.max(box.width / width, box.height / height), 1), LARGEST);
    view.x = (box.x + box.width / 2) / width - 0.5 / view.scale;
    view.y = (box.y + box.height / 2) / height - 0.5 / view.scale;
    draw();
  }
  const factors = { in: STEP, out: 1 / STEP, whole: 1 / LARGEST };
  for (const button of section.querySelectorAll("[data-zoom]")) {
    button.addEventListener("click", () => zoom(factors[button.dataset.zoom]));
  }
  section.addEventListener("click", (event) => {
    if (event.target.closest("[data-closer]")) {
      lookCloser(event.target.closest("[data-finding]"));
      frame.scrollIntoView({ block: "nearest" });
    }
    const mark = event.target.closest("[data-mark]");
    if (mark) document.getElementById(`finding-${mark.dataset.mark}`).focus();
  });
  // A finding that is gone to by key, or by its outline, is looked at closely as well.
  section.addEventListener("focusin", (event) => {
    if (event.target.matches("[data-finding]")) lookCloser(event.target);
  });
  for (const stage of stages) {
    stage.addEventListener("pointerdown", (event) => {
      if (event.pointerType === "mouse") opening = false;
    });
    stage.addEventListener("wheel", (event) => {
      if (!moves() && event.deltaY > 0) return; // nothing that was enlarged by hand: the page scrolls
      event.preventDefault();
      const box = stage.getBoundingClientRect();
      const factor = Math.exp(-event.deltaY / 400);
      zoom(factor, (event.clientX - box.left) / box.width, (event.clientY - box.top) / box.height);
    }, { passive: false });
    dragging(stage, view, { moves, draw, zoom });
  }
  open();
  let width = window.innerWidth;
  window.addEventListener("resize", () => {
    if (window.innerWidth === width) return; // a phone's address bar or keyboard came or went
    width = window.innerWidth;
    for (const stage of stages) stage.style.height = "";
    Object.assign(view, { scale: 1, x: 0, y: 0 });
    draw();
    open();
  });
  return { lookAt };
}

// Every pixel of the photo, once it is looked at closely.
function sharpen(image) {
  const full = new Image();
  full.addEventListener("load", () => {
    image.removeAttribute("srcset"); // it would count for more than the address
    image.src = full.src;
  });
  full.src = image.dataset.full;
  delete image.dataset.full;
}

// One finger or the mouse moves an enlarged photo; two fingers enlarge it.
function dragging(stage, view, { moves, draw, zoom }) {
  const held = new Map();
  const spread = () => {
    const [a, b] = [...held.values()];
    return Math.hypot(a.x - b.x, a.y - b.y);
  };
  stage.addEventListener("dragstart", (event) => event.preventDefault());
  stage.addEventListener("pointerdown", (event) => {
    held.set(event.pointerId, { x: event.clientX, y: event.clientY });
    // One finger on a whole photo scrolls the page.
    if (moves() || held.size > 1) for (const id of held.keys()) stage.setPointerCapture(id);
  });
  // Chromium takes a swift end of a move for a fling, even where nothing can scroll, and drops the tap that comes while it
  // holds that to last: the button that is tapped next would do nothing.
  stage.addEventListener("touchmove", (event) => moves() && event.preventDefault(), { passive: false });
  stage.addEventListener("pointermove", (event) => {
    const before = held.get(event.pointerId);
    if (!before) return;
    const box = stage.getBoundingClientRect();
    const now = { x: event.clientX, y: event.clientY };
    if (held.size === 1) {
      held.set(event.pointerId, now);
      if (!moves()) return;
      view.x -= (now.x - before.x) / box.width / view.scale;
      view.y -= (now.y - before.y) / box.height / view.scale;
      draw();
    } else {
      const was = spread();
      held.set(event.pointerId, now);
      const [a, b] = [...held.values()];
      const middle = { x: (a.x + b.x) / 2 - box.left, y: (a.y + b.y) / 2 - box.top };
      if (held.size === 2 && was > 0) zoom(spread() / was, middle.x / box.width, middle.y / box.height);
    }
  });
  for (const end of ["pointerup", "pointercancel", "pointerleave"]) {
    stage.addEventListener(end, (event) => held.delete(event.pointerId));
  }
}
