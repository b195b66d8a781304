"""The picture of what moved in a real browser: there at once, a plot soon after, in the plant's time anywhere."""

from __future__ import annotations

import re
from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

pytestmark = pytest.mark.browser

MADRID = ZoneInfo("Europe/Madrid")
SHIFT = """
window.__shift = 0;
new PerformanceObserver((list) => { list.getEntries().forEach((one) => { window.__shift += one.value; }); })
  .observe({ type: 'layout-shift', buffered: true });
"""


@pytest.mark.parametrize("size", ["laptop", "phone"])
def test_an_alarm_opens_with_its_picture_and_nothing_moves_when_it_comes_alive(desk, visit, until, size):
    url, _, alarms = desk
    visitor = visit(size, "technician")
    first = visitor.open(f"{url}/alarms")
    text = visitor.page.context.request.get(f"{url}/alarms/{alarms['shift']}").text()
    assert text.index('class="picture"') < text.index("Which part, and what to check first")
    first.add_init_script(SHIFT)
    page = visitor.open(f"{url}/alarms/{alarms['shift']}")
    until(page, "document.querySelector('figure.evidence .js-plotly-plot .scatterlayer') !== null")
    until(page, "document.querySelector('figure.evidence svg.picture') === null")
    assert page.evaluate("window.__shift") < 0.05
    labels = page.locator("figure.evidence .annotation").all_text_contents()
    assert any(text.startswith("as left 1.60 s") for text in labels), labels
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    visitor.photograph(f"evidence-alarm-{size}")
    assert visitor.axe() == []


def test_a_valves_first_screen_has_sentence_strip_picture_and_what_to_do(serve, visit, until):
    with serve() as (url, _):
        visitor = visit("laptop")
        visitor.page.set_viewport_size({"width": 1366, "height": 800})
        page = visitor.open(f"{url}/valve/press-2.clamp")
        until(page, "document.querySelector('#valve-findings .js-plotly-plot .scatterlayer') !== null")
        page.wait_for_timeout(300)
        visitor.photograph("evidence-valve")
        for selector in ("#valve-opening h1", "#valve-strip .strip", "#valve-findings .evidence .drawn"):
            box = page.locator(selector).first.bounding_box()
            assert box["y"] + box["height"] <= 800, (selector, box)
        assert visitor.axe() == []


def test_plots_show_the_plants_time_to_a_browser_in_new_york(serve, browser, enter, until):
    with serve() as (url, plant):
        context = browser.new_context(timezone_id="America/New_York", viewport={"width": 1366, "height": 1400})
        try:
            enter(context, url)
            page = context.new_page()
            page.goto(f"{url}/valve/press-1.platen?span=10min")
            until(page, "document.querySelectorAll('#window-graph .xtick text').length > 2")
            until(page, "document.querySelector('#window-graph .js-plotly-plot').layout.xaxis.range[0] !== undefined")
            assert page.evaluate("new Date().getTimezoneOffset()") in (240, 300)
            box = page.locator("#window-graph .nsewdrag").nth(1).bounding_box()
            now = datetime.fromtimestamp(plant.now / 1e9, MADRID)
            page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2, steps=4)
            page.wait_for_selector("#window-graph .hoverlayer .hovertext, #window-graph .hoverlayer .axistext")
            hover = " ".join(page.locator("#window-graph .hoverlayer text").all_text_contents())
            told = re.search(r"(\d\d):(\d\d):\d\d", hover)
            assert told, hover
            minutes = (int(told.group(1)) * 60 + int(told.group(2)) - now.hour * 60 - now.minute) % 1440
            assert minutes > 1425 or minutes < 3, (hover, now)  # five minutes ago, by the plant's clock
            assert " A" in hover or "bar" in hover or "mA" in hover, hover
        finally:
            context.close()
