// While work goes on in another process its page asks every few seconds how far it is, and shows that in place; once
// there is a result, the page is loaded anew.
(() => {
  "use strict";

  const AGAIN_MS = 3000;
  const look = async () => {
    try {
      const response = await fetch(location.href, { credentials: "same-origin" });
      if (response.ok) {
        const page = new DOMParser().parseFromString(await response.text(), "text/html");
        const fresh = page.querySelector("[data-look-again]");
        if (!fresh) return location.reload();
        const said = document.querySelector("[data-look-again] p");
        if (said.textContent !== fresh.querySelector("p").textContent) said.replaceWith(fresh.querySelector("p"));
      }
    } catch {
      // No signal: it is asked again.
    }
    return setTimeout(look, AGAIN_MS);
  };
  setTimeout(look, AGAIN_MS);
})();
