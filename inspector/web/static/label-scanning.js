// Reading the label of a mold or a pour: by the browser where it can, else by the program.

import { text } from "./texts.js";

const LOOK_FOR_MS = 8000;
const LONGEST_PX = 1600;

// What a photo of a label says: mold and pour, either of which may be empty. Throws the words to show if it says none.
export async function readPhoto(photo) {
  const bitmap = await createImageBitmap(photo).catch(() => null); // null for a format that only the program reads
  const found = bitmap && labelIn(await lookHere(await detectorHere(), bitmap));
  return found ?? (await askProgram(bitmap ? await shrunk(bitmap, bitmap.width, bitmap.height) : photo));
}

// The same from the live picture, which is looked at until a label is in it.
export async function readLive(video) {
  const detector = await detectorHere();
  const start = performance.now();
  while (detector && performance.now() - start < LOOK_FOR_MS) {
    const found = labelIn(await lookHere(detector, video));
    if (found) return found;
    await new Promise((next) => requestAnimationFrame(next));
  }
  return askProgram(await shrunk(video, video.videoWidth, video.videoHeight));
}

// Not every browser that has it has what it needs: Chromium on Android fetches that later.
async function detectorHere() {
  if (!("BarcodeDetector" in window)) return null;
  const formats = await BarcodeDetector.getSupportedFormats().catch(() => []);
  return formats.includes("qr_code") ? new BarcodeDetector({ formats: ["qr_code"] }) : null;
}

async function lookHere(detector, picture) {
  const codes = (await detector?.detect(picture).catch(() => [])) ?? [];
  return codes.map((code) => code.rawValue);
}

async function askProgram(photo) {
  const body = new FormData();
  body.append("photo", photo, "label.jpg");
  const answer = await fetch("/labels/reading", { method: "POST", body, headers: { Accept: "application/json" } }).catch(() => null);
  if (!answer) throw new Error(text("label-out-of-reach"));
  const said = await answer.json().catch(() => ({}));
  if (!answer.ok) throw new Error(said.error?.message ?? text("no-label"));
  const found = labelIn(said.labels);
  if (!found) throw new Error(text(said.labels.length ? "other-code" : "no-label"));
  return found;
}

// A label holds an address of the page for taking photos; by which name the program was called when it was printed is no matter.
function labelIn(texts) {
  for (const said of texts) {
    const address = URL.canParse(said) ? new URL(said) : null;
    const [mold, pour] = ["mold", "pour"].map((name) => address?.searchParams.get(name) ?? "");
    if (address?.pathname.endsWith("/photograph") && (mold || pour)) return { mold, pour };
  }
  return null;
}

function shrunk(picture, width, height) {
  const shrink = Math.min(1, LONGEST_PX / Math.max(width, height));
  const canvas = Object.assign(document.createElement("canvas"), { width: Math.round(width * shrink), height: Math.round(height * shrink) });
  canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
  return new Promise((done) => canvas.toBlob(done, "image/jpeg", 0.9));
}
