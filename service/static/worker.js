// Opens Snap without a link, and sends kept photos while no page is open.
import { sendAll } from "/static/photo_sending.js";

const SHELF = "snap";
const SNAP = "/snap";
const PATIENCE_MS = 3000;

self.addEventListener("install", (event) => {
  event.waitUntil(keepSnap().then(() => self.skipWaiting()));
});

self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));

self.addEventListener("message", (event) => {
  if (event.data === "keep") event.waitUntil(keepSnap());
});

self.addEventListener("sync", (event) => {
  event.waitUntil(
    sendAll().then((ended) => {
      // The browser tries again later where this fails.
      if (ended === "no link" || ended === "busy") throw new Error(ended);
    }),
  );
});

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const { origin, pathname } = new URL(request.url);
  if (request.method !== "GET" || origin !== self.location.origin) return;
  if (request.mode === "navigate") event.respondWith(page(request, pathname));
  else if (pathname.startsWith("/static/")) event.respondWith(file(request));
});

/** Keep the page and all of its files, as they are now, and nothing older. */
async function keepSnap() {
  try {
    const answer = await fetch(SNAP, { headers: { Accept: "text/html" } });
    // Whoever is not logged in is led elsewhere: that page is not this one.
    if (!answer.ok || answer.redirected) return;
    const text = await answer.text();
    const files = [...new Set(text.match(/\/static\/[^"]+/g))];
    const cache = await caches.open(SHELF);
    await cache.addAll(files);
    const headers = new Headers(answer.headers);
    for (const name of ["content-length", "content-encoding"]) headers.delete(name);
    const marked = text.replace("<html ", "<html data-kept ");
    await cache.put(SNAP, new Response(marked, { headers }));
    for (const one of await cache.keys()) {
      const { pathname, search } = new URL(one.url);
      if (pathname !== SNAP && !files.includes(pathname + search)) await cache.delete(one);
    }
  } catch {
    // No link just now: what was kept before stays.
  }
}

async function page(request, pathname) {
  // A link that hangs is as bad as none; other pages may take their time.
  const patience = pathname === SNAP ? new AbortController() : undefined;
  const timer = setTimeout(() => patience?.abort(), PATIENCE_MS);
  try {
    return await fetch(request, { signal: patience?.signal });
  } catch (error) {
    return (await caches.match(SNAP)) ?? Promise.reject(error);
  } finally {
    clearTimeout(timer);
  }
}

async function file(request) {
  const known = await caches.match(request);
  // An address with a version never shows other content.
  if (known && new URL(request.url).search) return known;
  try {
    return await fetch(request);
  } catch (error) {
    return known ?? Promise.reject(error);
  }
}
