"""The night at a glance in a real browser: on screens and on one sheet of paper."""

from __future__ import annotations

import io
import time

import pytest
from pypdf import PdfReader

pytestmark = pytest.mark.browser


@pytest.mark.parametrize("size", ["laptop", "phone"])
def test_the_night_on_a_screen(desk, visit, size):
    url, _, _ = desk
    visitor = visit(size)
    page = visitor.open(f"{url}/")
    page.goto(f"{url}/night")
    page.wait_for_selector("main h1")
    assert page.locator("figure.axis svg").count() == 1
    assert "current-lost" not in page.locator("main").inner_text()  # words, not code words
    assert "no current although commanded" in page.locator("main").inner_text().lower()
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    assert visitor.axe() == []
    visitor.photograph(f"night-{size}")


def test_a_night_of_many_alarms_prints_on_one_sheet(desk, visit):
    """More valves than are drawn and more lines than fit: the rest is on the page."""
    url, records, _ = desk
    now = time.time_ns()
    for k in range(40):
        valve = f"press-{k % 20 + 1}.x{k}"
        words = "Ramp up takes 2.10 s, left at 1.60 s, and so on in a sentence that is longer than a line of paper."
        records.raise_alarm(valve, "ramp-up-changed", "driver-setting", 2, words, now - (300 - k) * 10**9)
    visitor = visit("laptop")
    page = visitor.open(f"{url}/")
    page.goto(f"{url}/night")
    page.wait_for_selector("figure.axis svg")
    for form in ("A4", "Letter"):
        reader = PdfReader(io.BytesIO(page.pdf(format=form, prefer_css_page_size=form == "A4")))
        assert len(reader.pages) == 1, form
        text = reader.pages[0].extract_text()
        assert "more are on the page" in text
        assert "more valves are in the list" in " ".join(text.split())
    (box,) = {tuple(round(float(one)) for one in reader.pages[0].mediabox)}
    assert box[2:] == (612, 792)
    page.emulate_media(media="print")
    visitor.photograph("night-print")
