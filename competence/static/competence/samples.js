// The sheet of a sample: a press is sent at once and the page stays where it is. Without this script the form
// itself is sent, and the page comes back at the same record.
"use strict";

for (const form of document.querySelectorAll("[data-verdict]")) {
  const said = form.querySelector("[role=status]");
  const note = form.elements.note;

  const say = (sentence, isWrong) => {
    said.textContent = sentence;
    said.classList.toggle("is-wrong", isWrong);
  };

  const send = async (found) => {
    const data = new FormData(form);
    data.set("found", found);
    say("Saving …", false);
    let answer;
    try {
      answer = await fetch(form.action, { method: "POST", body: data, headers: { Accept: "application/json" } });
    } catch {
      say("Not kept: no connection. Press it again.", true);
      return;
    }
    if (!(answer.headers.get("Content-Type") || "").includes("application/json")) {
      say("Not kept: you may be signed out. Open this page again.", true);
      return;
    }
    const told = await answer.json();
    if (!answer.ok) {
      say(`Not kept. ${told.sentence}`, true);
      if (answer.status === 422) note.focus();
      return;
    }
    for (const button of form.querySelectorAll("[name=found]")) {
      button.setAttribute("aria-pressed", String(button.value === found));
    }
    say("Kept", false);
    document.querySelector("[data-answered]").textContent = told.answered;
    document.querySelector("[data-bar]").value = told.answered;
    document.querySelector("[data-so-far]").innerHTML = told.so_far;
  };

  form.addEventListener("submit", (event) => {
    event.preventDefault();
    if (event.submitter) send(event.submitter.value);
  });
  // A note that is put right later belongs to the verdict that stands.
  note.addEventListener("change", () => {
    const pressed = form.querySelector('[name=found][aria-pressed="true"]');
    if (pressed) send(pressed.value);
  });
  // Enter in the note would press the first verdict, which nobody meant.
  note.addEventListener("keydown", (event) => {
    if (event.key === "Enter") event.preventDefault();
  });
}
