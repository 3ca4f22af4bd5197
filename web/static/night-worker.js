// Opens the view from bed though the watcher can't be reached: a browser's own error page would be
// white, and silent. It keeps nothing else, least of all an old advice.

const KEPT = "lost";
const WAIT_MS = 15000;
const PAGE = "static/lost.html";
const FILES = ["static/page.css", "static/night.css", "static/lost.js", "static/siren.js"];

self.addEventListener("install", (event) => {
  event.waitUntil(
    caches.open(KEPT)
      .then((kept) => kept.addAll([PAGE].concat(FILES)))
      .then(() => self.skipWaiting()),
  );
});

self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));

function orLost(request, lost) {
  const late = new Promise((_, reject) => setTimeout(() => reject(new Error("no answer")), WAIT_MS));
  return Promise.race([fetch(request), late]).catch(() => caches.match(lost));
}

self.addEventListener("fetch", (event) => {
  const base = self.location.pathname.replace(/[^/]*$/, "");
  const path = new URL(event.request.url).pathname.slice(base.length);
  if (event.request.mode === "navigate") event.respondWith(orLost(event.request, PAGE));
  else if (FILES.indexOf(path) >= 0) event.respondWith(orLost(event.request, event.request));
});
