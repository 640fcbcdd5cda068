// Pages as they were last seen, for when the server is away: always the server's own first, never a write.
"use strict";
const KEPT = "pages 1",
  FILES = "files 1",
  MOST = 80,
  AWAY = "/away";
self.addEventListener("install", (event) => {
  event.waitUntil(caches.open(FILES).then((held) => held.add(AWAY)).then(() => self.skipWaiting()));
});
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));
self.addEventListener("message", (event) => {
  if (event.data === "forget") event.waitUntil(caches.delete(KEPT));
});
const trimmed = async (held) => {
  const keys = await held.keys();
  for (const key of keys.slice(0, Math.max(keys.length - MOST, 0))) await held.delete(key);
};
const page = async (request) => {
  try {
    const answer = await fetch(request);
    if (answer.ok && !answer.redirected) {
      const held = await caches.open(KEPT);
      await held.delete(request);
      await held.put(request, answer.clone());
      await trimmed(held);
    }
    return answer;
  } catch {
    const held = await caches.match(request);
    return held || caches.match(AWAY);
  }
};
const file = async (request) => {
  try {
    const answer = await fetch(request);
    if (answer.ok)(await caches.open(FILES)).put(request, answer.clone());
    return answer;
  } catch {
    return (await caches.match(request)) || Response.error();
  }
};
self.addEventListener("fetch", (event) => {
  const request = event.request,
    url = new URL(request.url);
  if (request.method !== "GET" || url.origin !== location.origin) return;
  const isPaper = url.pathname.startsWith("/paper/") || url.pathname.endsWith(".pdf");
  if (request.mode === "navigate" && !isPaper) event.respondWith(page(request));
  else if (url.pathname.startsWith("/static/")) event.respondWith(file(request));
});
