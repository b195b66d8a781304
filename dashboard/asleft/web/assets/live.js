/* What the browser does on a live page: run the framework once the contents are painted, put parts that the server has
   drawn again in place, extend the live plot, follow links within the page, and ask for what is zoomed to. */
(function () {
  "use strict";

  const SILENT_MS = 9000;
  const SETTLE_MS = 200;
  const { note, put, plantTime, plots } = window.asleft;
  const state = { heard: Date.now(), asked: null, begun: false, broken: false };

  /* ---- the framework ---- */

  function run(script) {
    return new Promise((done) => {
      const copy = document.createElement("script");
      Array.from(script.attributes, (one) => copy.setAttribute(one.name, one.value));
      copy.textContent = script.textContent;
      if (!copy.src) {
        document.body.append(copy);
        done();
        return;
      }
      copy.async = false;
      copy.onload = () => setTimeout(done); // each in a task of its own
      copy.onerror = () => { state.broken = true; setTimeout(done); };
      document.body.append(copy);
    });
  }

  const parts = JSON.parse(document.getElementById("hidden-parts").textContent);

  async function start() {
    const given = Array.from(document.getElementById("framework").content.children);
    given.filter((one) => one.src).forEach((one) => {
      const early = document.createElement("link");
      Object.assign(early, { rel: "preload", as: "script", href: one.src });
      document.head.append(early);
    });
    if (parts.plots) plots();
    for (const one of given) {
      if (one.tagName === "SCRIPT" && (one.src || !one.type || one.type.includes("javascript"))) await run(one);
      else document.body.append(one);
    }
  }

  /* The page's own components, once what draws its plots is there. */
  function hidden() {
    return parts.plots ? plots().then(() => parts.parts) : parts.parts;
  }

  /* A component: its children in the element with the id `place`, wherever in the page that is. Each comes in a task
     of its own, so that no task is as long as all plots together. */
  window.asleft_web = {
    Elsewhere: function (props) {
      const [there, setThere] = window.React.useState(false);
      window.React.useEffect(() => {
        const soon = setTimeout(() => setThere(true));
        return () => clearTimeout(soon);
      }, []);
      const place = document.getElementById(props.place);
      return place && there ? window.ReactDOM.createPortal(props.children, place) : null;
    },
  };

  /* After two frames the contents have been painted. */
  requestAnimationFrame(() => requestAnimationFrame(() => setTimeout(start)));

  /* ---- parts and plots ---- */

  function paint(fresh) {
    state.heard = Date.now();
    Object.entries(fresh || {}).forEach(([id, text]) => {
      const element = document.getElementById(id);
      if (element) put(element, text);
    });
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
    const axis = plot.layout.xaxis;
    const [shown, fresh] = [axis.range.map(place), batch.range.map(place)];
    const width = fresh[1] - fresh[0];
    if (Math.abs(shown[1] - shown[0] - width) < 0.1 * width) axis.range = batch.range; // drawn with the points, at once
    window.Plotly.extendTraces(plot, batch.points, batch.traces, batch.keep);
  }

  /* ---- zooming and moving in the plot over time: what is then in sight is asked for, as fine as it can be seen ---- */

  /* Where on the time axis, in ms of the plant's wall clock, of a number or of a date in words. */
  function place(end) {
    return typeof end === "number" ? end : Date.parse(String(end).replace(" ", "T") + "Z");
  }

  /* How far the plant's wall clock is ahead of UTC at a place, in ms. `known`: since which place, how far. */
  function ahead(at, known) {
    const pair = known.filter((one) => one[0] <= at).pop() || known[0];
    return pair ? pair[1] : 0;
  }

  /* What is in sight at once, out of what is there; the page draws it finer when the answer comes. */
  function show(ends) {
    const plot = document.querySelector("#window-graph .js-plotly-plot");
    const meta = plot && plot.layout && plot.layout.meta;
    if (!meta || !meta.ahead || !window.Plotly) return;
    const places = ends.map((at) => at + ahead(at, meta.ahead));
    state.asked = places;
    window.Plotly.relayout(plot, { "xaxis.range": places.map((at) => new Date(at).toISOString().slice(0, -1)) });
  }

  /* Whether finer is on its way: of the plot over time. */
  function busy(yes) {
    const here = document.getElementById("window-graph-place");
    if (here) here.setAttribute("aria-busy", String(yes));
  }

  function follow(path) {
    busy(true);
    window.history.pushState({}, "", path);
    window.dispatchEvent(new PopStateEvent("popstate"));
  }

  function whenThere(id, action, tries) {
    const element = document.getElementById(id);
    if (element) action(element);
    else if (tries > 0) requestAnimationFrame(() => whenThere(id, action, tries - 1));
  }

  let settling = null;
  function zoomed(id) {
    busy(false);
    whenThere(id, (holder) => {
      const plot = holder.querySelector(".js-plotly-plot");
      if (!plot || !plot.on || plot.asleftBound) return;
      plot.asleftBound = true;
      plot.on("plotly_relayout", (change) => {
        if (!Object.keys(change).some((key) => key.startsWith("xaxis"))) return; // a double click, another width
        clearTimeout(settling);
        settling = setTimeout(() => settled(plot), SETTLE_MS);
      });
      plot.on("plotly_doubleclick", () => {
        clearTimeout(settling);
        const wider = document.getElementById("span-wider");
        if (wider) wider.click();
      });
      if (closer(plot)) settled(plot); // somebody was quicker than this
    }, 120);
  }

  /* Whether a plot shows another width of time than it was drawn for. */
  function closer(plot) {
    const meta = plot.layout && plot.layout.meta;
    if (!meta || !meta.ends) return false;
    const [shown, drawn] = [plot.layout.xaxis.range.map(place), meta.ends].map((ends) => ends[1] - ends[0]);
    return Math.abs(shown - drawn) > drawn / 50;
  }

  /* The address says what is in sight, and the page draws what the address says. */
  function settled(plot) {
    const meta = plot.layout && plot.layout.meta;
    if (!meta || !meta.ends || !document.body.contains(plot)) return;
    const shown = plot.layout.xaxis.range.map(place);
    if (state.asked && shown.every((at, k) => Math.abs(at - state.asked[k]) < 2)) return; // by a link, which is followed
    let ends = shown.map((at) => at - ahead(at, meta.ahead));
    const width = ends[1] - ends[0];
    const was = meta.ends[1] - meta.ends[0];
    if (Math.abs(ends[0] - meta.ends[0]) < was / 500 && Math.abs(ends[1] - meta.ends[1]) < was / 500) return;
    if (!(width > 0)) return;
    if (width < 1000) ends = [(ends[0] + ends[1]) / 2 - 500, (ends[0] + ends[1]) / 2 + 500];
    const [from, to] = ends.map((at) => new Date(Math.round(at)).toISOString());
    follow(window.location.pathname + "?from=" + from + "&to=" + to);
  }

  /* A page whose framework could not be loaded whole, because server or network went just then, asks for nothing any
     more. It is loaded anew once there is an answer. */
  let asking = false;
  function beginAgain() {
    if (state.begun || !state.broken || asking) return;
    asking = true;
    plainFetch(window.location.href, { method: "HEAD", cache: "no-store" })
      .then((answer) => { if (answer.ok) window.location.reload(); })
      .catch(() => {})
      .finally(() => { asking = false; });
  }

  window.setInterval(() => {
    const silent = Date.now() - state.heard > SILENT_MS && document.visibilityState === "visible";
    note("silent", silent
      ? "No answer from the dashboard's server since " + plantTime(state.heard) +
        ". What you see is that old; it goes on by itself."
      : "");
    if (silent) beginAgain();
  }, 1000);

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
    state.begun = true;
    const away = decodeURIComponent(answer.headers.get("X-Asleft-Away") || "");
    if (answer.status !== 503) {
      note("away", away);
    } else {
      state.heard = Date.now();
      note("away", away || "The records cannot be reached. What you see may be old; it goes on by itself.");
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
  }, (error) => {
    state.broken = state.broken || !state.begun;
    throw error;
  });

  document.addEventListener("submit", (event) => {
    if (event.target.matches("form.account")) going.out = true;
  });

  /* ---- links and forms within the page change the address, and leave the rest to the page ---- */

  document.addEventListener("click", (event) => {
    if (event.defaultPrevented || event.button !== 0) return;
    if (event.metaKey || event.ctrlKey || event.shiftKey || event.altKey) return;
    const link = event.target.closest ? event.target.closest("main a[href]") : null;
    if (!link || link.target || link.hasAttribute("download") || link.origin !== window.location.origin) return;
    if (link.pathname !== window.location.pathname || link.hash) return;
    event.preventDefault();
    if (link.dataset.ends) show(link.dataset.ends.split(" ").map(Number));
    follow(link.pathname + link.search);
  });

  /* Without what was left empty. */
  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (event.defaultPrevented || !form.dataset || !("address" in form.dataset)) return;
    event.preventDefault();
    const query = new URLSearchParams();
    new FormData(form).forEach((value, key) => { if (String(value).trim()) query.append(key, String(value).trim()); });
    const given = query.toString();
    follow(form.getAttribute("action") + (given ? "?" + given : ""));
  });

  /* The framework calls a function for its result; ours have none, so they report the time. */
  function noted(action) {
    return (...given) => { action(...given); return Date.now(); };
  }

  window.dash_clientside = Object.assign({}, window.dash_clientside, {
    asleft: { hidden: hidden, paint: noted(paint), extend: noted(extend), zoomed: noted(zoomed) },
  });
})();
