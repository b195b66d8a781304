/* What the browser does by itself: put server-drawn parts in place, extend the live plot, keep the clock,
   follow links without loading the page anew, and say when the server no longer answers. */
(function () {
  "use strict";

  const SILENT_MS = 9000;
  const state = { heard: Date.now(), offset: 0, zone: "UTC", format: null, moved: false, away: "", own: null };

  function openFolds(element) {
    return Array.from(element.querySelectorAll("details[open][data-key]"), (fold) => fold.dataset.key);
  }

  function scrolls(element) {
    return Array.from(element.querySelectorAll(".scroll"), (box) => box.scrollLeft);
  }

  /* Replace the contents of an element, keeping open folds, sideways scrolling and the keyboard's place. */
  function put(element, text) {
    const folds = openFolds(element);
    const places = scrolls(element);
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

  function whenThere(id, action, tries) {
    const element = document.getElementById(id);
    if (element) action(element);
    else if (tries > 0) requestAnimationFrame(() => whenThere(id, action, tries - 1));
  }

  function paint(parts) {
    state.heard = Date.now();
    Object.entries(parts || {}).forEach(([id, text]) => whenThere(id, (element) => put(element, text), 60));
  }

  /* New points at the right, the window moved on, unless the reader has zoomed in. */
  function extend(batch) {
    state.heard = Date.now();
    if (!batch || !window.Plotly) return;
    const holder = document.getElementById(batch.graph);
    const plot = holder && holder.querySelector(".js-plotly-plot");
    if (!plot || !plot.layout || !plot.layout.meta) return;
    if (!plot.layout.meta.live || plot.layout.meta.span !== batch.span) return;
    if (plot.data.length !== batch.traces.length) return;
    window.Plotly.extendTraces(plot, batch.points, batch.traces, batch.keep);
    const shown = plot.layout.xaxis.range.map(place);
    const width = batch.range[1] - batch.range[0];
    if (Math.abs(shown[1] - shown[0] - width) < 0.1 * width) {
      state.own = batch.range;
      window.Plotly.relayout(plot, { "xaxis.range": batch.range });
    }
  }

  /* ---- zooming and moving in the plot over time: what is then in sight is asked for, as fine as it can be seen ---- */

  /* Where on the time axis, in ms of the plant's wall clock, of a number or of a date in words. */
  function place(end) {
    return typeof end === "number" ? end : Date.parse(String(end).replace(" ", "T") + "Z");
  }

  function moment(at, ahead) {
    const pair = ahead.filter((one) => one[0] <= at).pop() || ahead[0];
    return at - (pair ? pair[1] : 0);
  }

  function follow(path) {
    window.history.pushState({}, "", path);
    window.dispatchEvent(new PopStateEvent("popstate"));
  }

  let settling = null;
  function zoomed(id) {
    whenThere(id, (holder) => {
      const plot = holder.querySelector(".js-plotly-plot");
      if (!plot || !plot.on || plot.asleftBound) return;
      plot.asleftBound = true;
      plot.on("plotly_relayout", (change) => {
        if (!Object.keys(change).some((key) => key.startsWith("xaxis"))) return; // a double click, another width
        clearTimeout(settling);
        settling = setTimeout(() => settled(plot), 350);
      });
      plot.on("plotly_doubleclick", () => {
        clearTimeout(settling);
        const wider = document.getElementById("span-wider");
        if (wider) wider.click();
      });
    }, 120);
  }

  /* The address says what is in sight, and the page draws what the address says. */
  function settled(plot) {
    const meta = plot.layout && plot.layout.meta;
    if (!meta || !meta.ends || !document.body.contains(plot)) return;
    const shown = plot.layout.xaxis.range.map(place);
    if (meta.live && state.own && Math.abs(shown[0] - state.own[0]) < 2 && Math.abs(shown[1] - state.own[1]) < 2) return;
    let ends = shown.map((at) => moment(at, meta.ahead));
    const width = ends[1] - ends[0];
    const was = meta.ends[1] - meta.ends[0];
    if (Math.abs(ends[0] - meta.ends[0]) < was / 500 && Math.abs(ends[1] - meta.ends[1]) < was / 500) return;
    if (!(width > 0)) return;
    if (width < 1000) ends = [(ends[0] + ends[1]) / 2 - 500, (ends[0] + ends[1]) / 2 + 500];
    const [from, to] = ends.map((at) => new Date(Math.round(at)).toISOString());
    follow(window.location.pathname + "?from=" + from + "&to=" + to);
  }

  function tick(data) {
    if (data && data.zone !== state.zone) {
      state.offset = data.now_ms - Date.now();
      state.zone = data.zone;
      state.format = new Intl.DateTimeFormat("en-GB", {
        timeZone: data.zone, weekday: "short", day: "numeric", month: "short", year: "numeric",
        hour: "2-digit", minute: "2-digit", second: "2-digit", hourCycle: "h23",
      });
    }
    const clock = document.getElementById("clock");
    if (clock && state.format) {
      clock.textContent = state.format.format(new Date(Date.now() + state.offset)).replace(/,/g, "");
    }
    const note = document.getElementById("stale");
    if (!note || !state.format) return;
    const silent = Date.now() - state.heard > SILENT_MS && document.visibilityState === "visible";
    const words = state.away || silent
      ? state.away || "No answer from the dashboard's server since " +
        new Intl.DateTimeFormat("en-GB", { timeZone: state.zone, hour: "2-digit", minute: "2-digit",
          second: "2-digit", hourCycle: "h23" }).format(new Date(state.heard + state.offset)) +
        ". What you see is that old; it goes on by itself."
      : "";
    if (note.textContent !== words) note.textContent = words;
  }

  function title(text) {
    state.heard = Date.now();
    if (text) document.title = text;
    if (state.moved) {
      state.moved = false;
      const main = document.getElementById("main");
      if (main) main.focus({ preventScroll: true });
    }
  }

  /* ---- accounts ---- */

  function cookie(name) {
    const found = document.cookie.split("; ").find((pair) => pair.startsWith(name + "="));
    return found ? found.slice(name.length + 1) : "";
  }

  function tell(path) {
    return window.fetch(path, {
      method: "POST", credentials: "same-origin", headers: { "X-CSRFToken": cookie("_csrf_token") },
    });
  }

  /* To the door, once: several of the page's questions are refused at a time. Whoever signs out is not led back. */
  const going = { out: false, gone: false };
  function toSignIn() {
    if (going.gone) return;
    going.gone = true;
    const here = window.location.pathname + window.location.search;
    window.location.assign("/login" + (going.out || here === "/" ? "" : "?next=" + encodeURIComponent(here)));
  }

  /* Whether a question to the server was set off by one of the page's clocks alone, which will ask it again. */
  function askedByClock(question) {
    const changed = JSON.parse(question.body).changedPropIds || [];
    return changed.length > 0 && changed.every((id) => id.endsWith(".n_intervals"));
  }

  /* A store that cannot be reached: the server says which with every answer. A page that missed an answer which no
     clock asks for again is loaded anew when the store is back, by the script for such pages; others keep what people
     have typed into them. */
  function heed(answer, question) {
    if (!answer.url.includes("/_dash-update-component")) return;
    state.away = decodeURIComponent(answer.headers.get("X-Asleft-Away") || "");
    if (answer.status === 503) {
      state.heard = Date.now();
      state.away = state.away || "The records cannot be reached. What you see may be old; it goes on by itself.";
      if (!askedByClock(question)) document.documentElement.dataset.away = "";
    }
  }

  /* When the session has ended the pages must not stand there as if they were live. Whoever asked gets no answer any
     more: the page is being left. */
  const plainFetch = window.fetch;
  window.fetch = (...given) => plainFetch(...given).then((answer) => {
    heed(answer, given[1]);
    if (answer.status !== 401) return answer;
    toSignIn();
    return new Promise(() => {});
  });

  /* A session ends when nobody has touched the page for long; what the page fetches by itself does not count. */
  let told = Date.now();
  function touched() {
    if (Date.now() - told < 60000 || !cookie("_csrf_token")) return;
    told = Date.now();
    tell("/here").catch(() => {});
  }
  ["pointerdown", "pointermove", "keydown", "wheel"].forEach((kind) => {
    document.addEventListener(kind, touched, { passive: true });
  });

  document.addEventListener("click", (event) => {
    if (!event.target.closest || !event.target.closest("#sign-out")) return;
    going.out = true;
    tell("/logout").then(toSignIn, () => { going.out = false; });
  });

  /* Links within these pages change the address and leave the rest to the pages. */
  document.addEventListener("click", (event) => {
    if (event.defaultPrevented || event.button !== 0) return;
    if (event.metaKey || event.ctrlKey || event.shiftKey || event.altKey) return;
    const link = event.target.closest ? event.target.closest("a[href]") : null;
    if (!link || link.target || link.origin !== window.location.origin) return;
    if ("load" in link.dataset) return;
    const to = new URL(link.href);
    const here = window.location;
    if (to.pathname === here.pathname && to.search === here.search && to.hash) return;
    event.preventDefault();
    const elsewhere = to.pathname !== here.pathname;
    follow(to.pathname + to.search + to.hash);
    if (elsewhere) {
      state.moved = true;
      window.scrollTo(0, 0);
    }
  });

  /* A form whose answer is an address of these pages changes the address, without what was left empty. */
  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (event.defaultPrevented || !form.dataset || !("address" in form.dataset)) return;
    event.preventDefault();
    const query = new URLSearchParams();
    new FormData(form).forEach((value, key) => { if (String(value).trim()) query.append(key, String(value).trim()); });
    const given = query.toString();
    window.history.pushState({}, "", form.getAttribute("action") + (given ? "?" + given : ""));
    window.dispatchEvent(new PopStateEvent("popstate"));
  });

  /* The framework calls a function for its result; ours have none, so they report the time. */
  function noted(action) {
    return (...given) => { action(...given); return Date.now(); };
  }

  window.dash_clientside = Object.assign({}, window.dash_clientside, {
    asleft: { paint: noted(paint), extend: noted(extend), zoomed: noted(zoomed), tick: noted(tick), title: noted(title) },
  });
})();
