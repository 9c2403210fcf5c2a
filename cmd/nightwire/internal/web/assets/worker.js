// Keeps the style, the script and a page that says "no link". It never keeps a page of the farm: an old one could pass
// for new.
"use strict";
const kept = [/* kept */];
const name = "nightwire " + kept.join(" ");

self.addEventListener("install", (e) => {
  e.waitUntil(caches.open(name).then((c) => c.addAll([...kept, "/offline"])).then(() => self.skipWaiting()));
});

self.addEventListener("activate", (e) => {
  e.waitUntil(caches.keys().then((all) => Promise.all(all.filter((n) => n !== name).map((n) => caches.delete(n)))).then(() => self.clients.claim()));
});

self.addEventListener("fetch", (e) => {
  const url = new URL(e.request.url);
  if (e.request.method !== "GET" || url.origin !== self.location.origin) return;
  if (kept.includes(url.pathname)) {
    e.respondWith(caches.match(url.pathname).then((r) => r || fetch(e.request)));
  } else if (e.request.mode === "navigate") {
    e.respondWith(fetch(e.request).then(
      (res) => {
        e.waitUntil(caches.open(name).then((c) => c.put("/reached", new Response(String(Date.now())))));
        return res;
      },
      () => caches.match("/offline")));
  }
});
