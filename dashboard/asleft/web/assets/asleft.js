/* What the browser does on every page: keep the plant's clock, renew what is marked, say when the server is silent or
   slow, and tell it that somebody is here. Nothing is entered by it: forms are posted, links are followed. */
(function () {
  "use strict";

  const EVERY_MS = 5000;
  /* What takes longer than a second says so: grading an hour, making a PDF. */
  const SLOW_MS = 1000;

  /* ---- what is said at the head of the page, the first of these that has words ---- */

  const notes = { slow: "", away: "", silent: "" };
  function note(kind, words) {
    notes[kind] = words;
    const place = document.getElementById("stale");
    const said = notes.away || notes.silent || notes.slow;
    if (place && place.textContent !== said) place.textContent = said;
  }

  /* ---- parts drawn by the server ---- */

  /* Replace the contents of an element, keeping open folds, sideways scrolling and the keyboard's place. */
  function put(element, text) {
    const folds = Array.from(element.querySelectorAll("details[open][data-key]"), (fold) => fold.dataset.key);
    const places = Array.from(element.querySelectorAll(".scroll"), (box) => box.scrollLeft);
    const active = element.contains(document.activeElement) ? document.activeElement : null;
    const focused = active && active.id ? "#" + CSS.escape(active.id) : null;
    const fold = active && active.tagName === "SUMMARY" ? active.parentElement.dataset.key : null;
    element.innerHTML = text;
    folds.forEach((key) => {
      const again = element.querySelector('details[data-key="' + CSS.escape(key) + '"]');
      if (again) again.open = true;
    });
    element.querySelectorAll(".scroll").forEach((box, index) => { box.scrollLeft = places[index] || 0; });
    let target = focused ? element.querySelector(focused) : null;
    if (!target && fold) target = element.querySelector('details[data-key="' + CSS.escape(fold) + '"] > summary');
    if (target) target.focus({ preventScroll: true });
  }

  /* ---- the plant's time ---- */

  const clock = document.getElementById("clock");
  let format = null;
  let ahead_ms = 0;
  function tick() {
    clock.textContent = format.format(new Date(Date.now() + ahead_ms)).replace(/,/g, "");
  }
  if (clock) {
    ahead_ms = Number(clock.dataset.nowMs) - Date.now();
    format = new Intl.DateTimeFormat("en-GB", {
      timeZone: clock.dataset.zone, weekday: "short", day: "numeric", month: "short", year: "numeric",
      hour: "2-digit", minute: "2-digit", second: "2-digit", hourCycle: "h23",
    });
    window.setInterval(tick, 1000);
  }

  /* "14:22:07" of the plant, of a moment by the browser's clock. */
  function plantTime(at_ms) {
    return new Intl.DateTimeFormat("en-GB", {
      timeZone: clock.dataset.zone, hour: "2-digit", minute: "2-digit", second: "2-digit", hourCycle: "h23",
    }).format(new Date(at_ms + ahead_ms));
  }

  /* ---- what takes long ---- */

  let slow = 0;
  function begun(event) {
    if (event.defaultPrevented || event.button > 0 || event.ctrlKey || event.metaKey || event.shiftKey) return;
    const link = event.type === "click" ? event.target.closest("a[href]") : null;
    if (event.type === "click" && (!link || link.getAttribute("href").startsWith("#"))) return;
    if (link && (link.hasAttribute("download") || /\.json$|^\/csv\/|\.csv(\?|$)/.test(link.getAttribute("href")))) return;
    window.clearTimeout(slow);
    slow = window.setTimeout(() => note("slow", "Working on it: what is asked for takes some seconds."), SLOW_MS);
  }
  /* In the bubbling phase of the window: what another script answers by itself has been prevented by then. */
  window.addEventListener("click", begun);
  window.addEventListener("submit", begun);
  window.addEventListener("pageshow", () => {
    window.clearTimeout(slow);
    note("slow", "");
  });

  /* ---- renewal of plain pages, by asking for the page again ---- */

  function renewed(fresh) {
    document.querySelectorAll("[data-renew][id]").forEach((old) => {
      const now = fresh.getElementById(old.id);
      if (!now || now.innerHTML === old.innerHTML || old.contains(document.activeElement)) return;
      put(old, now.innerHTML);
    });
  }

  function renew() {
    if (document.hidden) return;
    window.fetch(window.location.href, { credentials: "same-origin", redirect: "follow" }).then((answer) => {
      if (answer.redirected && new URL(answer.url).pathname === "/login") {
        window.location.assign(answer.url);
        return null;
      }
      const away = decodeURIComponent(answer.headers.get("X-Asleft-Away") || "");
      if (answer.status === 503 || answer.status === 429) {
        note("away", away || "The records cannot be reached. What you see may be old; it goes on by itself.");
        return null;
      }
      if (!answer.ok) throw new Error(String(answer.status));
      return answer.text().then((text) => {
        renewed(new DOMParser().parseFromString(text, "text/html"));
        note("away", away);
      });
    }).catch(() => note("away", "The dashboard's server does not answer: what you see may be old. It goes on by itself."));
  }
  const live = document.getElementById("framework") !== null;
  if (!live && document.querySelector("main [data-renew]")) window.setInterval(renew, EVERY_MS);

  /* ---- accounts ---- */

  function cookie(name) {
    const found = document.cookie.split("; ").find((pair) => pair.startsWith(name + "="));
    return found ? found.slice(name.length + 1) : "";
  }

  /* A session ends when nobody has touched the page for long; what the page fetches by itself does not count. */
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

  /* What draws plots, loaded once, by the first who asks. */
  let plotly = null;
  function plots() {
    plotly = plotly || new Promise((done, failed) => {
      const script = document.createElement("script");
      script.src = document.documentElement.dataset.plotly;
      script.onload = () => setTimeout(() => done(window.Plotly)); // in a task of its own
      script.onerror = failed;
      document.head.append(script);
    });
    return plotly;
  }

  /* ---- on paper: folds are open, and plots as wide as their place there ---- */

  /* Of the lesser width of A4 and Letter, within margins; drawn larger and shrunk by paper.css, as its words are. */
  const PAPER_PX = { whole: [900, 400], half: [440, 225] };
  let undo = [];
  window.addEventListener("beforeprint", () => {
    undo = Array.from(document.querySelectorAll("main details:not([open])")).filter((fold) => !fold.closest(".acts, .valve"));
    undo.forEach((fold) => { fold.open = true; });
    document.querySelectorAll(".plot-place .js-plotly-plot").forEach((plot) => {
      const [width, height] = PAPER_PX[plot.closest("[data-paper=half]") ? "half" : "whole"];
      window.Plotly.relayout(plot, { width: width, height: height, autosize: false });
    });
  });
  window.addEventListener("afterprint", () => {
    undo.forEach((fold) => { fold.open = false; });
    document.querySelectorAll(".plot-place .js-plotly-plot").forEach((plot) => {
      const height = parseFloat(plot.closest(".plot-place").dataset.height);
      window.Plotly.relayout(plot, { width: null, height: height, autosize: true });
    });
  });

  /* Where the navigation scrolls, the page one is on is in sight. */
  const here = document.querySelector("#nav [aria-current]");
  if (here) here.parentElement.scrollLeft = here.offsetLeft - here.parentElement.offsetLeft - 24;

  window.asleft = { note: note, put: put, plantTime: plantTime, plots: plots };
})();
