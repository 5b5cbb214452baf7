// Asks the offline worker to keep this page on the phone, and remembers beside the kept copy what the register
// said since, because the copy is as old as the last time that the page was loaded.
// Does nothing where the browser has no service worker, or the register is not on https or this machine.
window.keptPage = (() => {
  "use strict";

  const STORE = "kept-pages";
  const canKeep = Boolean(window.caches && navigator.serviceWorker);
  const path = location.pathname;
  const isCopy = document.documentElement.hasAttribute("data-kept-copy");
  const beside = (page) => `${page}?said`;
  const inStore = async (act) => {
    if (!canKeep) return undefined;
    try {
      return await act(await caches.open(STORE));
    } catch {
      // No room, or shut off: the page works, and is only not there without a signal.
      return undefined;
    }
  };

  // The copy itself is refreshed by the worker at every load; the first load came before there was a worker.
  const keep = async (workerUrl) => {
    if (!canKeep) return;
    const isFirst = !navigator.serviceWorker.controller;
    try {
      await navigator.serviceWorker.register(workerUrl, { scope: "/" });
    } catch {
      return;
    }
    const { active } = await navigator.serviceWorker.ready;
    const files = performance.getEntriesByType("resource").map((entry) => entry.name);
    active.postMessage({ keep: isFirst && !isCopy ? path : null, files: isCopy ? [] : files });
  };
  const remember = (page, said) =>
    inStore((store) => store.put(beside(page), new Response(JSON.stringify(said))));
  const remembered = (page) =>
    inStore(async (store) => {
      const said = await store.match(beside(page), { ignoreVary: true });
      return said ? said.json() : undefined;
    });
  const drop = (page) => inStore((store) => store.delete(page, { ignoreSearch: true, ignoreVary: true }));

  return { isCopy, keep, remember, remembered, drop };
})();
