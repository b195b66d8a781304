"""What moves: the live plot, the span selector, the address, the keyboard, and a server that goes away."""

from __future__ import annotations

import re

import pytest

pytestmark = pytest.mark.browser

SETTLED_MS = 1000  # three times as long as the page waits before a zoom changes its address

# Answers that take longer than a zoom needs to settle: the old picture then stands there while the page is asked for.
SLOW_ANSWERS = f"""() => {{
  const plain = window.fetch;
  window.fetch = (...given) => plain(...given).then(
    (answer) => new Promise((give) => setTimeout(() => give(answer), {SETTLED_MS})));
}}"""

LAST_X = """() => {
  const plot = document.querySelector('#window-graph .js-plotly-plot');
  if (!plot || !plot.data || plot.data.length < 7) return null;
  const place = (v) => typeof v === 'number' ? v : Date.parse(v.replace(' ', 'T') + 'Z');
  const x = plot.data[0].x.filter(v => v !== null);
  if (!x.length) return null;
  const range = plot.layout.xaxis.range.map(place);
  return [place(x[x.length - 1]), plot.data.map(t => t.x.length), range[1], range[1] - range[0]];
}"""


def wait_for_plot(page, until):
    until(page, f"({LAST_X})() !== null")
    return page.evaluate(LAST_X)


def selected(page) -> str:
    return page.locator("#window-spans a[aria-current]").inner_text()


def test_the_live_plot_advances_by_small_pieces(site, visit, until):
    visitor = visit()
    sizes: list[int] = []

    def note(response):
        if "_dash-update-component" in response.url and "live-batch" in (response.request.post_data or ""):
            sizes.append(int(response.headers.get("content-length", "0")))

    visitor.page.on("response", note)
    page = visitor.open(site + "/valve/press-2.clamp")
    first = wait_for_plot(page, until)
    until(page, f"({LAST_X})()[0] > {first[0] + 4000}")
    last = page.evaluate(LAST_X)
    assert last[2] > first[2] + 3000
    assert last[3] == pytest.approx(60_000, abs=10)
    assert max(last[1]) <= 1400
    assert sizes
    assert sum(sizes) / len(sizes) < 2500
    visitor.photograph("valve-live")


def zoom_to(page, first, last):
    plot = "document.querySelector('#window-graph .js-plotly-plot')"
    page.evaluate(f"Plotly.relayout({plot}, {{'xaxis.range': [{first}, {last}]}})")


META = "(document.querySelector('#window-graph .js-plotly-plot')?.layout?.meta ?? {ends: []})"


def test_zooming_asks_for_what_is_in_sight_and_the_address_leads_back_to_it(site, visit, until):
    page = visit().open(site + "/valve/press-2.clamp?span=1h")
    page.wait_for_selector("#window-spans a[aria-current]")
    until(page, f"{META}.span === '1h'")
    ends = page.evaluate(f"{META}.ends")
    ahead = page.evaluate(f"{META}.ahead")[0][1]
    middle = (ends[0] + ends[1]) / 2
    zoom_to(page, middle + ahead, middle + ahead + 20_000)
    until(page, f"Math.abs({META}.ends[1] - {META}.ends[0] - 20000) < 5")
    assert page.evaluate(f"{META}.ends")[0] == pytest.approx(middle, abs=2)
    assert re.search(r"\?from=\S+Z&to=\S+Z$", page.url)
    # an envelope has become readings, with what is expected of them
    assert page.evaluate("document.querySelector('#window-graph .js-plotly-plot').data.length") == 7
    assert "20 s, until" in page.locator("#window-spans .until").inner_text()
    there = page.url
    page.goto(there)
    until(page, f"Math.abs({META}.ends[0] - {middle}) < 2")
    zoom_to(page, middle + ahead, middle + ahead + 40)  # no closer than a second
    until(page, f"Math.abs({META}.ends[1] - {META}.ends[0] - 1000) < 2")
    page.get_by_role("link", name="wider", exact=True).click()
    until(page, "document.querySelector('#span-10s').getAttribute('aria-current') === 'true'")
    page.go_back()
    page.go_back()
    until(page, f"Math.abs({META}.ends[1] - {META}.ends[0] - 20000) < 5")


def test_a_drag_with_the_mouse_looks_closer_and_a_double_click_wider(site, visit, until):
    page = visit().open(site + "/valve/press-2.clamp?span=10min&until=2026-11-20T14:00:00")
    until(page, f"{META}.span === '10min'")
    plot = page.locator("#window-graph .nsewdrag").first
    plot.scroll_into_view_if_needed()
    box = plot.bounding_box()
    y = box["y"] + box["height"] / 2
    page.mouse.move(box["x"] + box["width"] * 0.25, y)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * 0.5, y, steps=5)
    page.mouse.up()
    until(page, f"Math.abs({META}.ends[1] - {META}.ends[0] - 150000) < 2000")
    page.evaluate(SLOW_ANSWERS)
    page.mouse.dblclick(box["x"] + box["width"] * 0.5, y)
    until(page, f"{META}.span === '10min'")
    there = page.url
    page.wait_for_timeout(SETTLED_MS)
    assert page.url == there, "one double click, one change of the address"


def test_another_stretch_is_drawn_at_once_from_what_is_there(site, visit, until):
    """Long before the answer, which here takes a second; then the finer picture stands, and says so."""
    page = visit().open(site + "/valve/press-2.clamp?span=10min&until=2026-11-20T14:00:00")
    until(page, f"{META}.span === '10min'")
    plot = "document.querySelector('#window-graph .js-plotly-plot')"
    page.evaluate(SLOW_ANSWERS)
    width = page.evaluate(
        f"""() => {{
          document.getElementById('span-1min').click();
          const [from, to] = {plot}.layout.xaxis.range.map(end => Date.parse(String(end).replace(' ', 'T') + 'Z'));
          return to - from;
        }}"""
    )
    assert width == pytest.approx(60_000, abs=10)
    assert page.evaluate(f"{META}.span") == "10min"  # the answer is not there yet
    assert page.locator("#window-graph-place").get_attribute("aria-busy") == "true"
    until(page, f"{META}.span === '1min'")
    until(page, "document.getElementById('window-graph-place').getAttribute('aria-busy') === 'false'")
    there = page.url
    page.wait_for_timeout(SETTLED_MS)
    assert page.url == there, "one click, one change of the address"


def test_a_double_click_where_nothing_is_wider_changes_nothing(site, visit, until):
    page = visit().open(site + "/valve/press-2.clamp?span=1y&until=2026-11-20T14:00:00")
    until(page, f"{META}.span === '1y'")
    there, ends = page.url, page.evaluate(f"{META}.ends")
    page.locator("#window-graph .nsewdrag").first.dblclick()
    page.wait_for_timeout(SETTLED_MS)
    assert page.url == there
    assert page.evaluate(f"{META}.ends") == ends


def test_a_double_click_shows_the_whole_characteristic_again(site, visit, until):
    page = visit().open(site + "/valve/press-2.clamp")
    shown = "document.querySelector('#curve-graph .js-plotly-plot')?.layout?.xaxis?.range"
    until(page, f"({shown} ?? [0, 1])[1] !== 1")
    whole = page.evaluate(shown)
    plot = page.locator("#curve-graph .nsewdrag").first
    plot.scroll_into_view_if_needed()
    box = plot.bounding_box()
    y = box["y"] + box["height"] / 2
    page.mouse.move(box["x"] + box["width"] * 0.25, y)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * 0.5, y, steps=5)
    page.mouse.up()
    until(page, f"{shown}[1] < {whole[1]}")
    page.wait_for_timeout(SETTLED_MS)  # longer than the time between the two halves of a double click
    page.mouse.dblclick(box["x"] + box["width"] * 0.5, y)
    until(page, f"{shown}[1] > {(whole[0] + whole[1]) / 2}")
    assert page.evaluate(shown) == pytest.approx(whole, abs=1e-6)


def test_a_zoomed_live_plot_rests_where_it_was_zoomed_to(site, visit, until):
    page = visit().open(site + "/valve/press-2.clamp")
    first = wait_for_plot(page, until)
    zoom_to(page, first[0] - 20_000, first[0] - 10_000)
    until(page, f"{META}.live === false")
    assert page.evaluate(f"{META}.ends[1] - {META}.ends[0]") == pytest.approx(10_000, abs=5)
    ends = page.evaluate(f"{META}.ends")
    page.wait_for_timeout(2500)
    assert page.evaluate(f"{META}.ends") == ends


def test_the_span_selector_changes_plot_and_address_and_back_restores_both(site, visit, until):
    page = visit().open(site + "/valve/press-2.clamp")
    wait_for_plot(page, until)
    assert selected(page) == "1 minute, live"
    for words, key in (("1 hour", "1h"), ("3 weeks", "3w"), ("10 minutes", "10min")):
        page.get_by_role("link", name=words, exact=True).click()
        until(page, f"document.querySelector('#window-spans a[aria-current]').id === 'span-{key}'")
        until(page, f"document.querySelector('#window-graph .js-plotly-plot').layout.meta.span === '{key}'")
        assert page.url.endswith(f"?span={key}")
    page.go_back()
    until(page, "document.querySelector('#window-spans a[aria-current]').id === 'span-3w'")
    assert "ramp up changed" in page.locator("#window-graph").inner_text()


def test_a_deep_link_restores_span_and_moment(site, visit, until):
    page = visit().open(site + "/valve/press-2.clamp?span=8h&until=2026-11-20T14:00:00")
    page.wait_for_selector("#window-spans .until")
    assert selected(page) == "8 h shift"
    assert page.locator("#window-spans .until").inner_text() == "until Fri 20 Nov 2026 14:00:00"
    page.get_by_role("link", name="← earlier").click()
    until(page, "document.querySelector('#window-spans .until').textContent.includes('10:00:00')")
    assert page.url.endswith("?from=2026-11-20T01:00:00.000Z&to=2026-11-20T09:00:00.000Z")
    page.get_by_role("link", name="now", exact=True).click()
    until(page, "!document.querySelector('#window-spans .until')")
    assert page.url.endswith("?span=8h")


def test_the_keyboard_alone_reaches_a_valve_and_its_span(site, visit, until):
    page = visit().open(site + "/")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to the page's contents"
    assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid"
    page.keyboard.press("Enter")
    assert page.evaluate("location.hash") == "#main"
    for _ in range(3):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.id") == "row-press-2.clamp":
            break
    assert page.evaluate("document.activeElement.id") == "row-press-2.clamp"
    page.wait_for_timeout(4500)  # the list renews itself meanwhile and must not lose the place
    assert page.evaluate("document.activeElement.id") == "row-press-2.clamp"
    page.keyboard.press("Enter")
    page.wait_for_selector("#valve-opening h1")
    assert page.url.endswith("/valve/press-2.clamp")
    page.wait_for_selector("#span-1h")
    for _ in range(40):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.id") == "span-1h":
            break
    assert page.evaluate("document.activeElement.id") == "span-1h"
    page.keyboard.press("Enter")
    until(page, "document.querySelector('#window-spans a[aria-current]').id === 'span-1h'")
    assert page.evaluate("document.activeElement.id") == "span-1h"


def test_a_click_anywhere_in_a_row_opens_its_valve(site, visit):
    page = visit().open(site + "/")
    page.locator("li.row.failure .said").click(force=True)  # the row's link lies over it
    page.wait_for_selector("#valve-opening h1")
    assert page.url.endswith("/valve/press-3.knock-out")
    page.get_by_role("link", name="Health").click()
    page.wait_for_selector(".health h1")
    assert page.locator("nav[aria-label=Pages] a[aria-current=page]").inner_text() == "Health"


def test_a_fold_stays_open_while_the_page_renews_itself(site, visit):
    page = visit().open(site + "/valve/press-2.clamp")
    page.locator("details[data-key=cautions] > summary").click()
    page.wait_for_timeout(4500)
    assert page.locator("details[data-key=cautions]").get_attribute("open") is not None


def test_the_clock_is_the_plants_and_runs(site, visit, until):
    page = visit().open(site + "/")
    until(page, "document.getElementById('clock').textContent.length > 10")
    first = page.locator("#clock").inner_text()
    assert re.fullmatch(r"[A-Z][a-z]{2} \d{1,2} [A-Z][a-z]{2,3} \d{4} \d\d:\d\d:\d\d", first)
    until(page, f"document.getElementById('clock').textContent !== '{first}'")


def test_a_server_that_goes_away_is_told(serve, browser, until, enter):
    context = browser.new_context()
    page = context.new_page()
    with serve() as (url, _):
        enter(context, url)
        page.goto(url)
        page.wait_for_selector("main h1")
        context.set_offline(True)
        until(page, "document.getElementById('stale').textContent.startsWith('No answer from the dashboard')")
        context.set_offline(False)
        until(page, "document.getElementById('stale').textContent === ''")
    context.close()


def test_the_first_load_is_light(site, visit, until):
    visitor = visit(first=True)
    sizes: dict[str, int] = {}
    visitor.page.on("response", lambda r: sizes.update({r.url: int(r.headers.get("content-length", "0") or 0)}))
    visitor.open(site + "/")
    until(visitor.page, "document.querySelector('#react-entry-point').children.length > 0")
    assert sum(sizes.values()) < 1_000_000
    assert not [url for url in sizes if "plotly" in url]  # no plot, so nothing that draws one
