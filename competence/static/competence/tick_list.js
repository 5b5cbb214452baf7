/* A long list of people to tick: search it, tick all that are shown, see how many are ticked.
   Without this script it is a list to scroll through, and works. */
"use strict";

for (const list of document.querySelectorAll("[data-tick-list]")) {
  const rows = [...list.querySelectorAll("[data-tick-row]")];
  const boxes = rows.map((row) => row.querySelector("input"));
  const tools = list.querySelector("[data-tick-tools]");
  const search = list.querySelector("[data-tick-search]");
  const count = list.querySelector("[data-tick-count]");

  const tell = () => {
    const ticked = boxes.filter((box) => box.checked).length;
    const hidden = rows.filter((row, place) => row.hidden && boxes[place].checked).length;
    count.textContent = `${ticked} ticked` + (hidden ? `, ${hidden} of them not shown` : "");
  };
  const narrow = () => {
    const words = search.value.toLowerCase().split(/\s+/).filter(Boolean);
    for (const row of rows) {
      const text = row.textContent.toLowerCase();
      row.hidden = !words.every((word) => text.includes(word));
    }
    tell();
  };
  const setShown = (isTicked) => {
    rows.forEach((row, place) => {
      if (!row.hidden) boxes[place].checked = isTicked;
    });
    tell();
  };

  tools.hidden = false;
  search.addEventListener("input", narrow);
  // Enter in the search is no wish to send the form.
  search.addEventListener("keydown", (event) => {
    if (event.key === "Enter") event.preventDefault();
  });
  list.querySelector("[data-tick-all]").addEventListener("click", () => setShown(true));
  list.querySelector("[data-tick-none]").addEventListener("click", () => setShown(false));
  list.addEventListener("change", tell);
  tell();
}
