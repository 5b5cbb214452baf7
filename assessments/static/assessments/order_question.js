// Steps that are put in order by tapping, by dragging (touch, pen or mouse) or by keyboard alone.
//
// window.orderQuestion(list, changed) turns the plain list of a question into one; changed() is called after a
// move. The order is that of the list's items.
window.orderQuestion = (list, changed) => {
  "use strict";

  const steps = () => [...list.children];
  const textOf = (step) => step.querySelector("[data-text]").textContent.trim();
  const said = list.parentElement.querySelector("[data-order-said]");
  const say = (words) => {
    said.textContent = words;
  };
  let picked = null;

  const number = () => {
    for (const [index, step] of steps().entries()) {
      step.querySelector(".order-place").textContent = index + 1;
      const [up, down] = step.querySelectorAll("[data-move]");
      // Not disabled: focus would be lost at the end of the list.
      up.setAttribute("aria-disabled", String(index === 0));
      down.setAttribute("aria-disabled", String(index === list.children.length - 1));
    }
  };
  const placeAt = (step, index) => {
    const others = steps().filter((one) => one !== step);
    list.insertBefore(step, others[index] || null);
    number();
  };
  const move = (step, index) => {
    const bounded = Math.max(0, Math.min(list.children.length - 1, index));
    if (bounded === steps().indexOf(step)) return;
    placeAt(step, bounded);
    say(`${textOf(step)}: now ${bounded + 1} of ${list.children.length}`);
    changed();
  };
  const pick = (step) => {
    picked = step;
    for (const one of steps()) {
      one.classList.toggle("is-picked", one === picked);
      one.querySelector("[data-pick]").setAttribute("aria-pressed", String(one === picked));
    }
    list.classList.toggle("has-picked", Boolean(picked));
  };

  const arrow = (direction, words) => {
    const button = document.createElement("button");
    Object.assign(button, { type: "button", className: "order-arrow" });
    button.dataset.move = direction;
    button.setAttribute("aria-label", words);
    button.textContent = direction < 0 ? "↑" : "↓";
    return button;
  };
  for (const step of steps()) {
    const text = step.querySelector("[data-text]");
    const button = document.createElement("button");
    Object.assign(button, { type: "button", className: "order-text", textContent: text.textContent });
    button.dataset.text = button.dataset.pick = "";
    button.setAttribute("aria-pressed", "false");
    text.replaceWith(button);
    step.querySelector(".order-pick").remove();
    step.append(arrow(-1, `Move up: ${button.textContent}`), arrow(1, `Move down: ${button.textContent}`));
  }

  list.addEventListener("click", (event) => {
    const step = event.target.closest("[data-step]");
    if (!step || wasDragged) return;
    const toMove = event.target.closest("[data-move]");
    if (toMove) {
      move(step, steps().indexOf(step) + Number(toMove.dataset.move));
      toMove.focus();
      return;
    }
    if (!event.target.closest("[data-pick], .order-place")) return;
    if (picked === null) {
      pick(step);
      say(`${textOf(step)} is picked. Choose its place.`);
    } else if (picked === step) {
      pick(null);
      say(`${textOf(step)} is set down.`);
    } else {
      const moved = picked;
      const index = steps().indexOf(step);
      pick(null);
      move(moved, index);
      moved.querySelector("[data-pick]").focus();
    }
  });
  list.addEventListener("keydown", (event) => {
    const step = event.target.closest("[data-step]");
    if (!step) return;
    if (event.key === "Escape" && picked) {
      pick(null);
      say("Set down.");
    }
    if (picked !== step || !["ArrowUp", "ArrowDown", "Home", "End"].includes(event.key)) return;
    event.preventDefault();
    const here = steps().indexOf(step);
    const last = list.children.length - 1;
    move(step, { ArrowUp: here - 1, ArrowDown: here + 1, Home: 0, End: last }[event.key]);
    step.querySelector("[data-pick]").focus();
  });

  // Dragging by the number at the left, so that the page still scrolls under a thumb anywhere else.
  let wasDragged = false;
  list.addEventListener("pointerdown", (event) => {
    const handle = event.target.closest(".order-place");
    wasDragged = false;
    if (!handle || event.button > 0) return;
    const step = handle.closest("[data-step]");
    const before = steps().indexOf(step);
    event.preventDefault();
    handle.setPointerCapture(event.pointerId);
    const drag = (at) => {
      step.classList.add("is-dragged");
      const middle = (one) => one.getBoundingClientRect().top + one.offsetHeight / 2;
      const index = steps().filter((one) => one !== step && middle(one) < at.clientY).length;
      if (index !== steps().indexOf(step)) {
        wasDragged = true;
        placeAt(step, index);
      }
    };
    const drop = () => {
      step.classList.remove("is-dragged");
      handle.removeEventListener("pointermove", drag);
      for (const end of ["pointerup", "pointercancel", "lostpointercapture"]) handle.removeEventListener(end, drop);
      const index = steps().indexOf(step);
      if (index === before) return;
      say(`${textOf(step)}: now ${index + 1} of ${list.children.length}`);
      changed();
    };
    handle.addEventListener("pointermove", drag);
    for (const end of ["pointerup", "pointercancel", "lostpointercapture"]) handle.addEventListener(end, drop);
  });

  list.closest("form").querySelector(".order-how").hidden = false;
  list.classList.add("is-movable");
  number();
  return {
    order: () => steps().map((step) => Number(step.dataset.step)),
    arrange: (order) => {
      const byStep = new Map(steps().map((step) => [Number(step.dataset.step), step]));
      for (const one of order) if (byStep.has(one)) list.append(byStep.get(one));
      pick(null);
      number();
    },
  };
};
