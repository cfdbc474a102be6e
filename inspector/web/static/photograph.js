// The page that photographs: choose what is in front of the camera, take the photo, see what came of it, next piece.

import { drawPose, hasCamera, start, take, thumbOf, wasAllowed } from "./camera.js";
import { readLive, readPhoto } from "./label-scanning.js";
import { number, text } from "./texts.js";
import { changes, keep, keepThumb, list, newKey, open, sendAgain, sendAsMine, signInAddress, throwAway } from "./waiting-photos.js";

const CHOSEN = "inspector-photographing";
const form = document.querySelector("[data-photograph]");
if (form) open().then(begin, () => complain(text("keeps-no-photos")));
// Out of reach just now: the page works without it, and the next time it is opened asks again.
if ("serviceWorker" in navigator) navigator.serviceWorker.register("/service-worker.js").catch((error) => console.warn(error.message));

function complain(words) {
  const place = form.querySelector("[data-complaint]");
  place.textContent = words;
  place.hidden = !words;
}

function begin() {
  const part = (name) => form.querySelector(`[data-${name}]`);
  const mold = form.elements.mold;
  const pour = form.elements.pour_id;
  const view = form.elements.view;
  const filled = [...form.querySelectorAll("[data-filled]")];
  const pours = [...pour.options];
  const video = part("video");
  const shutter = part("shutter");
  const starter = part("start");
  let track = null;
  let poses = [];
  let lastPiece = null;

  for (const item of form.querySelectorAll("[data-with-script]")) item.hidden = false;
  part("without-script").hidden = true;

  // What is in front of the camera

  function offerPours() {
    const kept = pour.value;
    const fitting = pours.filter((option) => !option.value || !mold.value || option.dataset.molds.split(" ").includes(mold.value));
    pour.replaceChildren(...fitting);
    pour.value = fitting.some((option) => option.value === kept) ? kept : "";
  }
  function choose(chosenMold, chosenPour) {
    mold.value = chosenMold;
    offerPours();
    pour.value = chosenPour;
    chose();
  }
  async function chose() {
    localStorage.setItem(CHOSEN, JSON.stringify([mold.value, pour.value]));
    for (const button of filled) {
      button.setAttribute("aria-pressed", String(button.dataset.mold === mold.value && button.dataset.pour === pour.value));
    }
    const wanted = mold.value;
    const answer = wanted ? await fetch(`/molds/${encodeURIComponent(wanted)}/poses`).catch(() => null) : null;
    const given = answer?.ok ? (await answer.json()).poses : [];
    if (mold.value !== wanted) return; // another one was chosen meanwhile
    poses = given;
    view.replaceChildren(...(poses.length > 1 ? [new Option(text("find-out"), "")] : []), ...poses.map((pose) => new Option(pose.view, pose.view)));
    view.disabled = poses.length < 2;
    part("view").hidden = poses.length < 2;
    showPose();
  }
  const showPose = () => drawPose(part("pose"), poses.find((pose) => pose.view === view.value) ?? poses[0], video);

  for (const button of filled) button.addEventListener("click", () => choose(button.dataset.mold, button.dataset.pour));
  mold.addEventListener("change", () => { offerPours(); chose(); });
  pour.addEventListener("change", chose);
  view.addEventListener("change", showPose);
  video.addEventListener("resize", showPose);

  // A label in place of choosing

  const labelPhoto = part("label-photo");
  labelPhoto.addEventListener("click", (event) => {
    if (!form.classList.contains("live")) return; // the phone's camera takes a photo of it
    event.preventDefault();
    scan(() => readLive(video));
  });
  labelPhoto.addEventListener("change", () => {
    const [photo] = labelPhoto.files;
    labelPhoto.value = "";
    if (photo) scan(() => readPhoto(photo));
  });
  async function scan(read) {
    if (labelPhoto.disabled) return;
    labelPhoto.disabled = true;
    const says = (words) => {
      part("label-says").textContent = words;
      part("label-says").hidden = false;
    };
    says(text("looking-for-label"));
    try {
      says(chooseAsLabelled(await read()));
    } catch (error) {
      says(error.message);
    } finally {
      labelPhoto.disabled = false;
    }
  }
  function chooseAsLabelled(label) {
    const named = [...mold.options].find((option) => option.value === label.mold);
    const poured = pours.find((option) => option.value === label.pour);
    if (label.mold && !named) throw new Error(text("label-of-no-mold", { mold: label.mold }));
    if (label.pour && !poured) throw new Error(text("label-of-no-pour", { pour: label.pour }));
    if (label.pour) {
      const into = poured.dataset.molds.split(" ").filter((name) => [...mold.options].some((option) => option.value === name));
      choose(label.mold || (into.length === 1 ? into[0] : into.includes(mold.value) ? mold.value : ""), label.pour);
    } else {
      // What is in the mold now goes with it, if that is one pour.
      const inIt = filled.filter((button) => button.dataset.mold === label.mold);
      choose(label.mold, inIt.length === 1 ? inIt[0].dataset.pour : "");
    }
    const chosen = [mold, pour].map((list) => (list.value ? list.selectedOptions[0].textContent.trim() : "")).filter(Boolean);
    return text("label-chosen", { what: chosen.join(", ") });
  }

  // The live picture

  async function startCamera() {
    starter.disabled = true;
    const says = part("camera-says");
    says.hidden = true;
    try {
      track = await start(video);
      part("viewfinder").hidden = false;
      shutter.hidden = false;
      starter.hidden = true;
      form.classList.add("live");
      track.addEventListener("ended", stopped);
      showPose();
    } catch (error) {
      const reasons = { NotAllowedError: "camera-not-allowed", NotFoundError: "no-camera", NotReadableError: "camera-in-use" };
      says.textContent = text("own-camera-instead", { why: text(reasons[error.name] ?? "camera-did-not-start") });
      says.hidden = false;
    } finally {
      starter.disabled = false;
    }
  }
  function stopped() {
    part("viewfinder").hidden = true;
    shutter.hidden = true;
    starter.hidden = false;
    form.classList.remove("live");
  }
  if (hasCamera()) {
    starter.hidden = false;
    starter.addEventListener("click", startCamera);
    wasAllowed().then((allowed) => allowed && startCamera());
  }

  // Taking and keeping

  async function keepPhoto(blob, name, { takenNow }) {
    if (blob.size > Number(form.dataset.maxBytes)) {
      return complain(text("too-large", { name, most: number(form.dataset.maxBytes / 1e6) }));
    }
    const same = form.elements.which.value === "same" && lastPiece;
    const out = form.elements.demolded_at.value;
    const fields = {
      mold: mold.value,
      pour_id: pour.value,
      view: view.disabled ? "" : view.value,
      demolded_at: out ? withOffset(new Date(out)) : takenNow ? withOffset(new Date()) : "",
    };
    // Held on to: the next photo may be taken while this one is still being read.
    const pieceKey = (lastPiece = same || newKey());
    nextShows("new");
    let kept;
    try {
      kept = await keep({ bytes: await blob.arrayBuffer(), name, type: blob.type, fields, pieceKey });
    } catch (error) {
      const full = error?.name === "QuotaExceededError";
      complain(full ? text("no-room", { name }) : text("browser-failed", { name, error: error?.name }));
      if (same && pieceKey === lastPiece) nextShows("same");
      return;
    }
    complain("");
    // A photo without its small picture goes its way all the same.
    await thumbOf(blob).then((thumb) => keepThumb(kept.key, thumb)).catch(() => {});
  }
  function nextShows(which) {
    form.elements.which.value = which;
    form.querySelector("[value=same]").disabled = !lastPiece;
  }

  shutter.addEventListener("click", async () => {
    shutter.disabled = true;
    try {
      const blob = await take(video, track);
      await keepPhoto(blob, `${fileTime(new Date())}.jpg`, { takenNow: true });
    } finally {
      shutter.disabled = false;
    }
  });
  for (const input of form.querySelectorAll('input[name="photos"]')) {
    const keepAll = async () => {
      const files = [...input.files];
      input.value = "";
      for (const file of files) await keepPhoto(file, file.name, { takenNow: "now" in input.dataset });
    };
    input.addEventListener("change", keepAll);
    if (input.files.length) keepAll(); // chosen before this script was there
  }
  form.addEventListener("submit", (event) => event.preventDefault());

  // What came of it

  const shots = document.querySelector("[data-shots]");
  const sending = new Set();
  let told = "";

  async function show() {
    const photos = (await list()).reverse();
    document.querySelector("[data-none]").hidden = photos.length > 1;
    const [latest, ...others] = photos;
    shots.replaceChildren(...others.map((photo) => shotOf(photo, "li")));
    part("latest").replaceChildren(...(latest ? [shotOf(latest, "div")] : []));
    if (!latest) return;
    const words = `${outcomeOf(latest).words} ${detailOf(latest)}`.trim();
    if (words !== told) part("told").textContent = told = words;
  }
  function shotOf(photo, tag) {
    const { words, look } = outcomeOf(photo);
    const item = make(tag, { className: `shot ${look}` });
    item.append(pictureOf(photo), make("p", { className: "outcome", textContent: words }));
    const rest = make("div");
    const detail = detailOf(photo);
    if (detail) rest.append(make("p", { textContent: detail }));
    for (const note of notesOf(photo)) rest.append(make("p", { className: "quiet", textContent: note }));
    rest.append(todoOf(photo));
    item.append(rest);
    return item;
  }
  function outcomeOf(photo) {
    if (sending.has(photo.key)) return { words: text("being-inspected"), look: "waiting" };
    if (photo.state === "kept") return { words: text("kept"), look: "waiting" };
    if (photo.state === "waiting") return { words: text("waits"), look: "waiting" };
    if (photo.state === "held") return { words: text("waits"), look: "refused" };
    if (photo.state === "refused") return { words: text("not-taken"), look: "refused" };
    const { outcome, message } = photo.answer;
    if (outcome === "clear") return { words: text("clear"), look: "clear" };
    if (outcome === "flagged") return { words: text("flagged", { what: message }), look: "flagged" };
    return { words: text("take-again"), look: "again" };
  }
  function detailOf(photo) {
    if (photo.state === "logged") return photo.answer.outcome === "could not be used" ? photo.answer.message : "";
    if (sending.has(photo.key)) return "";
    if (photo.state === "held") return text("taken-by-other", { name: photo.fields.taken_by });
    if (photo.state === "refused") return photo.said;
    if (photo.state === "kept") return `${photo.answer.message}.`;
    if (photo.signedOut) return text("signed-out");
    return photo.said ? text("sent-when-over", { why: photo.said }) : text("sent-next");
  }
  function notesOf(photo) {
    const notes = photo.answer?.notes ?? [];
    return photo.answer?.already_logged ? [text("logged-already"), ...notes] : notes;
  }
  function pictureOf(photo) {
    if (photo.state === "logged") return make("img", { src: photo.answer.picture, alt: "", width: 120, height: 120, loading: "lazy" });
    if (!photo.thumb) return make("span", { className: "blank" });
    const canvas = make("canvas", { width: 120, height: 120 });
    createImageBitmap(new Blob([photo.thumb])).then((bitmap) => {
      canvas.width = bitmap.width;
      canvas.height = bitmap.height;
      canvas.getContext("2d").drawImage(bitmap, 0, 0);
    });
    return canvas;
  }
  function todoOf(photo) {
    const todo = make("div", { className: "todo" });
    if (photo.state === "waiting" && photo.signedOut) todo.append(make("a", { className: "button go", href: signInAddress(), textContent: text("sign-in") }));
    if (photo.state === "logged") {
      todo.append(make("a", { className: "button", href: photo.answer.piece, textContent: text("look-at-piece", { id: photo.answer.piece.split("/").pop() }) }));
    }
    if (photo.state === "held") todo.append(act(text("send-as-mine"), () => sendAsMine(photo.key)));
    if (photo.state === "refused") {
      for (const name of photo.answer?.likely ?? []) {
        const title = [...mold.options].find((option) => option.value === name)?.textContent ?? name;
        todo.append(act(text("it-is", { mold: title }), () => sendAgain(photo.key, { mold: name })));
      }
      todo.append(
        act(text("send-again-as-chosen"), () => sendAgain(photo.key, { mold: mold.value, pour_id: pour.value })),
        act(text("throw-away"), () => confirm(text("throw-away-sure", { name: photo.name })) && throwAway(photo.key)),
      );
    }
    return todo;
  }
  function act(words, what) {
    const button = make("button", { type: "button", textContent: words });
    button.addEventListener("click", what);
    return button;
  }

  changes.addEventListener("sending", (event) => {
    sending.add(event.detail.key);
    show();
  });
  changes.addEventListener("changed", (event) => {
    const photo = event.detail;
    if (photo) sending.delete(photo.key);
    if (photo?.state === "logged") {
      const { mold: of, pour_id } = photo.fields;
      for (const button of filled) if (button.dataset.mold === of && button.dataset.pour === pour_id) button.classList.add("taken");
      // A photo that shows nothing is taken again, of the same piece.
      if (photo.answer.outcome === "could not be used" && photo.pieceKey === lastPiece) nextShows("same");
    }
    show();
  });

  const [keptMold, keptPour] = JSON.parse(localStorage.getItem(CHOSEN) ?? '["", ""]');
  const query = new URLSearchParams(location.search);
  const asked = query.has("mold") || query.has("pour");
  if (!asked && keptMold && [...mold.options].some((option) => option.value === keptMold)) choose(keptMold, keptPour);
  else {
    offerPours();
    chose();
  }
  show();
}

function make(tag, properties = {}) {
  return Object.assign(document.createElement(tag), properties);
}

function withOffset(time) {
  const minutes = -time.getTimezoneOffset();
  const two = (number) => String(Math.floor(Math.abs(number))).padStart(2, "0");
  const local = new Date(time.getTime() + minutes * 60_000).toISOString().slice(0, 19);
  return `${local}${minutes < 0 ? "-" : "+"}${two(minutes / 60)}:${two(minutes % 60)}`;
}

function fileTime(time) {
  return withOffset(time).slice(0, 19).replace("T", " ").replaceAll(":", ".");
}
