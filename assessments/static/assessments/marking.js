// Sends every mark of a walk-around as it is tapped, in the order of tapping, and loses none without a signal.
//
// A tap is first written on the phone, then sent, and struck off when the register has said that it is kept.
// What stands is what the register says, with the taps that still wait laid over it. Notes and photographs wait
// on the phone's shelf (phone_shelf.js). Without this script each zone is a plain form.
(() => {
  "use strict";

  const RETRY_MS = 8000;
  const LOOK_MS = 30000;
  const BATCH = 100;
  const CLOCK_SLACK_MS = 5000;
  const frame = document.querySelector("[data-assessment]");
  const over = document.querySelector("[data-assessment-done]");
  if (!frame && !over) return undefined;
  const id = frame ? frame.dataset.assessment : over.dataset.assessmentDone;
  const shelf = window.phoneShelf("assessment", id);

  // Taps that wait, oldest first ------------------------------------------------------------------------
  const QUEUE = `assessment-taps-${id}`;
  let memory = null;
  const readList = (key) => {
    try {
      return JSON.parse(localStorage.getItem(key)) || [];
    } catch {
      return [];
    }
  };
  const taps = () => memory || readList(QUEUE);
  const writeTaps = (list) => {
    try {
      if (list.length) localStorage.setItem(QUEUE, JSON.stringify(list));
      else localStorage.removeItem(QUEUE);
      memory = null;
    } catch {
      // Storage is full or shut off: taps still wait in this page's memory.
      memory = list;
    }
  };

  // An assessment that is over leaves nothing behind on a phone that others use too; marks that did not reach it
  // in time are said first.
  if (over) {
    const late = taps().length;
    const putAway = () => {
      writeTaps([]);
      shelf.forget();
      over.hidden = true;
    };
    over.querySelector("button").addEventListener("click", putAway);
    window.keptPage.drop(over.dataset.pageUrl);
    if (!late) return putAway();
    over.querySelector("[data-late-count]").textContent = late === 1 ? "1 mark" : `${late} marks`;
    over.hidden = false;
    return undefined;
  }

  const PATIENCE_MS = 60000;
  const { newId } = window.phonePost;
  const device = (() => {
    try {
      const known = localStorage.getItem("assessment-device") || newId();
      localStorage.setItem("assessment-device", known);
      return known;
    } catch {
      return newId();
    }
  })();
  const say = (name, shown) => {
    for (const line of document.querySelectorAll(`[data-say="${name}"]`)) line.hidden = !shown;
  };

  // What stands -----------------------------------------------------------------------------------------
  const cards = [...document.querySelectorAll("[data-point]")];
  const cardOf = (pk) => document.getElementById(`point-${pk}`);
  // As the register told it last: by point, its mark, its place in the order and the device of its last tap.
  let told = new Map(
    cards.map(({ dataset }) => [
      dataset.point,
      { mark: dataset.mark, order: dataset.order === "" ? null : Number(dataset.order), device: dataset.device },
    ]),
  );
  let toldAt = frame.dataset.now;
  const isDone = (mark) => mark !== "" && mark !== "missed";
  // The same rule as the register's: a changed mark keeps its place, one that is given up keeps it only for
  // the very next tap.
  const standing = () => {
    const now = new Map([...told].map(([pk, one]) => [pk, { ...one }]));
    let next = 1 + Math.max(-1, ...[...told.values()].map((one) => (one.order === null ? -1 : one.order)));
    let givenUp = null;
    for (const tap of taps()) {
      const one = now.get(tap.point) || { mark: "", order: null, device };
      const held = one.order === null && givenUp && givenUp.point === tap.point ? givenUp.order : one.order;
      givenUp = null;
      if (isDone(tap.mark)) one.order = held === null ? next++ : held;
      else {
        if (held !== null) givenUp = { point: tap.point, order: held };
        one.order = null;
      }
      Object.assign(one, { mark: tap.mark, device, isWaiting: true });
      now.set(tap.point, one);
    }
    return now;
  };

  // What the page says ----------------------------------------------------------------------------------
  const ordinal = (place) => {
    const tail = place % 100 >= 11 && place % 100 <= 13 ? "th" : { 1: "st", 2: "nd", 3: "rd" }[place % 10] || "th";
    return `${place}${tail}`;
  };
  const problems = new Set();
  const drawCard = (box, now, places) => {
    const pk = box.dataset.point;
    const one = now.get(pk);
    for (const input of box.querySelectorAll(`[name="mark-${pk}"]`)) input.checked = input.value === one.mark;
    box.querySelector(".mark-place").textContent = places.has(pk) ? `Seen ${ordinal(places.get(pk))}` : "";
    const word = problems.has(pk) ? "problem" : one.isWaiting ? "waiting" : one.mark ? "saved" : "";
    box.querySelector(".saved").dataset.saved = word;
    box.querySelector(".elsewhere").hidden = !(one.device && one.device !== device && one.mark);
    for (const rule of box.querySelectorAll("[data-earlier]")) {
      const earlier = now.get(rule.dataset.earlier);
      const isBroken = one.order !== null && (!earlier || earlier.order === null || earlier.order > one.order);
      rule.hidden = !isBroken;
    }
  };
  const draw = () => {
    const now = standing();
    const seen = [...now].filter(([, one]) => one.order !== null).sort(([, a], [, b]) => a.order - b.order);
    const places = new Map(seen.map(([pk], index) => [pk, index + 1]));
    for (const box of cards) drawCard(box, now, places);
    drawProgress(now);
    drawWaiting();
  };
  const drawProgress = (now) => {
    if (!cards.length) return;
    const marked = cards.filter((box) => now.get(box.dataset.point).mark).length;
    document.getElementById("marking-count").textContent = `${marked} of ${cards.length} marked`;
    document.querySelector(".marking-strip .walk-bar").value = marked;
    for (const zone of document.querySelectorAll("[data-zone]")) {
      const inside = [...zone.querySelectorAll("[data-point]")];
      const count = inside.filter((box) => now.get(box.dataset.point).mark).length;
      zone.querySelector("[data-zone-count]").textContent = `${count} of ${inside.length}`;
      const link = document.querySelector(`[data-zone-link="${zone.dataset.zone}"]`);
      link.classList.toggle("is-done", count === inside.length);
    }
    const next = nextUnmarked(now);
    const move = document.querySelector("[data-next]");
    const finish = document.querySelector("[data-finish]");
    move.hidden = document.querySelector("[data-next-note]").hidden = !next;
    if (next) {
      move.href = `#${next.id}`;
      document.querySelector("[data-next-title]").textContent = next.dataset.title;
    }
    finish.classList.toggle("btn-primary", !next);
    finish.classList.toggle("btn-outline-secondary", Boolean(next));
    document.querySelector("[data-undo]").hidden = !undone.length;
  };
  let lastTapped = null;
  // After the point that was tapped last, or from the first one of the zone that is shown.
  const nextUnmarked = (now) => {
    const first = cards.findIndex((box) => box.closest("[data-zone]").dataset.zone === String(shownZone));
    const from = lastTapped ? cards.indexOf(lastTapped) : Math.max(first, 0);
    const turned = [...cards.slice(from), ...cards.slice(0, from)];
    return turned.find((box) => !now.get(box.dataset.point).mark);
  };
  const drawWaiting = () => {
    const marks = taps().length;
    const notes = shelf.toSend().length;
    const parts = [];
    if (marks) parts.push(marks === 1 ? "1 mark" : `${marks} marks`);
    if (notes) parts.push(notes === 1 ? "1 note" : `${notes} notes`);
    frame.querySelector("[data-waiting-count]").textContent = parts.join(" and ");
    say("waiting", isHeldUp && parts.length > 0);
    const short = document.querySelector("[data-waiting-short]");
    if (!short) return;
    short.hidden = !(isHeldUp && parts.length);
    short.textContent = `${marks + notes} not sent`;
  };

  // Sending ---------------------------------------------------------------------------------------------
  let sending = null;
  let retry = 0;
  let isHeldUp = false;
  let keptCount = 0;
  const ask = (url, options) => window.phonePost.ask(url, options, PATIENCE_MS);
  const takeIn = ({ marks, now }) => {
    const unmarked = { mark: "", order: null, device: "" };
    told = new Map(cards.map(({ dataset }) => [dataset.point, marks[dataset.point] || unmarked]));
    toldAt = now;
    setClock(now);
  };
  const hear = (said) => {
    if (!said.marks) return;
    takeIn(said);
    say("copy", false);
    if (said.status !== "marking" && cards.length) {
      refuse("This assessment is no longer being marked; its marks stand as they were.");
      window.keptPage.drop(frame.dataset.pageUrl);
    } else window.keptPage.remember(frame.dataset.pageUrl, { marks: said.marks, now: said.now });
  };
  const refuse = (sentence) => {
    frame.querySelector("[data-refused-words]").textContent = sentence;
    say("refused", true);
  };
  const sendTaps = async () => {
    const batch = taps().slice(0, BATCH);
    if (!batch.length) return "empty";
    const { end, said } = await ask(frame.dataset.marksUrl, {
      method: "POST",
      body: JSON.stringify({ device, marks: batch }),
      headers: { "Content-Type": "application/json" },
    });
    if (end === "kept") {
      const sent = new Set(batch.map((tap) => tap.sent_as));
      writeTaps(taps().filter((tap) => !sent.has(tap.sent_as)));
      for (const tap of batch) problems.delete(tap.point);
      keptCount += batch.length;
      hear(said);
    } else if (end === "refused") {
      for (const tap of batch) problems.add(tap.point);
      hear(said);
      refuse(`${said.sentence} ${batch.length === 1 ? "1 mark" : `${batch.length} marks`} on this phone did not reach it.`);
    }
    return end;
  };
  const sendNote = async (key, entry) => {
    const body = new FormData();
    body.set("point", entry.point);
    body.set("text", entry.text);
    body.set("sent_as", key);
    const photograph = entry.hasPhotograph ? await shelf.photographOf(key) : null;
    if (photograph) body.set("photo", photograph, photograph.name || "photograph.jpg");
    const lost = entry.hasPhotograph && !photograph ? "The photograph did not stay on this phone; take it again." : "";
    if (lost && !entry.text) {
      shelf.strikeOff(key, entry.stamp);
      hint(entry.point, lost);
      return "kept";
    }
    const { end, said } = await ask(frame.dataset.noteUrl, { method: "POST", body });
    if (end === "kept" || end === "refused") {
      shelf.strikeOff(key, entry.stamp);
      await shelf.dropPhotograph(key);
      keptCount += 1;
      hint(entry.point, end === "kept" ? lost : said.sentences.join(" "));
      if (end === "kept") showNote(entry.point, said);
    }
    return end;
  };
  // Sends everything that waits, oldest first; one run at a time, so that a newer tap never overtakes.
  const flush = () => {
    sending = sending || flushOnce().finally(() => (sending = null));
    return sending;
  };
  const flushOnce = async () => {
    clearTimeout(retry);
    let end = "empty";
    while (taps().length) {
      end = await sendTaps();
      draw();
      if (end !== "kept") break;
    }
    if (end === "empty" || end === "kept") {
      for (const [key, entry] of shelf.toSend()) {
        const ended = await sendNote(key, entry);
        if (ended === "signed-out" || ended === "no-signal") {
          end = ended;
          break;
        }
      }
    }
    isHeldUp = end === "no-signal" || end === "signed-out";
    say("signed-out", end === "signed-out");
    if (isHeldUp) retry = setTimeout(flush, RETRY_MS);
    draw();
    return !taps().length && !shelf.toSend().length;
  };
  // Another device of the same assessor may have marked meanwhile.
  const look = async () => {
    if (document.visibilityState !== "visible" || sending || taps().length || !cards.length) return;
    const { end, said } = await ask(frame.dataset.marksUrl, {});
    if (end === "kept" && !taps().length) {
      hear(said);
      draw();
    }
  };

  // Tapping ---------------------------------------------------------------------------------------------
  const undone = [];
  const tap = (pk, mark) => {
    const list = taps();
    const at = Date.now();
    const last = list.length ? Date.parse(list[list.length - 1].tapped_at) : lastTapAt;
    if (last && at < last - CLOCK_SLACK_MS) say("clock", true);
    lastTapAt = at;
    writeTaps([...list, { point: pk, mark, sent_as: newId(), tapped_at: new Date(at).toISOString() }]);
    lastTapped = cardOf(pk);
    draw();
    flush();
  };
  let lastTapAt = 0;
  document.addEventListener("change", (event) => {
    const box = event.target.closest("[data-point]");
    if (!box || event.target.type !== "radio") return;
    const pk = box.dataset.point;
    undone.push({ pk, mark: standing().get(pk).mark });
    tap(pk, event.target.value);
  });
  const undo = () => {
    const last = undone.pop();
    if (!last) return;
    tap(last.pk, last.mark);
    goTo(`#point-${last.pk}`);
  };

  // Notes -----------------------------------------------------------------------------------------------
  const hint = (pk, words) => {
    const line = cardOf(pk) && cardOf(pk).querySelector(".point-hint");
    if (!line) return;
    line.textContent = words;
    line.hidden = !words;
  };
  const showNote = (pk, said) => {
    const box = cardOf(pk);
    if (!box) return;
    const line = document.createElement("li");
    line.textContent = said.text;
    if (said.photograph) {
      const picture = document.createElement("img");
      Object.assign(picture, { src: said.photograph, alt: `Photograph of ${box.dataset.title}`, width: 96, height: 96 });
      line.append(picture);
    }
    const list = box.querySelector(".point-notes");
    list.append(line);
    box.querySelector("[data-note-count]").textContent = ` (${list.children.length})`;
  };
  const keepNote = async (box) => {
    const pk = box.dataset.point;
    const words = box.querySelector("textarea");
    const field = box.querySelector("input[type=file]");
    const photograph = field.files[0];
    if (!words.value.trim() && !photograph) return hint(pk, "Write a remark or take a photograph.");
    const key = newId();
    shelf.keep(key, { point: pk, text: words.value.trim(), hasPhotograph: Boolean(photograph), stamp: key });
    if (photograph) {
      shelf.holdPhotograph(key, photograph);
      await shelf.keepPhotograph(key, photograph);
    }
    words.value = "";
    field.value = "";
    hint(pk, "Kept on this phone.");
    return flush();
  };

  // Going about -----------------------------------------------------------------------------------------
  const zones = [...document.querySelectorAll("[data-zone]")];
  let shownZone = 1;
  const showZone = (number) => {
    shownZone = Number(number);
    for (const zone of zones) zone.hidden = Number(zone.dataset.zone) !== shownZone;
    for (const link of document.querySelectorAll("[data-zone-link]")) {
      const isHere = Number(link.dataset.zoneLink) === shownZone;
      if (isHere) link.setAttribute("aria-current", "step");
      else link.removeAttribute("aria-current");
      if (isHere) link.parentElement.parentElement.scrollLeft = link.parentElement.offsetLeft - 120;
    }
  };
  const goTo = (hash) => {
    const place = /^#(point|zone)-\d+$/.test(hash) && document.querySelector(hash);
    if (!place) return false;
    const zone = place.closest("[data-zone]");
    if (hash.startsWith("#zone")) lastTapped = null;
    showZone(zone.dataset.zone);
    place.scrollIntoView({ block: "start" });
    if (place.matches("[data-point]")) place.focus({ preventScroll: true });
    draw();
    return true;
  };
  document.addEventListener("click", (event) => {
    const link = event.target.closest("[data-zone-link], [data-next]");
    if (link && goTo(new URL(link.href).hash)) {
      event.preventDefault();
      history.replaceState(null, "", new URL(link.href).hash);
    }
    if (event.target.closest("[data-undo]")) undo();
    const keep = event.target.closest("[data-keep-note]");
    if (keep) keepNote(keep.closest("[data-point]"));
  });
  document.addEventListener("submit", async (event) => {
    if (!event.target.matches("[data-finish-form]") || (!taps().length && !shelf.toSend().length)) return;
    event.preventDefault();
    if (await flush()) event.target.requestSubmit();
    else frame.scrollIntoView({ block: "start" });
  });
  // Going to the end waits for what is on its way, and says so where it cannot go.
  document.addEventListener("click", async (event) => {
    const link = event.target.closest("[data-finish]");
    if (!link) return;
    event.preventDefault();
    await Promise.race([flush(), new Promise((resolve) => setTimeout(resolve, 4000))]);
    if (!isHeldUp) return location.assign(link.href);
    drawWaiting();
    return frame.scrollIntoView({ block: "start" });
  });

  // The running clock: the register's moments, carried on by this page's own stopwatch, never by the time of day.
  let elapsed = 0;
  let since = 0;
  const setClock = (moment) => {
    elapsed = Date.parse(moment) - Date.parse(frame.dataset.startedAt);
    since = performance.now();
  };
  const runClock = () => {
    const shown = document.querySelector("[data-clock]");
    if (!shown) return;
    const seconds = Math.max(0, Math.floor((elapsed + performance.now() - since) / 1000));
    const [hours, minutes] = [Math.floor(seconds / 3600), Math.floor(seconds / 60) % 60];
    const rest = String(seconds % 60).padStart(2, "0");
    shown.textContent = hours ? `${hours}:${String(minutes).padStart(2, "0")}:${rest}` : `${minutes}:${rest}`;
  };

  // Arriving --------------------------------------------------------------------------------------------
  const begin = async () => {
    for (const link of document.querySelectorAll("[data-sign-in]")) {
      link.href = `${frame.dataset.signInUrl}?next=${encodeURIComponent(location.pathname)}`;
    }
    setClock(frame.dataset.now);
    setInterval(runClock, 1000);
    runClock();
    for (const button of document.querySelectorAll("[data-keep-note]")) button.hidden = false;
    if (cards.length) {
      window.keptPage.keep(frame.dataset.workerUrl);
      say("copy", window.keptPage.isCopy);
      // A kept copy is older than what the register said after it.
      const since = await window.keptPage.remembered(frame.dataset.pageUrl);
      if (since && Date.parse(since.now) > Date.parse(toldAt)) takeIn(since);
      const now = standing();
      const open = cards.find((box) => !now.get(box.dataset.point).mark) || cards[0];
      showZone(open.closest("[data-zone]").dataset.zone);
      if (location.hash) goTo(location.hash);
      setInterval(look, LOOK_MS);
    }
    draw();
    await flush();
    // A page that only tells what is marked is read again once something was sent.
    if (keptCount && !cards.length) location.reload();
  };
  window.addEventListener("online", () => flush().then(look));
  window.addEventListener("hashchange", () => goTo(location.hash));
  document.addEventListener("visibilitychange", () => {
    if (document.visibilityState === "visible") flush().then(look);
  });
  window.addEventListener("pageshow", (event) => event.persisted && flush().then(look));
  begin();
  return undefined;
})();
