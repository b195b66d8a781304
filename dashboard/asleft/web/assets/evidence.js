/* Puts a plot that answers the mouse in the place of each picture drawn by the server. Without it the drawing stays. */
(function () {
  "use strict";
  const CONFIG = { displayModeBar: false, displaylogo: false, responsive: true, scrollZoom: false, doubleClick: false };
  const NARROW_PX = 430;
  function narrowed(layout) {
    layout.margin.r = 108;
    layout.margin.l = 44;
    layout.margin.b += 14;
    layout.xaxis.title.text = layout.xaxis.title.text.replace(", ", ",<br>"); // on two lines: one would be cut at both ends
    layout.xaxis.title.font.size = 10.5;
    layout.annotations.forEach((one) => { one.font.size = 10.5; });
    return layout;
  }

  function draw(figure) {
    const drawn = figure.querySelector(".drawn");
    const text = figure.querySelector('script[type="application/json"]');
    if (!drawn || !text || figure.dataset.plot) return;
    figure.dataset.plot = "yes";
    const wanted = JSON.parse(text.textContent);
    const layout = drawn.clientWidth < NARROW_PX ? narrowed(wanted.layout) : wanted.layout;
    const place = document.createElement("div");
    place.setAttribute("role", "img");
    place.setAttribute("aria-label", drawn.querySelector("svg").getAttribute("aria-label"));
    place.style.width = "100%";
    place.style.position = "absolute";
    place.style.visibility = "hidden";
    drawn.appendChild(place);
    window.Plotly.newPlot(place, wanted.data, layout, CONFIG).then(() => {
      drawn.querySelector("svg.picture").remove();
      place.style.position = "";
      place.style.visibility = "";
    });
  }

  function look() {
    const waiting = document.querySelectorAll("figure.evidence:not([data-plot])");
    if (!waiting.length) return;
    if (!window.Plotly) { window.asleft.plots().then(look); return; }
    waiting.forEach(draw);
  }

  new MutationObserver(look).observe(document.documentElement, { childList: true, subtree: true });
  document.addEventListener("DOMContentLoaded", look);
  window.addEventListener("load", look);
})();
