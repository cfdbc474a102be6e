// An outline on a photo, set by finger, mouse or keys: its corners are dragged or moved by arrows, or it is drawn in one line.

import { text } from "./texts.js";

const MOST_CORNERS = 12;
const FEWEST = 3;

// The section holds the photo and its tools, the form what is sent: the outline, and a button that keeps or leaves it.
// The outline is in pixels of the photo, as a polygon of SVG has its points.
export function outlineEditor(section, form) {
  const frame = section.querySelector("[data-compare]");
  const stage = frame.querySelector("[data-stage]");
  const layer = stage.querySelector("[data-layer]");
  const photo = layer.querySelector("img");
  const size = { width: Number(photo.getAttribute("width")), height: Number(photo.getAttribute("height")) };
  const tools = section.querySelector("[data-tools]");
  const view = { scale: 1, x: 0, y: 0 };
  let corners = []; // in pixels of the photo
  let editor = null;
  let cameFrom = null;
  let most = MOST_CORNERS; // of a line drawn now

  section.addEventListener("view", (event) => Object.assign(view, event.detail));
  form.querySelector("[data-leave]").addEventListener("click", leave);
  form.addEventListener("submit", () => {
    form.elements.outline.value = corners.map(([x, y]) => `${x.toFixed(1)},${y.toFixed(1)}`).join(" ");
  });
  for (const part of [form, stage]) part.addEventListener("keydown", onKey);

  // A diamond in the middle of what is seen, to be moved by its corners; or a line drawn in its place.
  function openHere(origin) {
    const [x, y] = [(view.x + 0.5 / view.scale) * size.width, (view.y + 0.5 / view.scale) * size.height];
    const reach = (0.08 * Math.min(size.width, size.height)) / view.scale;
    open([[x, y - reach], [x + reach, y], [x, y + reach], [x - reach, y]], origin);
  }
  // An outline that is there already; the focus returns to `origin` when it is left.
  function openAround(polygon, origin, { mostCorners = MOST_CORNERS } = {}) {
    open(thinned([...polygon.points].map((point) => [point.x, point.y]), mostCorners), origin, mostCorners);
  }

  function open(points, origin, mostCorners = MOST_CORNERS) {
    close();
    cameFrom = origin;
    most = mostCorners;
    editor = document.createElement("div");
    editor.className = "outline-editor";
    editor.dataset.editor = "";
    layer.append(editor);
    stage.classList.add("outlining-here");
    form.hidden = false;
    tools.hidden = true;
    build(points);
    editor.querySelector("[data-corner]").focus({ preventScroll: true });
    for (const part of [form, stage]) part.scrollIntoView({ block: "nearest" });
  }
  function leave() {
    close();
    cameFrom?.focus();
  }
  function close() {
    if (!editor) return;
    editor.remove();
    editor = null;
    form.hidden = true;
    tools.hidden = false;
    stage.classList.remove("outlining-here");
  }

  function build(points) {
    corners = points.map(([x, y]) => [clamp(x, size.width), clamp(y, size.height)]);
    editor.innerHTML = `<svg viewBox="0 0 ${size.width} ${size.height}" preserveAspectRatio="none" aria-hidden="true">
      <polygon class="edge"/><polygon class="line"/></svg>`;
    corners.forEach((_, index) => {
      const handle = document.createElement("button");
      handle.type = "button";
      handle.className = "corner";
      handle.dataset.corner = index;
      handle.addEventListener("pointerdown", (event) => drag(event, handle, index));
      editor.append(handle);
    });
    place();
    form.querySelector("[data-told]").textContent = text("corners", { count: corners.length });
  }
  function place() {
    const points = corners.map((corner) => corner.join(",")).join(" ");
    for (const polygon of editor.querySelectorAll("polygon")) polygon.setAttribute("points", points);
    for (const handle of editor.querySelectorAll("[data-corner]")) {
      const [x, y] = corners[Number(handle.dataset.corner)];
      const [left, top] = [(x / size.width) * 100, (y / size.height) * 100];
      handle.style.left = `${left}%`;
      handle.style.top = `${top}%`;
      const number = Number(handle.dataset.corner) + 1;
      const where = { number, count: corners.length, left: Math.round(left), top: Math.round(top) };
      handle.setAttribute("aria-label", text("corner", where));
    }
  }
  function move(index, x, y) {
    corners[index] = [clamp(x, size.width), clamp(y, size.height)];
    place();
  }

  function onPhoto(event) {
    const box = layer.getBoundingClientRect();
    return [((event.clientX - box.left) / box.width) * size.width, ((event.clientY - box.top) / box.height) * size.height];
  }
  function drag(event, handle, index) {
    event.stopPropagation();
    handle.setPointerCapture(event.pointerId);
    const follow = (moved) => move(index, ...onPhoto(moved));
    handle.addEventListener("pointermove", follow);
    handle.addEventListener("lostpointercapture", () => handle.removeEventListener("pointermove", follow), { once: true });
  }
  // A line drawn on the photo takes the place of the outline.
  frame.addEventListener("pointerdown", (event) => {
    if (!editor || !event.isPrimary || event.button !== 0 || !stage.contains(event.target)) return;
    if (event.target.closest("[data-corner]")) return;
    event.stopPropagation(); // it does not move the photo
    event.preventDefault();
    stage.setPointerCapture(event.pointerId);
    const line = [onPhoto(event)];
    const before = corners;
    const follow = (moved) => {
      line.push(onPhoto(moved));
      corners = line;
      const points = line.map((point) => point.join(",")).join(" ");
      for (const polygon of editor.querySelectorAll("polygon")) polygon.setAttribute("points", points);
    };
    const end = () => {
      stage.removeEventListener("pointermove", follow);
      if (!editor) return;
      build(isPlace(line) ? thinned(line, most) : before);
      editor.querySelector("[data-corner]").focus({ preventScroll: true });
    };
    stage.addEventListener("pointermove", follow);
    stage.addEventListener("lostpointercapture", end, { once: true });
  }, { capture: true });

  stage.addEventListener("touchmove", (event) => editor && event.preventDefault(), { passive: false }); // see zooming.js

  const isPlace = (line) => line.length >= FEWEST && area(line) > 0.0001 * (size.width / view.scale) * (size.height / view.scale);

  function onKey(event) {
    if (!editor) return;
    if (event.key === "Escape") return void (event.preventDefault(), leave());
    const handle = event.target.closest("[data-corner]");
    if (!handle || event.ctrlKey || event.metaKey || event.altKey) return;
    const index = Number(handle.dataset.corner);
    const [x, y] = corners[index];
    const step = (size.width / view.scale / 200) * (event.shiftKey ? 10 : 1);
    const actions = {
      ArrowLeft: () => move(index, x - step, y),
      ArrowRight: () => move(index, x + step, y),
      ArrowUp: () => move(index, x, y - step),
      ArrowDown: () => move(index, x, y + step),
      "+": () => add(index),
      Insert: () => add(index),
      Delete: () => remove(index),
      Backspace: () => remove(index),
      Enter: () => form.requestSubmit(form.querySelector("[data-keep]")),
    };
    if (!actions[event.key]) return;
    event.preventDefault();
    actions[event.key]();
  }
  function add(index) {
    const [a, b] = [corners[index], corners[(index + 1) % corners.length]];
    build(corners.toSpliced(index + 1, 0, [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2]));
    editor.querySelector(`[data-corner="${index + 1}"]`).focus({ preventScroll: true });
  }
  function remove(index) {
    if (corners.length > FEWEST) build(corners.toSpliced(index, 1));
    editor.querySelector(`[data-corner="${Math.min(index, corners.length - 1)}"]`).focus({ preventScroll: true });
  }

  return { openHere, openAround, close };
}

const clamp = (value, most) => Math.min(Math.max(value, 0), most - 1);

function area(points) {
  const twice = points.reduce((sum, [x, y], index) => {
    const [nextX, nextY] = points[(index + 1) % points.length];
    return sum + x * nextY - nextX * y;
  }, 0);
  return Math.abs(twice) / 2;
}

// As few corners as a person can handle: D. H. Douglas and T. K. Peucker (1973), with an ever coarser tolerance.
function thinned(points, mostCorners) {
  const reach = Math.max(...points.map(([x, y]) => Math.hypot(x - points[0][0], y - points[0][1])));
  let kept = points;
  for (let tolerance = reach / 200; kept.length > mostCorners; tolerance *= 1.5) kept = closedLine(points, tolerance);
  return kept.length >= FEWEST ? kept : points;
}

function closedLine(points, tolerance) {
  const distances = points.map(([x, y]) => Math.hypot(x - points[0][0], y - points[0][1]));
  const far = distances.indexOf(Math.max(...distances));
  const there = line(points.slice(0, far + 1), tolerance);
  const back = line([...points.slice(far), points[0]], tolerance);
  return [...there.slice(0, -1), ...back.slice(0, -1)];
}

function line(points, tolerance) {
  const [[x1, y1], [x2, y2]] = [points[0], points.at(-1)];
  const length = Math.hypot(x2 - x1, y2 - y1) || 1;
  const off = points.map(([x, y]) => Math.abs((x2 - x1) * (y1 - y) - (x1 - x) * (y2 - y1)) / length);
  const most = Math.max(...off.slice(1, -1), 0);
  if (points.length < 3 || most <= tolerance) return [points[0], points.at(-1)];
  const split = off.indexOf(most, 1);
  return [...line(points.slice(0, split + 1), tolerance).slice(0, -1), ...line(points.slice(split), tolerance)];
}
