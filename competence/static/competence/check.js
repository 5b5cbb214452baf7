// Sends every answer of a daily check as it is tapped, and loses none without a signal.
//
// An answer is first written on the phone (see phone_shelf.js), then sent, one at a time
// and the newest of a point only, and struck off when the register has said that it is kept. Zones of the check
// are fetched ahead, so that the walk-around goes on where there is no signal. Without this script the pages
// work as plain forms.
(() => {
  "use strict";

  const RETRY_MS = 8000;
  const PATIENCE_MS = 60000;
  // Signing in again is usually done in another tab, and this page has only to notice.
  const SIGNED_OUT_RETRY_MS = 3000;
  const TYPING_MS = 1200;
  const FIELDS = ["answer", "grade", "note", "reason"];
  const frame = () => document.querySelector("[data-check]");
  const zoneForm = () => document.querySelector("[data-zone-form]");

  // A page brought back from the browser's memory must not ask the gate again under the same name.
  const startForm = document.querySelector("[data-start]");
  if (startForm) {
    window.addEventListener("pageshow", (event) => {
      if (event.persisted && crypto.randomUUID) startForm.elements.check_id.value = crypto.randomUUID();
    });
  }
  const done = document.querySelector("[data-check-done]");
  if (!frame() && !done) return;
  const check = frame() ? frame().dataset.check : done.dataset.checkDone;
  const pointUrl = (pk) => frame().dataset.pointUrl.replace(/0\/$/, `${pk}/`);

  const { waiting, keep, strikeOff, toSend, holdPhotograph, keepPhotograph, photographOf, dropPhotograph, forget } =
    window.phoneShelf("daily-check", check);

  // A check that was submitted leaves nothing behind on a phone that others use too.
  if (done) {
    forget();
    return;
  }

  // What the page says --------------------------------------------------------------------------------
  const say = (name, shown) => {
    for (const line of document.querySelectorAll(`[data-say="${name}"]`)) line.hidden = !shown;
  };
  const card = (pk) => document.getElementById(`point-${pk}`);
  const keyOf = (element) => {
    const box = element.closest(".point-card");
    return box ? box.id.slice("point-".length) : null;
  };
  const mark = (pk, state) => {
    const line = card(pk) && card(pk).querySelector(".saved");
    if (line) line.dataset.saved = state;
  };
  const hint = (pk, sentences) => {
    const box = card(pk);
    if (!box) return;
    let line = box.querySelector(".point-hint");
    if (!line) {
      line = document.createElement("p");
      line.className = "point-hint";
      line.setAttribute("role", "status");
      box.querySelector(".saved").before(line);
    }
    line.textContent = sentences.join(" ");
    line.hidden = !sentences.length;
    if (!sentences.length) {
      box.classList.remove("point-wrong");
      const old = box.querySelector(".point-errors");
      if (old) old.remove();
    }
  };
  let counted = null;
  const count = (answered, total) => {
    counted = [answered, total];
    const words = document.getElementById("walk-count");
    const bar = document.querySelector(".walk-bar");
    if (words) words.textContent = `${answered} of ${total} answered`;
    if (bar) Object.assign(bar, { max: total, value: answered });
  };
  const sayWaiting = () => {
    const left = toSend();
    say("waiting", !isSignedOut && left.some(([, entry]) => entry.failed));
    if (isSignedOut) for (const [pk] of left) mark(pk, "signed-out");
    const words = frame().querySelector("[data-waiting-count]");
    const photos = left.filter(([, entry]) => entry.hasPhotograph).length;
    const answers = left.length === 1 ? "1 answer" : `${left.length} answers`;
    if (words) words.textContent = photos ? `${answers}, with ${photos === 1 ? "a photograph" : `${photos} photographs`},` : answers;
  };

  // Reading and showing a card ------------------------------------------------------------------------
  const read = (pk) => {
    const box = card(pk);
    const entry = { stamp: `${Date.now()}-${Math.random()}` };
    for (const field of FIELDS) {
      const inputs = box.querySelectorAll(`[name="${field}-${pk}"]`);
      const chosen = inputs[0].type === "radio" ? [...inputs].find((input) => input.checked) : inputs[0];
      entry[field] = chosen ? chosen.value : "";
    }
    return entry;
  };
  const show = (pk, entry) => {
    const box = card(pk);
    if (!box) return;
    for (const field of FIELDS) {
      for (const input of box.querySelectorAll(`[name="${field}-${pk}"]`)) {
        if (input.type === "radio") input.checked = input.value === entry[field];
        else input.value = entry[field];
      }
    }
    if (entry.incomplete) {
      mark(pk, "");
      hint(pk, entry.incomplete);
    } else mark(pk, "waiting");
  };
  const showWaiting = () => {
    for (const [pk, entry] of Object.entries(waiting())) show(pk, entry);
    sayWaiting();
  };

  // Sending -------------------------------------------------------------------------------------------
  let sending = null;
  let retry = 0;
  let isSignedOut = false;
  let keptCount = 0;

  // How one sending ended: "kept", "incomplete", "refused", "signed-out" or "no-signal".
  const sendOne = async (pk, entry) => {
    const body = new FormData();
    for (const field of FIELDS) body.set(`${field}-${pk}`, entry[field]);
    const photograph = entry.hasPhotograph ? await photographOf(pk) : null;
    if (photograph) body.set(`photo-${pk}`, photograph, photograph.name || "photograph.jpg");
    const answer = await window.phonePost.ask(pointUrl(pk), { method: "POST", body }, PATIENCE_MS);
    if (answer.end === "kept") return { ...answer, photograph };
    if (answer.end !== "refused" || answer.status === 409) return answer;
    return { ...answer, end: answer.status === 422 ? "incomplete" : "no-signal" };
  };

  const PHOTOGRAPH_LOST = "The photograph did not stay on this phone. The answer is kept; take the photograph again.";
  const settle = async (pk, entry, { end, said, photograph }) => {
    const isNewest = (waiting()[pk] || {}).stamp === entry.stamp;
    if (end === "kept") {
      keptCount += 1;
      if (entry.hasPhotograph && isNewest) await dropPhotograph(pk);
      strikeOff(pk, entry.stamp);
      if (isNewest) {
        const lacks = entry.hasPhotograph && !photograph ? [PHOTOGRAPH_LOST] : said.sentences;
        mark(pk, lacks.length ? "dropped" : "saved");
        hint(pk, lacks);
        showKept(pk, said);
      }
      count(said.answered, said.total);
    } else if (end === "incomplete") {
      if (isNewest) {
        keep(pk, { ...entry, incomplete: said.sentences });
        mark(pk, "");
        hint(pk, said.sentences);
      }
      count(said.answered, said.total);
    } else if (end === "refused") {
      const words = frame().querySelector("[data-refused-words]");
      if (words) words.textContent = said.sentences.join(" ");
      say("refused", true);
      if (isNewest) mark(pk, "problem");
    } else if (isNewest) {
      keep(pk, { ...entry, failed: true });
      mark(pk, end === "signed-out" ? "signed-out" : "waiting");
    }
  };
  const showKept = (pk, said) => {
    const box = card(pk);
    if (!box) return;
    const grade = box.querySelector(`[name="grade-${pk}"][value="${said.grade}"]`);
    if (grade) grade.checked = true;
    const picture = box.querySelector(".point-photo");
    if (picture && said.photograph) {
      picture.querySelector("img").src = said.photograph;
      picture.hidden = false;
      box.querySelector(`[name="photo-${pk}"]`).value = "";
    }
  };

  // Sends everything that waits, one run at a time, so that a newer answer never overtakes an older one.
  const flush = () => {
    sending = sending || flushOnce().finally(() => (sending = null));
    return sending;
  };
  const flushOnce = async () => {
    clearTimeout(retry);
    const refused = new Set();
    for (;;) {
      const next = toSend().find(([, entry]) => !refused.has(entry.stamp));
      if (!next) break;
      const [pk, entry] = next;
      const outcome = await sendOne(pk, entry);
      await settle(pk, entry, outcome);
      if (outcome.end === "refused") refused.add(entry.stamp);
      isSignedOut = outcome.end === "signed-out";
      say("signed-out", isSignedOut);
      if (isSignedOut || outcome.end === "no-signal") {
        retry = setTimeout(flush, isSignedOut ? SIGNED_OUT_RETRY_MS : RETRY_MS);
        break;
      }
    }
    sayWaiting();
    return toSend().length === 0;
  };

  // Tapping and typing --------------------------------------------------------------------------------
  const typing = new Map();
  const answered = async (pk, photograph) => {
    clearTimeout(typing.get(pk));
    const before = waiting()[pk] || {};
    const entry = read(pk);
    if (!entry.answer) return;
    entry.hasPhotograph = Boolean(photograph || before.hasPhotograph);
    if (photograph) holdPhotograph(pk, photograph);
    keep(pk, entry);
    mark(pk, "waiting");
    hint(pk, []);
    if (photograph) await keepPhotograph(pk, photograph);
    flush();
  };
  document.addEventListener("change", (event) => {
    const pk = zoneForm() && zoneForm().contains(event.target) ? keyOf(event.target) : null;
    if (!pk) return;
    const file = event.target.type === "file" ? event.target.files[0] : null;
    answered(pk, file);
  });
  document.addEventListener("input", (event) => {
    if (event.target.tagName !== "TEXTAREA") return;
    const pk = keyOf(event.target);
    if (!pk) return;
    const before = waiting()[pk] || {};
    keep(pk, { ...read(pk), hasPhotograph: before.hasPhotograph, isBeingTyped: true });
    clearTimeout(typing.get(pk));
    typing.set(pk, setTimeout(() => answered(pk), TYPING_MS));
  });

  // Going on to another zone, with or without a signal --------------------------------------------------
  const pages = new Map();
  const fetchAhead = async () => {
    if (!zoneForm()) return;
    for (const { href } of document.querySelectorAll(".walk-zones a")) {
      if (pages.has(href) || href === location.href) continue;
      try {
        const response = await fetch(href, { credentials: "same-origin", redirect: "manual" });
        if (response.ok) pages.set(href, await response.text());
      } catch {
        return;
      }
    }
  };
  // Cards that were left, so that a copy fetched earlier shows what was answered since.
  const left = new Map();
  const remember = () => {
    for (const box of document.querySelectorAll(".point-card")) {
      const pk = box.id.slice("point-".length);
      const entry = read(pk);
      if (entry.answer) left.set(pk, { entry, saved: box.querySelector(".saved").dataset.saved });
    }
  };
  const recall = () => {
    for (const [pk, { entry, saved }] of left) {
      if (!card(pk)) continue;
      show(pk, entry);
      mark(pk, saved);
    }
    if (counted) count(...counted);
  };
  const turnTo = (url, text, { isNew, isCopy }) => {
    const fresh = text && new DOMParser().parseFromString(text, "text/html");
    const main = fresh && fresh.getElementById("main");
    if (!main || !fresh.querySelector("[data-check]")) return false;
    remember();
    document.getElementById("main").replaceWith(document.importNode(main, true));
    document.title = fresh.title;
    if (isNew) history.pushState({}, "", url);
    if (isCopy) recall();
    arrive();
    window.scrollTo(0, 0);
    document.getElementById("main").focus({ preventScroll: true });
    return true;
  };
  // An answer that was begun and is not whole holds one back, once, at its field.
  const missing = () => {
    const pk = Object.entries(waiting()).find(([key, entry]) => entry.incomplete && card(key))?.[0];
    if (!pk) return false;
    const box = card(pk);
    box.classList.add("point-wrong");
    box.scrollIntoView({ block: "start" });
    const fields = [...box.querySelectorAll(".reveal textarea, .reveal input[type=radio]")];
    const open = fields.filter((one) => one.offsetParent || one.closest(".reveal").offsetParent);
    (open.find((one) => one.tagName === "TEXTAREA" && !one.value) || open[0] || box).focus({ preventScroll: true });
    return true;
  };
  const goTo = async (url) => {
    await Promise.race([flush(), new Promise((resolve) => setTimeout(resolve, 4000))]);
    if (missing()) return;
    try {
      const response = await fetch(url, {
        credentials: "same-origin",
        redirect: "manual",
        signal: AbortSignal.timeout ? AbortSignal.timeout(8000) : undefined,
      });
      if (response.type === "opaqueredirect" && !toSend().length) return location.assign(url);
      if (response.ok) {
        const text = await response.text();
        pages.set(url, text);
        if (turnTo(url, text, { isNew: true, isCopy: false })) return undefined;
      }
    } catch {
      // No signal: the copy on this phone, if there is one.
    }
    if (!turnTo(url, pages.get(url), { isNew: true, isCopy: true })) {
      say("offline-move", true);
      frame().scrollIntoView({ block: "start" });
    }
    return undefined;
  };
  // A zone that was passed over is told, on the page after it.
  const sayLeft = (name) => {
    const words = document.querySelector("[data-left-zone]");
    if (!words || (zoneForm() && zoneForm().dataset.zoneName === name)) return;
    words.textContent = name;
    say("nothing-answered", true);
  };
  document.addEventListener("submit", (event) => {
    if (event.target === zoneForm()) {
      event.preventDefault();
      const { nextUrl, zoneName } = event.target.dataset;
      const isBare = !event.target.querySelector('.answer input:checked');
      goTo(new URL(nextUrl, location.href).href).then(() => isBare && sayLeft(zoneName));
    } else if (event.target.matches("[data-finish-form]")) finishing(event);
  });
  document.addEventListener("click", (event) => {
    const link = event.target.closest(".walk-zones a");
    if (!link) return;
    event.preventDefault();
    goTo(link.href);
  });
  window.addEventListener("popstate", () => {
    if (location.hash && zoneForm()) return;
    if (!turnTo(location.href, pages.get(location.href), { isNew: false, isCopy: true })) location.reload();
  });

  // The end of the check ------------------------------------------------------------------------------
  const finishing = async (event) => {
    const form = event.target;
    form.elements.device_clock_at.value = new Date().toISOString();
    if (!toSend().length) return;
    event.preventDefault();
    if (await flush()) form.requestSubmit();
    else frame().scrollIntoView({ block: "start" });
  };

  // Arriving ------------------------------------------------------------------------------------------
  const arrive = () => {
    showWaiting();
    for (const link of document.querySelectorAll("[data-sign-in]")) link.href = `${frame().dataset.signInUrl}?next=${encodeURIComponent(location.pathname)}`;
    const finish = document.querySelector("[data-finish-form]");
    if (finish) finish.elements.device_clock_at.value = new Date().toISOString();
    if (isSignedOut) say("signed-out", true);
  };
  const begin = async () => {
    // What was being typed when the page went away is sent as it stands.
    for (const [pk, entry] of Object.entries(waiting())) {
      if (entry.isBeingTyped) keep(pk, { ...entry, isBeingTyped: false });
    }
    arrive();
    await flush();
    // Pages that only tell what is answered are read again once something was sent.
    if (keptCount && !zoneForm()) location.reload();
    fetchAhead();
  };
  window.addEventListener("online", flush);
  window.addEventListener("focus", flush);
  document.addEventListener("visibilitychange", () => document.visibilityState === "visible" && flush());
  begin();
})();
