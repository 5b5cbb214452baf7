/* Checks a ticket card on the reader's phone: the signature of the statement after the # (compact JWS, RFC 7515; EdDSA,
   RFC 8037) by WebCrypto with the register's key, its days by this phone's clock on the home site's calendar, and,
   with a network, the register's status lists (Bitstring Status List 1.0). What its members are called is written down
   in competence/rules/cards.py. Whatever goes wrong on the way, the answer is no. */
"use strict";

(() => {
  const root = document.querySelector("[data-card-check]");
  const part = (name) => root.querySelector(`[data-${name}]`);
  const keys = JSON.parse(root.dataset.keys).keys;
  const words = JSON.parse(root.dataset.words);
  const LEVELS = { f: "Full", t: "Trainee: only with a supervising operator" };
  const PURPOSES = ["revocation", "suspension", "refresh"];
  // A weak signal may take a question and never answer it.
  const PATIENCE_MS = 8000;
  // Clocks of phones and registers are not one.
  const CLOCK_LEEWAY_S = 300;
  const ASK = "Ask the register at the machine, or the site office.";

  const SAY = {
    empty: ["No card", "Point this phone's camera at the code on a card.", "This page was opened without one."],
    unreadable: ["No", "This is not a ticket card, or its code was read only in part.", `Read it again, flat and close. If it still says no: nobody starts a machine on it. ${ASK}`],
    unknownKey: ["No", "This card was signed with a key that this page does not know.", `Open this page once with a signal and read the card again. If it still says no, it is not this register's card: nobody starts a machine on it. ${ASK}`],
    forged: ["No", "The signature is bad: this register did not say what this card says.", `Nobody starts a machine on it. Keep the card if you can, and tell the site office.`],
    cannotCheck: ["No", "This browser cannot check the signature.", `Use another phone, or a newer browser. Until then: ${ASK}`],
    clock: ["No", "By this phone's clock the card is not issued yet.", "Put the phone's date and time right and read the card again."],
    ended: ["No", "Nothing on this card counts any more: its time is past.", `Nobody starts a machine on it. ${ASK} After a renewal there is a new card.`],
    stopped: ["No", "A ticket on this card was stopped after the card was issued.", `Do not rely on anything that it says. ${ASK} What still holds stands on a new card.`],
    cardStopped: ["No", "This card was stopped; ask for a new one.", "It may be lost or stolen, and in another's hands: compare the face, and tell the site office where it is. Its holder's tickets may count: the register at the machine knows."],
    changed: ["Changed", "Genuine and in date, but the register has a newer one.", "Ask to see the newer card. What stands below is what this one said."],
    unasked: ["In date", "Genuine, and in date by what it says. Whether it was stopped since was not asked.", ""],
    good: ["In date", "Genuine: signed by the register, and in date today.", ""],
  };
  const TONES = { good: "good", changed: "changed", unasked: "changed", waiting: "waiting", empty: "waiting" };

  class No extends Error {}
  const no = (why) => { throw new No(why); };

  const octets = (text) => {
    if (!/^[A-Za-z0-9_-]*$/.test(text)) no("unreadable");
    const whole = atob(text.replaceAll("-", "+").replaceAll("_", "/"));
    return Uint8Array.from(whole, (letter) => letter.charCodeAt(0));
  };
  const json = (text) => JSON.parse(new TextDecoder("utf-8", { fatal: true }).decode(octets(text)));

  // The claims of a token signed by one of the register's keys, and meant as what its type says. Throws otherwise.
  const opened = async (token, type) => {
    let header, claims, signature, signed;
    try {
      const parts = token.split(".");
      if (parts.length !== 3) no("unreadable");
      [header, claims, signature] = [json(parts[0]), json(parts[1]), octets(parts[2])];
      signed = new TextEncoder().encode(`${parts[0]}.${parts[1]}`);
    } catch { no("unreadable"); }
    if (header?.alg !== "EdDSA" || header.typ !== type || "crit" in header || typeof header.kid !== "string") no("unreadable");
    const jwk = keys.find((key) => key.kid === header.kid.split("#").at(-1));
    if (!jwk) no("unknownKey");
    let isSigned;
    try {
      const { kty, crv, x } = jwk;
      const key = await crypto.subtle.importKey("jwk", { kty, crv, x }, { name: "Ed25519" }, false, ["verify"]);
      isSigned = await crypto.subtle.verify({ name: "Ed25519" }, key, signature, signed);
    } catch { no("cannotCheck"); }
    if (!isSigned) no("forged");
    return claims;
  };

  const isText = (value) => typeof value === "string" && value !== "";
  const isTicket = (one) =>
    isText(one?.c) && one.l in LEVELS && /^\d{8}$/.test(one.d) && /^\d+\.\d+$/.test(one.s) &&
    (!("w" in one) || Array.isArray(one.w)) && (!("a" in one) || Array.isArray(one.a)) && (!("m" in one) || one.m > 0);
  const isWhole = (card) =>
    [card.jti, card.n, card.o, card.e, card.z].every(isText) && Number.isInteger(card.iat) && Number.isInteger(card.exp) &&
    Array.isArray(card.t) && card.t.length > 0 && card.t.every(isTicket);

  const longDate = (options) => new Intl.DateTimeFormat("en-GB", { day: "numeric", month: "long", year: "numeric", ...options });
  const dayWords = (digits) =>
    longDate({ timeZone: "UTC" }).format(Date.UTC(digits.slice(0, 4), digits.slice(4, 6) - 1, digits.slice(6, 8)));
  const today = (zone) =>
    new Intl.DateTimeFormat("en-CA", { timeZone: zone, year: "numeric", month: "2-digit", day: "2-digit" })
      .format(new Date()).replaceAll("-", "");

  const conditionWords = (ticket) => {
    const named = (code) => words.attachments[code] || code;
    const said = [];
    if (ticket.l === "t") said.push(`${LEVELS.t}.`);
    if ("w" in ticket) said.push(`Only at ${ticket.w.join(", ") || "no site at all"}.`);
    if ("m" in ticket) said.push(`Operating mass up to ${ticket.m.toLocaleString("en-GB")} kg.`);
    if ("a" in ticket) said.push(ticket.a.length ? `With these attachments only: ${ticket.a.map(named).join(", ")}.` : "Without any attachment.");
    if ("y" in ticket) said.push("In daylight only.");
    return said.join(" ");
  };

  const showVerdict = (what, stoppedOn) => {
    const [word, plain, todo] = SAY[what];
    const sentence = what === "cardStopped" ? `This card was stopped on ${stoppedOn}; ask for a new one.` : plain;
    const box = part("verdict");
    box.dataset.verdict = TONES[what] || "no";
    part("word").textContent = word;
    part("sentence").textContent = sentence;
    part("do").textContent = todo;
    part("do").hidden = !todo;
  };
  const showTicket = (line, word, tone) => {
    const state = line.querySelector("[data-state]");
    state.className = `state state-${tone}`;
    line.querySelector("[data-state-word]").textContent = word;
  };
  const showCard = (card) => {
    part("name").textContent = card.n;
    part("number").textContent = card.o;
    part("employer").textContent = card.e;
    part("card-number").textContent = card.jti;
    part("issued").textContent = longDate({ timeZone: card.z }).format(card.iat * 1000);
    const now = today(card.z);
    const lines = card.t.map((ticket) => {
      const line = document.querySelector("template[data-ticket]").content.firstElementChild.cloneNode(true);
      line.querySelector("[data-category]").textContent = words.categories[ticket.c] || ticket.c;
      const isEnded = ticket.d < now;
      line.querySelector("[data-ends]").textContent = `${isEnded ? "on" : "to"} ${dayWords(ticket.d)}`;
      line.querySelector("[data-said]").textContent = conditionWords(ticket);
      showTicket(line, isEnded ? "Ended" : "In date", isEnded ? "stop" : "good");
      return line;
    });
    part("tickets").replaceChildren(...lines);
    part("card").hidden = false;
    return lines;
  };

  // The bits of one list, from the register; throws where it does not answer, or not with a list of its own.
  const bitsOf = async (number, purpose) => {
    const address = `${root.dataset.lists}${number}/${purpose}/`;
    const signal = AbortSignal.timeout(PATIENCE_MS);
    const response = await fetch(address, { signal, cache: "no-cache", credentials: "omit" });
    if (!response.ok) throw new Error(`status ${response.status}`);
    const list = await opened((await response.text()).trim(), "JWT");
    const now = Date.now() / 1000;
    const subject = list.credentialSubject;
    if (new URL(list.id).pathname !== address || subject.statusPurpose !== purpose) throw new Error("another list");
    if (!(list.exp > now) || !(list.nbf <= now + CLOCK_LEEWAY_S)) throw new Error("an old list");
    if (!subject.encodedList.startsWith("u")) throw new Error("not a list");
    const unpacked = new Blob([octets(subject.encodedList.slice(1))]).stream().pipeThrough(new DecompressionStream("gzip"));
    return new Uint8Array(await new Response(unpacked).arrayBuffer());
  };
  const isSet = (bits, place) => {
    if (place >= bits.length * 8) throw new Error("beyond the list");
    return (bits[place >> 3] & (0x80 >> (place & 7))) !== 0;
  };
  // For each ticket the purposes whose bit is set.
  const askedOf = async (tickets) => {
    const places = tickets.map((ticket) => ticket.s.split(".").map(Number));
    const numbers = [...new Set(places.map(([number]) => number))];
    const lists = new Map();
    await Promise.all(numbers.flatMap((number) => PURPOSES.map(async (purpose) => {
      lists.set(`${number} ${purpose}`, await bitsOf(number, purpose));
    })));
    return places.map(([number, place]) => new Set(PURPOSES.filter((purpose) => isSet(lists.get(`${number} ${purpose}`), place))));
  };

  // The day on which the card itself was stopped; nothing where it was not, or where the register does not say.
  const stopOf = async (card) => {
    try {
      const signal = AbortSignal.timeout(PATIENCE_MS);
      const response = await fetch(root.dataset.stopped, { signal, cache: "no-cache", credentials: "omit" });
      const list = await opened((await response.text()).trim(), "stopped-cards+jwt");
      const on = card.t.map((ticket) => list.stopped[ticket.s]).find(Boolean);
      return list.exp > Date.now() / 1000 && on ? dayWords(on) : "";
    } catch { return ""; }
  };

  const askRegister = async (card, lines) => {
    const issued = part("issued").textContent;
    let marks;
    try {
      if (!navigator.onLine) throw new TypeError("no network");
      marks = await askedOf(card.t);
    } catch (problem) {
      const why = problem instanceof No || !(problem instanceof TypeError || problem?.name === "TimeoutError")
        ? "Not asked: the register's answer could not be used." : "Not asked: no network.";
      part("asked").textContent = `${why} The card says only what was true on ${issued}.`;
      return "unasked";
    }
    let verdict = "good";
    marks.forEach((set, number) => {
      if (set.has("suspension")) showTicket(lines[number], "Suspended", "stop");
      if (set.has("revocation")) showTicket(lines[number], "Withdrawn or changed", "stop");
      if (set.has("suspension") || set.has("revocation")) verdict = "stopped";
      else if (set.has("refresh") && verdict === "good") verdict = "changed";
    });
    if (marks.some((set) => set.has("revocation"))) card.stoppedOn = await stopOf(card);
    if (card.stoppedOn) {
      lines.forEach((line) => showTicket(line, "On a stopped card", "stop"));
      verdict = "cardStopped";
    }
    const at = new Intl.DateTimeFormat("en-GB", { hour: "2-digit", minute: "2-digit" }).format(new Date());
    const found = {
      good: `nothing on this card was stopped or changed since ${issued}.`,
      changed: `nothing on this card was stopped since ${issued}, but there is a newer card or a ticket was renewed.`,
      cardStopped: `this card was stopped on ${card.stoppedOn}. That says nothing about the tickets themselves.`,
      stopped: `something on this card was stopped since ${issued}; it is marked below.`,
    };
    part("asked").textContent = `Asked at ${at}: ${found[verdict]}`;
    return verdict;
  };

  // A code that is read while another is being checked must not be answered with the other's answer.
  let turn = 0;
  const check = async () => {
    const mine = (turn += 1);
    const token = location.hash.slice(1);
    part("card").hidden = true;
    part("do").hidden = true;
    part("asked").textContent = "Asking the register.";
    part("verdict").dataset.verdict = "waiting";
    part("word").textContent = "Wait";
    part("sentence").textContent = "Checking the card.";
    let verdict = "unreadable", stoppedOn;
    try {
      if (!token) no("empty");
      if (!window.crypto?.subtle) no("cannotCheck");
      const card = await opened(token, "card+jwt");
      if (mine !== turn) return;
      if (!isWhole(card)) no("unreadable");
      const now = Date.now() / 1000;
      if (card.iat > now + CLOCK_LEEWAY_S) no("clock");
      const lines = showCard(card);
      const isInDate = card.exp > now && card.t.some((ticket) => ticket.d >= today(card.z));
      verdict = await askRegister(card, lines);
      stoppedOn = card.stoppedOn;
      if (!isInDate) verdict = "ended";
    } catch (problem) {
      verdict = problem instanceof No ? problem.message : "unreadable";
      part("card").hidden = true;
    }
    if (mine === turn) showVerdict(verdict, stoppedOn);
  };

  window.addEventListener("hashchange", check);
  check();
  navigator.serviceWorker?.register(root.dataset.worker, { scope: root.dataset.scope }).catch(() => undefined);
})();
