/* A page that stands in for one whose store cannot be reached: asks for the real one until it is there, then loads it. */
(function () {
  "use strict";
  const EVERY_MS = 4000;

  function ask() {
    if (document.hidden || !document.querySelector("[data-away]")) return;
    window.fetch(window.location.href, { credentials: "same-origin", redirect: "manual", cache: "no-store" })
      .then((answer) => {
        if (answer.status !== 503 && !answer.headers.get("X-Asleft-Away")) window.location.reload();
      })
      .catch(() => {});
  }
  window.setInterval(ask, EVERY_MS);
})();
