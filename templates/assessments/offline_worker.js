{% load static %}// Keeps a few pages on the phone, so that reloading them without a signal still draws them.
//
// Which pages: those whose path begins with one of ROOMS and whose answer carries the header X-Kept-On-Phone
// (views/offline.py: KEPT_ROOMS and kept_on_phone). To keep another page, add its room to KEPT_ROOMS, wrap its
// view's answer in kept_on_phone, load kept_page.js before the page's own script and call keptPage.keep() in it.
//
// The network comes first; the kept copy is shown only when the network does not answer, with data-kept-copy on
// its root element. A page that comes without the header, a redirect or a refusal removes the kept copy, and so
// does the page itself (keptPage.drop). Signing in or out removes everything, and a copy that is older than a
// session lasts is not shown. Nothing that is posted is kept.
"use strict";

const ROOMS = [{% for room in rooms %}"{{ room|escapejs }}"{% if not forloop.last %}, {% endif %}{% endfor %}];
const FILES = "{% get_static_prefix %}";
const DOORS = ["{% url 'sign-in' %}", "{% url 'sign-out' %}"];
const PAGES_STORE = "kept-pages";
const FILES_STORE = "kept-files";
// A weak signal may take a request and never answer it.
const PATIENCE_MS = 8000;
const LONGEST_MS = {{ longest_seconds }} * 1000;

self.addEventListener("install", () => self.skipWaiting());
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));

const pathOf = (url) => new URL(url).pathname;
const forgetEverything = async () => {
  await caches.delete(PAGES_STORE);
  await caches.delete(FILES_STORE);
};
const drop = async (path) => {
  const store = await caches.open(PAGES_STORE);
  await store.delete(path, { ignoreSearch: true, ignoreVary: true });
  if (!(await store.keys()).length) await caches.delete(FILES_STORE);
};
const keepPage = async (path, response) => {
  if (response.status >= 500) return;
  const isKept = response.ok && !response.redirected && response.headers.get("X-Kept-On-Phone") === "yes";
  if (isKept) await (await caches.open(PAGES_STORE)).put(path, response);
  else await drop(path);
};
const keepFiles = async (urls) => {
  const store = await caches.open(FILES_STORE);
  const own = urls.filter((url) => url.startsWith(`${self.location.origin}${FILES}`));
  await Promise.all(own.map((url) => store.add(url).catch(() => undefined)));
};
// The network's answer, or what is kept: at once where the network refuses, after PATIENCE_MS where it is silent.
const answer = async (asked, kept) => {
  const fromNetwork = fetch(asked);
  if (!kept) return fromNetwork;
  const silence = new Promise((resolve) => setTimeout(resolve, PATIENCE_MS));
  return (await Promise.race([fromNetwork.catch(() => null), silence])) || kept;
};
const keptCopy = async (path) => {
  const kept = await caches.match(path, { cacheName: PAGES_STORE, ignoreVary: true });
  if (!kept) return null;
  if (Date.now() - Date.parse(kept.headers.get("Date")) > LONGEST_MS) {
    await drop(path);
    return null;
  }
  const page = (await kept.text()).replace("<html ", "<html data-kept-copy ");
  return new Response(page, { headers: kept.headers });
};
const page = async (event) => {
  const path = pathOf(event.request.url);
  const kept = await keptCopy(path);
  const response = await answer(event.request, kept);
  if (response !== kept) event.waitUntil(keepPage(path, response.clone()));
  return response;
};
const file = async (event) => {
  const kept = await caches.match(event.request, { cacheName: FILES_STORE, ignoreVary: true });
  const response = await answer(event.request, kept);
  if (kept && response !== kept && response.ok) {
    const copy = response.clone();
    event.waitUntil(caches.open(FILES_STORE).then((store) => store.put(event.request, copy)));
  }
  return response;
};

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const path = pathOf(request.url);
  if (new URL(request.url).origin !== self.location.origin) return;
  if (request.method === "POST" && DOORS.includes(path)) event.waitUntil(forgetEverything());
  if (request.method !== "GET") return;
  if (request.mode === "navigate" && ROOMS.some((room) => path.startsWith(room))) event.respondWith(page(event));
  else if (path.startsWith(FILES)) event.respondWith(file(event));
});

// From keptPage: what the first visit loaded before this worker saw it.
self.addEventListener("message", (event) => {
  const { keep, files } = event.data;
  if (files) event.waitUntil(keepFiles(files));
  if (keep && ROOMS.some((room) => keep.startsWith(room))) {
    event.waitUntil(
      fetch(keep, { credentials: "same-origin" }).then((response) => keepPage(keep, response), () => undefined),
    );
  }
});
