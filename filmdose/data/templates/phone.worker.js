"use strict";
// Keeps the page beside it for where there is no network. Written by filmdose; nothing else is asked for or kept.
const values = {{ values }};
const kept = values.files.map((name) => new URL(encodeURIComponent(name), self.location.href).href);

self.addEventListener("install", (event) => {
  event.waitUntil(caches.open(values.cache).then((cache) => cache.addAll(kept)).then(() => self.skipWaiting()));
});
self.addEventListener("activate", (event) => {
  event.waitUntil(caches.keys().then((names) => Promise.all(
    names.filter((name) => name.startsWith(values.family) && name !== values.cache).map((name) => caches.delete(name))
  )).then(() => self.clients.claim()));
});
self.addEventListener("fetch", (event) => {
  const asked = new URL(event.request.url);
  asked.search = ""; asked.hash = "";
  if (event.request.method !== "GET" || !kept.includes(asked.href)) { return; }
  event.respondWith(fetch(event.request).then((answer) => {
    if (!answer.ok) { throw new Error(answer.status); }
    const copy = answer.clone();
    event.waitUntil(caches.open(values.cache).then((cache) => cache.put(asked.href, copy)));
    return answer;
  }).catch(() => caches.open(values.cache).then((cache) => cache.match(asked.href)).then(
    (found) => found || Response.error()
  )));
});
