// Asking for a sample: only what the choice asks for is shown. Without this script all of it is, and says for
// what it is.
"use strict";

const ask = document.getElementById("ask");
const states = ask.dataset.states.split(" ");

const show = () => {
  const isState = states.includes(ask.elements.of.value);
  const isPlan = ask.elements.basis.value === "plan";
  const shown = { state: isState, time: !isState, plan: isPlan, rate: !isPlan };
  for (const part of ask.querySelectorAll("[data-for]")) part.hidden = !shown[part.dataset.for];
};

ask.elements.of.addEventListener("change", show);
ask.elements.basis.addEventListener("change", show);
show();
