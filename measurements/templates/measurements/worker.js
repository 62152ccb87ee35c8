/* Keeps the field page on the tablet: all files of one version together, taken over when the person says so. */
const VERSION = "{{ version }}";
const CACHE = `flowledger-field-${VERSION}`;
const SHELL = "/field/";
const FILES = {{ files|safe }};

self.addEventListener("install", (event) => {
  event.waitUntil(caches.open(CACHE).then((cache) =>
    cache.addAll([SHELL, ...FILES].map((address) => new Request(address, { cache: "reload" })))));
});

self.addEventListener("message", (event) => {
  if (event.data === "take over") self.skipWaiting();
});

self.addEventListener("activate", (event) => {
  event.waitUntil((async () => {
    for (const name of await caches.keys()) {
      if (name.startsWith("flowledger-field-") && name !== CACHE) await caches.delete(name);
    }
    await self.clients.claim();
  })());
});

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const address = new URL(request.url);
  if (request.method !== "GET" || address.origin !== self.location.origin) return;
  const kept = request.mode === "navigate" && address.pathname === SHELL ? SHELL : address.pathname;
  if (kept !== SHELL && !FILES.includes(kept)) return;
  event.respondWith(caches.open(CACHE).then((cache) => cache.match(kept)).then((found) => found ?? fetch(request)));
});
