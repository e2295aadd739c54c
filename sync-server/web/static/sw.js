// Keeps one whole version of the app for days without signal. FILES and VERSION are written by
// `cargo xtask web`. A new version waits until every window of the old one is closed: no tree is
// half-logged when the app changes.

const VERSION = "{{version}}";
const FILES = {{files}};
const CACHE = `bolebook-field-${VERSION}`;

self.addEventListener("install", (event) => {
  // Past the browser's own cache: a version is whole or it is not taken.
  const requests = FILES.map((file) => new Request(file, { cache: "reload" }));
  event.waitUntil(caches.open(CACHE).then((cache) => cache.addAll(requests)));
});

self.addEventListener("activate", (event) => {
  const old = (name) => name.startsWith("bolebook-field-") && name !== CACHE;
  event.waitUntil(
    caches
      .keys()
      .then((names) => Promise.all(names.filter(old).map((name) => caches.delete(name))))
      .then(() => self.clients.claim()),
  );
});

self.addEventListener("fetch", (event) => {
  const url = new URL(event.request.url);
  const own = event.request.method === "GET" && url.href.startsWith(self.registration.scope);
  if (!own) return;
  event.respondWith(
    caches
      .open(CACHE)
      .then((cache) => cache.match(event.request.mode === "navigate" ? "./" : event.request, { ignoreSearch: true }))
      .then((kept) => kept ?? fetch(event.request)),
  );
});
