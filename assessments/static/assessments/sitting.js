// Shows one question of a sitting at a time without loading pages, and loses no answer without a signal.
//
// An answer is first written on the phone's shelf (phone_shelf.js), then sent, and struck off when the register
// has said that it is kept. What a single tap answers is sent at once; several choices, an order and a number
// are sent when the question is left or the answer is kept, because half of them is another answer. Without
// this script each question is a plain form.
(() => {
  "use strict";

  const RETRY_MS = 6000;
  const LOOK_MS = 30000;
  const PATIENCE_MS = 30000;
  // Early enough before the end for what is half done to arrive.
  const LAST_CALL_MS = 6000;
  const frame = document.querySelector("[data-sitting]");
  const over = document.querySelector("[data-sitting-done]");
  if (!frame && !over) return undefined;
  const id = frame ? frame.dataset.sitting : over.dataset.sittingDone;
  const answerUrl = (frame || over).dataset.answerUrl;
  const shelf = window.phoneShelf("sitting", id);

  const { newId } = window.phonePost;
  const ask = async (options) => {
    const answer = await window.phonePost.ask(answerUrl, options, PATIENCE_MS);
    return answer.status === 422 ? { ...answer, end: "misread" } : answer;
  };
  const send = (position, entry) =>
    ask({
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify({
        position: Number(position),
        given: entry.given,
        sent_as: entry.stamp,
        seconds: entry.seconds,
      }),
    });

  // A sitting that is over leaves nothing on a phone that others use too; what still waits is sent first, and
  // kept as late.
  if (over) {
    window.keptPage.drop(over.dataset.pageUrl);
    const words = over.querySelector("[data-late-words]");
    const sendLate = async () => {
      let late = 0;
      for (const [position, entry] of Object.entries(shelf.waiting())) {
        const { end } = await send(position, entry);
        if (end === "no-signal" || end === "signed-out") {
          words.textContent = "Answers on this phone did not reach the register before the end. They are kept here until there is a signal; they do not count.";
          over.hidden = false;
          setTimeout(sendLate, RETRY_MS);
          return;
        }
        if (end === "kept") late += 1;
        shelf.strikeOff(position, entry.stamp);
      }
      if (late) {
        words.textContent = `${late === 1 ? "1 answer" : `${late} answers`} on this phone reached the register after the end. Kept with the sitting, and not counted.`;
        over.hidden = false;
      }
      shelf.forget();
    };
    sendLate();
    return undefined;
  }

  const say = (name, shown) => {
    for (const line of document.querySelectorAll(`[data-say="${name}"]`)) line.hidden = !shown;
  };
  const refuse = (sentence) => {
    frame.querySelector("[data-refused-words]").textContent = sentence;
    say("refused", true);
  };

  // Questions -------------------------------------------------------------------------------------------
  // By position: the form's section, what the register holds, and whether something was touched since.
  const questions = new Map();
  const orders = new Map();
  const adopt = (box) => {
    const position = box.dataset.question;
    questions.set(position, { box, sentAs: box.dataset.sentAs, isTouched: false, seconds: 0 });
    const list = box.querySelector("[data-order]");
    if (list) orders.set(position, window.orderQuestion(list, () => touch(position)));
    const keep = box.querySelector("[data-keep]");
    const isOneTap = ["one", "picture"].includes(box.dataset.kind);
    keep.parentElement.hidden = isOneTap;
    keep.textContent = box.dataset.kind === "order" ? "Keep this order" : "Keep this answer";
    box.addEventListener("change", () => (isOneTap ? keepAnswer(position) : touch(position)));
    box.addEventListener("input", () => !isOneTap && touch(position));
    box.querySelector("form").addEventListener("submit", (event) => {
      event.preventDefault();
      if (keepAnswer(position)) goOn(Number(position));
    });
  };
  const givenOf = (position) => {
    const { box } = questions.get(position);
    const checked = [...box.querySelectorAll("input:checked")].map((input) => input.value);
    switch (box.dataset.kind) {
      case "one":
        return checked.length ? { choice: Number(checked[0]) } : null;
      case "picture":
        return checked.length ? { choice: checked[0] } : null;
      case "several":
        return checked.length ? { choices: checked.map(Number) } : null;
      case "order":
        return { order: orders.get(position).order() };
      default: {
        const typed = box.querySelector("input[name=number]").value.trim();
        return typed ? { number: typed } : null;
      }
    }
  };
  const fillIn = (position, given) => {
    const { box } = questions.get(position);
    if (given.order) orders.get(position).arrange(given.order);
    else if ("number" in given) box.querySelector("input[name=number]").value = given.number;
    else {
      const picked = (given.choices || [given.choice]).map(String);
      for (const input of box.querySelectorAll(".choices input")) input.checked = picked.includes(input.value);
    }
  };
  const mistake = (position, sentence) => {
    const line = questions.get(position).box.querySelector("[data-error]");
    line.querySelector("[data-error-words]").textContent = sentence;
    line.hidden = !sentence;
  };

  // What is half done stays on the phone, so that a reload does not lose it, and is not sent.
  const touch = (position) => {
    const question = questions.get(position);
    question.isTouched = true;
    question.problem = false;
    mistake(position, "");
    const given = givenOf(position);
    if (given) shelf.keep(position, { given, stamp: newId(), isBeingTyped: true });
    draw();
  };
  const keepAnswer = (position) => {
    const question = questions.get(position);
    const given = givenOf(position);
    if (!given) {
      mistake(position, question.box.dataset.kind === "number" ? "Type a number first." : "Pick an answer first.");
      return false;
    }
    mistake(position, "");
    question.isTouched = false;
    question.problem = false;
    question.box.querySelector("[data-elsewhere]").hidden = true;
    shelf.keep(position, { given, stamp: newId(), seconds: secondsAt(position) });
    draw();
    flush();
    return true;
  };
  const keepTouched = () => {
    for (const [position, question] of questions) if (question.isTouched && givenOf(position)) keepAnswer(position);
  };

  // Time that a question was on the screen; only as a help to whoever looks at the questions later.
  let shownSince = performance.now();
  const countSeconds = () => {
    const question = questions.get(String(current));
    if (question && document.visibilityState === "visible") question.seconds += (performance.now() - shownSince) / 1000;
    shownSince = performance.now();
  };
  const secondsAt = (position) => {
    countSeconds();
    return Math.round(questions.get(position).seconds);
  };

  // What the page says ----------------------------------------------------------------------------------
  let isHeldUp = false;
  let isSignedOut = false;
  const isAnswered = (position) => {
    const waiting = shelf.waiting()[position];
    return Boolean(questions.get(position).sentAs || (waiting && !waiting.isBeingTyped));
  };
  const draw = () => {
    const waiting = shelf.waiting();
    let answered = 0;
    for (const [position, { box, sentAs, isTouched, problem }] of questions) {
      const entry = waiting[position];
      const isWaiting = entry && !entry.isBeingTyped;
      const word = problem ? "problem" : isTouched ? "touched" : isWaiting ? (isSignedOut ? "signed-out" : isHeldUp ? "waiting" : "") : sentAs ? "saved" : "";
      const line = box.querySelector(".saved");
      if (line.dataset.saved !== word) line.dataset.saved = word;
      const isDone = isAnswered(position);
      answered += isDone ? 1 : 0;
      const link = document.querySelector(`[data-go="${position}"]`);
      if (!link) continue;
      link.classList.toggle("is-done", isDone);
      link.querySelector("[data-step-done]").textContent = isDone ? ", answered" : "";
    }
    const count = shelf.toSend().length;
    frame.querySelector("[data-waiting-count]").textContent = count === 1 ? "1 answer is" : `${count} answers are`;
    say("waiting", isHeldUp && !isSignedOut && count > 0);
    say("signed-out", isSignedOut && count > 0);
    if (!questions.size) return;
    document.getElementById("sitting-count").textContent = `${answered} of ${questions.size} answered`;
    document.querySelector(".sitting-strip .walk-bar").value = answered;
    document.querySelector(".sitting-strip .walk-bar").max = questions.size;
    const isLast = current >= questions.size;
    const isEnd = isLast || answered === questions.size;
    document.querySelector("[data-next]").hidden = isEnd;
    document.querySelector("[data-finish]").hidden = !isEnd;
    document.querySelector("[data-back]").hidden = current <= 1;
  };

  // Sending ---------------------------------------------------------------------------------------------
  let sending = null;
  let retry = 0;
  const flush = () => {
    sending = sending || flushOnce().finally(() => (sending = null));
    return sending;
  };
  const flushOnce = async () => {
    clearTimeout(retry);
    let end = "kept";
    for (let next = shelf.toSend()[0]; next; next = shelf.toSend()[0]) {
      const [position, entry] = next;
      let said;
      ({ end, said } = await send(position, entry));
      if (end === "no-signal" || end === "signed-out") break;
      shelf.strikeOff(position, entry.stamp);
      const question = questions.get(position);
      if (end === "kept") {
        if (question) question.sentAs = entry.stamp;
        hear(said);
        if (said.sentence) refuse(said.sentence);
      } else {
        if (question) question.problem = true;
        if (end === "misread" && question) mistake(position, said.sentence);
        else refuse(said.sentence);
        if (question) goTo(Number(position));
      }
    }
    isSignedOut = end === "signed-out";
    isHeldUp = end === "no-signal" || isSignedOut;
    if (isHeldUp) retry = setTimeout(flush, RETRY_MS);
    draw();
    return !shelf.toSend().length;
  };
  // Another tab or phone may have answered meanwhile: the last answer that came counts, wherever it came from.
  const hear = (said) => {
    if (said.status === "finished") {
      window.keptPage.drop(frame.dataset.pageUrl);
      return leave();
    }
    window.keptPage.remember(frame.dataset.pageUrl, said);
    setClock(said.now);
    takeIn(said);
    if (questions.size && said.count > questions.size) fetchAdded();
    return undefined;
  };
  const takeIn = (said) => {
    const waiting = shelf.waiting();
    for (const [position, { given, sent_as: sentAs }] of Object.entries(said.answers)) {
      const question = questions.get(position);
      if (!question || question.sentAs === sentAs) continue;
      question.sentAs = sentAs;
      if (waiting[position] || question.isTouched) continue;
      fillIn(position, given);
      question.box.querySelector("[data-elsewhere]").hidden = window.keptPage.isCopy;
    }
  };
  const look = async () => {
    if (document.visibilityState !== "visible" || sending || shelf.toSend().length) return;
    const { end, said } = await ask({});
    isSignedOut = end === "signed-out";
    if (end === "kept" && !sending && !shelf.toSend().length) hear(said);
    draw();
  };
  // A refresher grows by a question where one went wrong: it is taken from the page as the register draws it now.
  const fetchAdded = async () => {
    let page;
    try {
      const response = await fetch(location.pathname, { credentials: "same-origin" });
      if (!response.ok) return;
      page = new DOMParser().parseFromString(await response.text(), "text/html");
    } catch {
      return;
    }
    for (const box of page.querySelectorAll("[data-question]")) {
      const position = box.dataset.question;
      if (questions.has(position)) continue;
      box.hidden = true;
      document.querySelector("[data-cards]").append(document.adoptNode(box));
      const step = page.querySelector(`[data-go="${position}"]`);
      step.removeAttribute("aria-current");
      document.querySelector("[data-steps]").append(document.adoptNode(step.parentElement));
      adopt(box);
    }
    for (const count of document.querySelectorAll("[data-count]")) count.textContent = questions.size;
    draw();
  };
  let isLeaving = false;
  const leave = () => {
    if (isLeaving) return;
    isLeaving = true;
    location.assign(frame.dataset.recordUrl);
  };

  // Going about -----------------------------------------------------------------------------------------
  let current = 0;
  const show = (position) => {
    countSeconds();
    current = Math.max(1, Math.min(questions.size, position));
    for (const [key, { box }] of questions) box.hidden = Number(key) !== current;
    for (const link of document.querySelectorAll("[data-go]")) {
      const isHere = Number(link.dataset.go) === current;
      if (isHere) link.setAttribute("aria-current", "step");
      else link.removeAttribute("aria-current");
      const strip = link.closest("ol");
      if (isHere) strip.scrollLeft = link.parentElement.offsetLeft - strip.clientWidth / 2;
    }
    draw();
  };
  // The question, with the strip above it: the head of the page takes room that a phone has not got.
  const toTop = () => {
    const strip = document.querySelector(".sitting-strip");
    const cards = document.querySelector("[data-cards]");
    const top = cards.getBoundingClientRect().top + window.scrollY - strip.offsetHeight - 16;
    if (window.innerWidth < 768) window.scrollTo(0, Math.max(0, top));
    else if (window.scrollY > top) window.scrollTo(0, 0);
  };
  const goTo = (position) => {
    if (position > questions.size) return toFinish();
    show(position);
    history.replaceState(null, "", `?q=${current}`);
    const { box } = questions.get(String(current));
    toTop();
    box.focus({ preventScroll: true });
    return undefined;
  };
  // From the last question on to what was left out, and to the end once nothing is.
  const goOn = (position) => {
    const open = [...questions.keys()].find((key) => !isAnswered(key));
    return goTo(position < questions.size || !open ? position + 1 : Number(open));
  };
  const toFinish = async () => {
    keepTouched();
    const from = current;
    await Promise.race([flush(), new Promise((resolve) => setTimeout(resolve, 4000))]);
    // Somebody who has gone on meanwhile is not fetched back.
    if (current !== from) return undefined;
    // A question may have been added by the last answer.
    if (current < questions.size && !isAnswered(String(questions.size))) return goTo(questions.size);
    const problem = [...questions].find(([, question]) => question.problem);
    if (problem) return goTo(Number(problem[0]));
    if (!isHeldUp) return location.assign(document.querySelector("[data-finish]").href);
    return window.scrollTo(0, 0);
  };
  document.addEventListener("click", (event) => {
    const link = event.target.closest("[data-go]");
    const isNext = event.target.closest("[data-next]");
    const isBack = event.target.closest("[data-back]");
    const isFinish = event.target.closest("[data-finish]");
    if (!(link || isNext || isBack || isFinish) || !questions.size) return;
    event.preventDefault();
    keepTouched();
    if (isFinish) toFinish();
    else goTo(link ? Number(link.dataset.go) : current + (isNext ? 1 : -1));
  });
  document.addEventListener("submit", async (event) => {
    if (!event.target.matches("[data-finish-form]") || !shelf.toSend().length) return;
    event.preventDefault();
    if (await flush()) event.target.requestSubmit();
    else window.scrollTo(0, 0);
  });

  // The clock: from the register's own moments, carried on by this page's stopwatch, never by the time of day.
  let left = Infinity;
  let since = 0;
  let isLastCalled = false;
  let warned = "";
  const setClock = (moment) => {
    if (!frame.dataset.endsAt) return;
    left = Date.parse(frame.dataset.endsAt) - Date.parse(moment);
    since = performance.now();
  };
  const runClock = () => {
    const shown = document.querySelector("[data-clock]");
    if (!shown || left === Infinity) return;
    const remaining = left - (performance.now() - since);
    const seconds = Math.max(0, Math.ceil(remaining / 1000));
    shown.textContent = `${Math.floor(seconds / 60)}:${String(seconds % 60).padStart(2, "0")}`;
    document.querySelector("[data-clock-line]").classList.toggle("is-short", remaining <= 300000);
    const due = remaining <= 60000 ? "One minute left." : remaining <= 300000 ? "Five minutes left." : "";
    if (due !== warned) {
      warned = due;
      document.querySelector("[data-clock-warning]").textContent = due;
    }
    if (remaining <= LAST_CALL_MS && !isLastCalled) {
      isLastCalled = true;
      keepTouched();
    }
    if (remaining > -500) return;
    say("over", true);
    // The register's own clock has the last word: its page finishes the sitting, or shows it still open.
    if (!isHeldUp) leave();
  };

  // Arriving --------------------------------------------------------------------------------------------
  const begin = async () => {
    for (const link of document.querySelectorAll("[data-sign-in]")) {
      link.href = `${frame.dataset.signInUrl}?next=${encodeURIComponent(location.pathname)}`;
    }
    // How old a kept copy is, the phone's own clock cannot be trusted to say.
    const clock = document.querySelector("[data-clock-line]");
    if (!window.keptPage.isCopy) setClock(frame.dataset.now);
    else if (clock) clock.hidden = true;
    setInterval(runClock, 1000);
    runClock();
    for (const box of document.querySelectorAll("[data-question]")) adopt(box);
    if (questions.size) {
      document.querySelector("[data-plain-moves]").hidden = true;
      document.querySelector("[data-moves]").hidden = false;
      window.keptPage.keep(frame.dataset.workerUrl);
      say("copy", window.keptPage.isCopy);
      const since = await window.keptPage.remembered(frame.dataset.pageUrl);
      if (since && window.keptPage.isCopy) takeIn(since);
      for (const [position, entry] of Object.entries(shelf.waiting())) {
        if (!questions.has(position)) continue;
        fillIn(position, entry.given);
        questions.get(position).isTouched = Boolean(entry.isBeingTyped);
      }
      const shown = [...questions].find(([, { box }]) => !box.hidden);
      show(Number(shown[0]));
      setInterval(look, LOOK_MS);
    }
    draw();
    await flush();
  };
  window.addEventListener("online", flush);
  document.addEventListener("visibilitychange", () => {
    countSeconds();
    if (document.visibilityState === "visible") flush().then(look);
    else keepTouched();
  });
  window.addEventListener("pageshow", (event) => event.persisted && flush().then(look));
  begin();
  return undefined;
})();
