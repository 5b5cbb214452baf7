{# The list of files is written by the view: their names change with what they hold. #}// Keeps the page that checks ticket cards, so that it opens without a signal. Its scope is that page alone, and what
// it keeps is the same for everybody. The network comes first, so that a new key or a new page is taken at once.
"use strict";

const PAGE = "{% url 'card-check' %}";
const FILES = [{% for file in files %}"{{ file|escapejs }}"{% if not forloop.last %}, {% endif %}{% endfor %}];
const STORE = "card-check";
// A weak signal may take a request and never answer it.
const PATIENCE_MS = 4000;

self.addEventListener("install", (event) => {
  event.waitUntil(
    caches
      .open(STORE)
      .then((store) => store.addAll([PAGE, ...FILES].map((url) => new Request(url, { cache: "reload" }))))
      .then(() => self.skipWaiting()),
  );
});
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));

const answer = async (event, key) => {
  const kept = await caches.match(key, { cacheName: STORE, ignoreSearch: true, ignoreVary: true });
  const fromNetwork = fetch(event.request);
  const fresh = fromNetwork.then(async (response) => {
    if (response.ok && !response.redirected) await (await caches.open(STORE)).put(key, response.clone());
    return response;
  });
  event.waitUntil(fresh.catch(() => undefined));
  if (!kept) return fresh;
  const silence = new Promise((resolve) => setTimeout(resolve, PATIENCE_MS));
  const response = await Promise.race([fresh.catch(() => null), silence]);
  return response && response.ok ? response : kept;
};

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const url = new URL(request.url);
  if (request.method !== "GET" || url.origin !== self.location.origin) return;
  if (request.mode === "navigate" && url.pathname === PAGE) event.respondWith(answer(event, PAGE));
  else if (FILES.includes(url.pathname)) event.respondWith(answer(event, url.pathname));
});
