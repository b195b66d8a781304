/* Plain pages: renew what is marked, say when the server is silent, tell it that somebody is here. Nothing else needs
   a script: forms are posted, links are followed. */
(function () {
  "use strict";
  /* What takes longer than a second says so: grading an hour, making a PDF. */
  const SLOW_MS = 1000;
  let slow = 0;
  function begun(event) {
    if (event.defaultPrevented || event.button > 0 || event.ctrlKey || event.metaKey || event.shiftKey) return;
    const link = event.type === "click" ? event.target.closest("a[href]") : null;
    if (event.type === "click" && (!link || link.getAttribute("href").startsWith("#"))) return;
    if (link && (link.hasAttribute("download") || /\.json$|^\/csv\/|\.csv(\?|$)/.test(link.getAttribute("href")))) return;
    window.clearTimeout(slow);
    slow = window.setTimeout(() => {
      const place = document.getElementById("stale");
      if (place) place.textContent = "Working on it: what is asked for takes some seconds.";
    }, SLOW_MS);
  }
  document.addEventListener("click", begun);
  document.addEventListener("submit", begun);
  window.addEventListener("pageshow", (event) => {
    window.clearTimeout(slow);
    const place = document.getElementById("stale");
    if (event.persisted && place) place.textContent = "";
  });

  if (!document.querySelector("[data-renew]")) return;
  const EVERY_MS = 5000;

  function cookie(name) {
    const found = document.cookie.split("; ").find((pair) => pair.startsWith(name + "="));
    return found ? found.slice(name.length + 1) : "";
  }

  function put(fresh) {
    document.querySelectorAll("[data-renew][id]").forEach((old) => {
      const now = fresh.getElementById(old.id);
      if (!now || now.innerHTML === old.innerHTML || old.contains(document.activeElement)) return;
      const open = Array.from(old.querySelectorAll("details[open][data-key]"), (fold) => fold.dataset.key);
      old.innerHTML = now.innerHTML;
      open.forEach((key) => {
        const again = old.querySelector('details[data-key="' + CSS.escape(key) + '"]');
        if (again) again.open = true;
      });
    });
  }

  function stale(words) {
    const place = document.getElementById("stale");
    if (place && place.textContent !== words) place.textContent = words;
  }

  function renew() {
    if (document.hidden) return;
    window.fetch(window.location.href, { credentials: "same-origin", redirect: "follow" }).then((answer) => {
      if (answer.redirected && new URL(answer.url).pathname === "/login") {
        window.location.assign(answer.url);
        return null;
      }
      const away = decodeURIComponent(answer.headers.get("X-Asleft-Away") || "");
      if (answer.status === 503) {
        stale(away || "The records cannot be reached. What you see may be old; it goes on by itself.");
        return null;
      }
      if (!answer.ok) throw new Error(String(answer.status));
      return answer.text().then((text) => {
        put(new DOMParser().parseFromString(text, "text/html"));
        stale(away);
      });
    }).catch(() => stale("The dashboard's server does not answer: what you see may be old. It goes on by itself."));
  }
  window.setInterval(renew, EVERY_MS);

  let told = Date.now();
  function touched() {
    if (Date.now() - told < 60000 || !cookie("_csrf_token")) return;
    told = Date.now();
    window.fetch("/here", {
      method: "POST", credentials: "same-origin", headers: { "X-CSRFToken": cookie("_csrf_token") },
    }).catch(() => {});
  }
  ["pointerdown", "pointermove", "keydown", "wheel"].forEach((kind) => {
    document.addEventListener(kind, touched, { passive: true });
  });
})();
