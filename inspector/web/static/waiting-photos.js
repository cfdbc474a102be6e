// Photos wait in this browser until the program has said what became of them: none is lost, none is logged twice.
//
// A photo is written to IndexedDB before anything else happens to it, with a key of its own that is the same at every
// try, and the key of the piece that it shows. Its bytes are let go only once the program has logged it.

import { text } from "./texts.js";

const DATABASE = "inspector-photos";
const LONGEST_WAIT_MS = 30_000;
const LONGEST_SENDING_MS = 120_000;
const ANSWERED_SHOWN = 30;
const VERDICTS_EVERY_MS = 1500;
const VERDICT_WITHIN_S = 5;
const ANSWERS_WITHIN_MS = 10_000;

// "waiting": not answered yet; "signedOut" where the program wants to know first who sends it.  "kept": it is in the log,
// its verdict is to come.  "refused": a person decides.  "held": somebody else took it than is signed in now.  "logged": it
// is in the log, and inspected.
export const changes = new EventTarget();

let opened = null;

export function open() {
  opened ??= new Promise((resolve, reject) => {
    const request = indexedDB.open(DATABASE, 1);
    request.addEventListener("upgradeneeded", () => {
      request.result.createObjectStore("photos", { keyPath: "key" });
      request.result.createObjectStore("bytes");
    });
    request.addEventListener("success", () => resolve(request.result));
    request.addEventListener("error", () => reject(request.error));
  });
  return opened;
}

async function inStores(mode, work) {
  const database = await open();
  const transaction = database.transaction(["photos", "bytes"], mode, { durability: "strict" });
  const done = new Promise((resolve, reject) => {
    transaction.addEventListener("complete", resolve);
    transaction.addEventListener("abort", () => reject(transaction.error));
  });
  const given = work(transaction.objectStore("photos"), transaction.objectStore("bytes"));
  await done;
  return given?.result;
}

export function newKey() {
  // randomUUID is missing where the pages have no secure address.
  return [...crypto.getRandomValues(new Uint8Array(16))].map((byte) => byte.toString(16).padStart(2, "0")).join("");
}

// In the order in which they were taken.
export async function list() {
  const photos = await inStores("readonly", (photos) => photos.getAll());
  return photos.sort((one, other) => one.order - other.order);
}

// Who is signed in, as far as this page knows: one that was kept for when the program is out of reach may be mistaken, so
// that the program has the last word.
const signedIn = () => document.body.dataset.signedIn ?? "";

export async function keep({ bytes, name, type, fields, pieceKey }) {
  const photo = { key: newKey(), pieceKey, name, type, fields: { ...fields, taken_by: signedIn() }, thumb: null, order: Date.now(), state: "waiting", said: "", answer: null, site: document.documentElement.dataset.site ?? "" };
  await inStores("readwrite", (photos, stored) => {
    photos.put(photo);
    stored.put(bytes, photo.key);
  });
  navigator.storage?.persist?.();
  changed(photo);
  sendWaiting();
  return photo;
}

// Small, to be seen while the photo waits; made once it is on its way, since the large photo has to be decoded for it.
export async function keepThumb(key, thumb) {
  await rewrite(key, (photo) => (photo.state === "logged" ? photo : { ...photo, thumb }));
  changed(null); // it looks otherwise, and waits or is sent as before
}

export async function sendAgain(key, fields = {}) {
  await update(key, (photo) => ({ ...photo, fields: { ...photo.fields, ...fields }, state: "waiting", said: "", answer: null }));
  sendWaiting();
}

// Whoever is signed in takes over what somebody else photographed.
export const sendAsMine = (key) => sendAgain(key, { taken_by: "" });

export async function throwAway(key) {
  await inStores("readwrite", (photos, bytes) => {
    photos.delete(key);
    bytes.delete(key);
  });
  changed(null);
}

// From the photo as it is now: another window may have said something meanwhile. One that is gone stays gone.
async function update(key, change) {
  changed(await rewrite(key, change));
}

async function rewrite(key, change) {
  let now = null;
  await inStores("readwrite", (photos, bytes) => {
    const found = photos.get(key);
    found.addEventListener("success", () => {
      if (!found.result) return;
      now = change(found.result);
      photos.put(now);
      if (now.state === "logged") bytes.delete(key);
    });
  });
  return now;
}

function changed(photo) {
  changes.dispatchEvent(new CustomEvent("changed", { detail: photo }));
}

let sending = false;
let asked = false;
let failures = 0;
let timer = 0;

export const isSending = () => sending;

// Where to sign in, and to come back to this page from.
export const signInAddress = () => `/sign-in?back=${encodeURIComponent(location.pathname + location.search)}`;

export async function sendWaiting() {
  asked = true;
  if (sending) return;
  sending = true;
  clearTimeout(timer);
  try {
    while (asked) {
      asked = false;
      await alone(sendAll);
    }
  } finally {
    sending = false;
  }
  if ((await list()).some((photo) => photo.state === "waiting")) {
    failures += 1;
    timer = setTimeout(sendWaiting, Math.min(1000 * 2 ** (failures - 1), LONGEST_WAIT_MS));
  } else {
    failures = 0;
  }
}

// In one window at a time, where the browser can tell; the program knows each photo by its key in any case.
function alone(work) {
  if (!navigator.locks) return work();
  return navigator.locks.request("inspector-photos", { ifAvailable: true }, (lock) => (lock ? work() : undefined));
}

async function sendAll() {
  for (const photo of (await list()).filter((one) => one.state === "waiting")) {
    if (!(await sendOne(photo))) return;
  }
  await forgetOld();
}

// A photo is sent to the site whose page it was taken on, whichever the browser shows by then.
const ofSite = (address, photo) => (photo.site ? `${address}${address.includes("?") ? "&" : "?"}at=${photo.site}` : address);

// False where the program cannot be reached or asks to sign in, so that the others need not be tried.
async function sendOne(photo) {
  if (isOthers(photo)) {
    await update(photo.key, held);
    return true;
  }
  const bytes = await inStores("readonly", (_, bytes) => bytes.get(photo.key));
  if (!bytes) return true; // thrown away meanwhile
  const body = new FormData();
  for (const [name, value] of Object.entries(photo.fields)) if (value) body.append(name, value);
  body.append("photo_key", photo.key);
  body.append("piece_key", photo.pieceKey);
  body.append("photos", new Blob([bytes], { type: photo.type }), photo.name);
  changes.dispatchEvent(new CustomEvent("sending", { detail: photo }));
  let response;
  let said;
  try {
    response = await fetch(ofSite("/photos", photo), { method: "POST", body, headers: { Accept: "application/json" }, signal: AbortSignal.timeout(LONGEST_SENDING_MS) });
    said = await response.json();
  } catch {
    // Not reached, or the answer broke off: it is sent again under the same key.
    await update(photo.key, (now) => ({ ...now, said: text("not-reached"), signedOut: false }));
    return false;
  }
  if (response.status === 401) {
    await update(photo.key, (now) => ({ ...now, said: text("you-are-signed-out"), signedOut: true }));
    return false; // the others would be answered alike
  }
  if (response.status === 409) {
    await update(photo.key, held);
    return true;
  }
  const answer = said.photos?.[0];
  const reason = said.error?.message ?? answer?.message ?? text("answered", { status: response.status });
  const mayPass = response.status >= 500 || [403, 408, 429].includes(response.status);
  if (answer?.outcome === "kept") await update(photo.key, (now) => ({ ...now, state: "kept", said: "", signedOut: false, answer }));
  else if (answer?.piece) await update(photo.key, logged(answer));
  else await update(photo.key, (now) => ({ ...now, state: mayPass ? "waiting" : "refused", said: reason, signedOut: false, answer }));
  if (answer?.piece || !mayPass) failures = 0;
  if (answer?.outcome === "kept") askForVerdicts();
  return true;
}

const isOthers = ({ fields }) => Boolean(fields.taken_by && signedIn() && fields.taken_by !== signedIn());
const held = (now) => ({ ...now, state: "held", said: "", signedOut: false });

async function letGoOfOwn() {
  for (const photo of await list()) {
    if (photo.state === "held" && photo.fields.taken_by === signedIn()) await update(photo.key, (now) => ({ ...now, state: "waiting" }));
  }
}

const logged = (answer) => (now) => ({ ...now, state: "logged", said: "", answer, thumb: null });

// Asks until no photo is without its verdict; one that cannot be asked for just now is asked for again. The program holds
// its answer about the oldest back until there is a verdict, so that nobody waits for the next time it is asked.
let asking = 0;
function askForVerdicts(inMs = 0) {
  asking ||= setTimeout(async () => {
    const began = performance.now();
    const [oldest, ...others] = (await list()).filter((one) => one.state === "kept");
    if (oldest) await askOne(oldest, VERDICT_WITHIN_S).catch(() => {});
    for (const photo of others) await askOne(photo, 0).catch(() => {});
    asking = 0;
    const left = (await list()).filter((photo) => photo.state === "kept");
    const heldBack = performance.now() - began > VERDICTS_EVERY_MS;
    if (left.length) askForVerdicts(heldBack || left[0].key !== oldest?.key ? 0 : VERDICTS_EVERY_MS);
  }, inMs);
}

async function askOne(photo, withinS) {
  const signal = AbortSignal.timeout(1000 * withinS + ANSWERS_WITHIN_MS); // of a lost connection nobody may ever tell
  const response = await fetch(ofSite(`${photo.answer.verdict}?within_s=${withinS}`, photo), { headers: { Accept: "application/json" }, signal });
  if (response.status === 404) {
    // Another log than the one that kept it, or somebody left it out: a person decides, its bytes are still here.
    await update(photo.key, (now) => ({ ...now, state: "refused", said: text("known-no-more") }));
  }
  if (!response.ok) return;
  const told = await response.json();
  // What was told when it was kept, told no more.
  const answer = { ...told, already_logged: photo.answer.already_logged, notes: [...new Set([...photo.answer.notes, ...told.notes])] };
  if (told.outcome === "kept") await update(photo.key, (now) => ({ ...now, answer }));
  else if (told.piece) await update(photo.key, logged(answer));
  else await update(photo.key, (now) => ({ ...now, state: "refused", said: told.message, answer }));
}

async function forgetOld() {
  const logged = (await list()).filter((photo) => photo.state === "logged");
  const old = logged.slice(0, Math.max(0, logged.length - ANSWERED_SHOWN));
  if (old.length) await inStores("readwrite", (photos) => old.forEach((photo) => photos.delete(photo.key)));
}

function soon() {
  failures = 0;
  sendWaiting();
}
// Called by the script of each page: what was left over from last time is sent without being asked for.
export function goOn() {
  addEventListener("online", soon);
  document.addEventListener("visibilitychange", () => document.visibilityState === "visible" && soon());
  askForVerdicts();
  return letGoOfOwn().then(sendWaiting);
}
