// What waits on the phone for one daily check or assessment: words in local storage, photographs in IndexedDB.
// Used by check.js ("daily-check") and by the marking page of an assessment ("assessment").
window.phoneShelf = (kind, id) => {
  "use strict";

  const shelf = `${kind}-${id}`;
  const readShelf = () => {
    try {
      return JSON.parse(localStorage.getItem(shelf)) || {};
    } catch {
      return {};
    }
  };
  const writeShelf = (waiting) => {
    try {
      if (Object.keys(waiting).length) localStorage.setItem(shelf, JSON.stringify(waiting));
      else localStorage.removeItem(shelf);
    } catch {
      // Storage is full or shut off: answers still wait in this page's memory.
      memory = waiting;
    }
  };
  let memory = null;
  const waiting = () => memory || readShelf();
  const keep = (pk, entry) => writeShelf({ ...waiting(), [pk]: entry });
  const strikeOff = (pk, stamp) => {
    const left = waiting();
    if (left[pk] && left[pk].stamp === stamp) {
      delete left[pk];
      writeShelf(left);
    }
  };
  const toSend = () => Object.entries(waiting()).filter(([, entry]) => !entry.incomplete && !entry.isBeingTyped);

  // Photographs are too large for local storage.
  const photographs = new Map();
  const openStore = () =>
    new Promise((resolve) => {
      if (!window.indexedDB) return resolve(null);
      const asked = indexedDB.open(`${kind}-photographs`, 1);
      asked.onupgradeneeded = () => asked.result.createObjectStore("photographs");
      asked.onsuccess = () => resolve(asked.result);
      asked.onerror = () => resolve(null);
    });
  const inStore = async (mode, act) => {
    // A browser that keeps nothing, or has no room: the photograph stays in this page's memory only.
    const store = await openStore().catch(() => null);
    if (!store) return undefined;
    return new Promise((resolve) => {
      const turn = store.transaction("photographs", mode);
      const asked = act(turn.objectStore("photographs"));
      turn.oncomplete = () => resolve(asked.result);
      turn.onerror = turn.onabort = () => resolve(undefined);
    })
      .catch(() => undefined)
      .finally(() => store.close());
  };
  const photographKey = (pk) => `${id}/${pk}`;
  const holdPhotograph = (pk, file) => photographs.set(pk, file);
  const keepPhotograph = async (pk, file) => {
    const small = await shrink(file);
    // Another may have been taken while this one was made small.
    if (photographs.get(pk) !== file) return;
    photographs.set(pk, small);
    await inStore("readwrite", (store) => store.put(small, photographKey(pk)));
  };
  const photographOf = async (pk) =>
    photographs.get(pk) || (await inStore("readonly", (store) => store.get(photographKey(pk))));
  const dropPhotograph = (pk) => {
    photographs.delete(pk);
    return inStore("readwrite", (store) => store.delete(photographKey(pk)));
  };

  // Made small on the phone already: over a weak signal a whole photograph would take minutes.
  const LONGEST_SIDE = 1600;
  const shrink = async (file) => {
    try {
      const picture = await createImageBitmap(file, { imageOrientation: "from-image" });
      const scale = Math.min(1, LONGEST_SIDE / Math.max(picture.width, picture.height));
      const canvas = document.createElement("canvas");
      canvas.width = Math.round(picture.width * scale);
      canvas.height = Math.round(picture.height * scale);
      canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
      picture.close();
      const small = await new Promise((resolve) => canvas.toBlob(resolve, "image/jpeg", 0.85));
      return small && small.size < file.size ? small : file;
    } catch {
      // Not a picture that this browser reads: the register judges it.
      return file;
    }
  };

  const forget = () => {
    localStorage.removeItem(shelf);
    if (window.indexedDB) {
      inStore("readwrite", (store) => store.delete(IDBKeyRange.bound(`${id}/`, `${id}/\uffff`)));
    }
  };

  return { waiting, keep, strikeOff, toSend, holdPhotograph, keepPhotograph, photographOf, dropPhotograph, forget };
};

// How a page of the phone talks to the register, and tells a register that did not answer from one that refused.
window.phonePost = (() => {
  "use strict";

  const newId = () => {
    if (crypto.randomUUID) return crypto.randomUUID();
    const hex = [...crypto.getRandomValues(new Uint8Array(16))].map((byte, place) =>
      (place === 6 ? (byte & 15) | 64 : place === 8 ? (byte & 63) | 128 : byte).toString(16).padStart(2, "0"),
    );
    return hex.join("").replace(/^(.{8})(.{4})(.{4})(.{4})/, "$1-$2-$3-$4-");
  };
  const token = () => {
    // The cookie is newer than the page after signing in again in another tab.
    const cookie = document.cookie.split("; ").find((part) => /^(__Host-)?csrftoken=/.test(part));
    const field = document.querySelector("[name=csrfmiddlewaretoken]");
    return cookie ? cookie.slice(cookie.indexOf("=") + 1) : field ? field.value : "";
  };
  // How it ended: "no-signal", "signed-out", "kept", or "refused" with the status; the last two with what was said.
  const ask = async (url, options, patienceMs) => {
    let response;
    try {
      response = await fetch(url, {
        credentials: "same-origin",
        redirect: "manual",
        signal: AbortSignal.timeout ? AbortSignal.timeout(patienceMs) : undefined,
        ...options,
        headers: { "X-CSRFToken": token(), Accept: "application/json", ...(options.headers || {}) },
      });
    } catch {
      return { end: "no-signal" };
    }
    if (response.type === "opaqueredirect" || response.status === 401 || response.status === 403) {
      return { end: "signed-out" };
    }
    const isJson = (response.headers.get("Content-Type") || "").includes("application/json");
    const said = isJson ? await response.json().catch(() => null) : null;
    if (!said || response.status >= 500) return { end: "no-signal" };
    return { end: response.ok ? "kept" : "refused", status: response.status, said };
  };

  return { newId, ask };
})();
