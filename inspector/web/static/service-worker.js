// Keeps what the page for taking photos needs, so that it opens while the program is out of reach.
// Nothing else is kept: the log is only ever shown as it is. Photos wait elsewhere, see waiting-photos.js.

const KEPT_IN = "inspector-page-1";
const PAGE = "/photograph";
const UNREACHABLE = "/unreachable";
const NEEDED = [
  PAGE,
  UNREACHABLE,
  "/app.webmanifest",
  "/static/page.css",
  "/static/photographing.css",
  "/static/photograph.js",
  "/static/camera.js",
  "/static/label-scanning.js",
  "/static/waiting-photos.js",
  "/static/unsent.js",
  "/static/texts.js",
  "/static/icon.svg",
  "/static/icon-192.png",
];
// Wi-Fi that is there but dead answers nothing for minutes.
const PATIENCE_MS = 3000;

self.addEventListener("install", (event) => {
  event.waitUntil(
    caches.open(KEPT_IN).then((kept) => Promise.all(NEEDED.map((path) => keep(kept, path)))).then(() => self.skipWaiting()),
  );
});

// Who is signed out is led to another page, which must not be kept in the place of the one that was asked for.
async function keep(kept, path) {
  const answer = await fetch(path, { cache: "reload" });
  if (!answer.ok || answer.redirected) throw new Error(`${path} was not given`);
  await kept.put(path, answer);
}

self.addEventListener("activate", (event) => {
  event.waitUntil(
    caches.keys()
      .then((names) => Promise.all(names.filter((name) => name !== KEPT_IN).map((name) => caches.delete(name))))
      .then(() => self.clients.claim()),
  );
});

self.addEventListener("fetch", (event) => {
  const { method, url, mode } = event.request;
  const { origin, pathname } = new URL(url);
  if (method !== "GET" || origin !== location.origin) return;
  const needed = NEEDED.includes(pathname) || /^\/molds\/[^/]+\/poses$/.test(pathname);
  if (needed) event.respondWith(freshOrKept(event.request, pathname));
  else if (mode === "navigate") event.respondWith(fetch(event.request).catch(() => caches.match(UNREACHABLE)));
});

// As it is now where the program answers soon, else as it was seen last.
async function freshOrKept(request, pathname) {
  const store = await caches.open(KEPT_IN);
  const fresh = fetch(request).then(async (answer) => {
    if (answer.ok && !answer.redirected) await store.put(pathname, answer.clone());
    return answer;
  });
  const kept = await store.match(pathname);
  if (!kept) return fresh;
  const tired = new Promise((resolve) => setTimeout(resolve, PATIENCE_MS, kept));
  return Promise.race([fresh.catch(() => kept), tired]);
}
