// Changes the theme without leaving a half-filled page. Without this script the form posts and the page reloads.
(() => {
  const form = document.querySelector("[data-theme-choice]");
  if (!form) return;
  form.addEventListener("submit", (event) => {
    const chosen = event.submitter;
    if (!chosen) return;
    event.preventDefault();
    const body = new FormData(form);
    body.set("theme", chosen.value);
    fetch(form.action, { method: "POST", body, credentials: "same-origin", redirect: "manual" })
      .then((response) => {
        if (!response.ok && response.type !== "opaqueredirect") throw new Error("theme not kept");
        document.documentElement.dataset.bsTheme = chosen.value;
        for (const button of form.querySelectorAll("button")) {
          button.setAttribute("aria-pressed", String(button === chosen));
        }
      })
      .catch(() => {
        // Off the air, or the session has ended: nothing changes, so that the screen never claims a choice that was not kept.
      });
  });
})();
