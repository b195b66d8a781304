"""The page on which a report's stretch is chosen, and the report behind it."""

from __future__ import annotations

import pytest

pytestmark = pytest.mark.browser
V = "press-2.clamp"


@pytest.mark.parametrize("size", ["laptop", "phone", "wall"])
def test_choosing_a_stretch(site, visit, size):
    visitor = visit(size)
    page = visitor.open(f"{site}/valve/{V}")
    page.get_by_role("link", name="report").click()
    page.wait_for_selector("form input[type=date]")
    visitor.photograph(f"report-choice-{size}")
    assert visitor.axe() == []
    assert page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth")
    page.get_by_label("Last day, whole").fill("2001-01-01")
    page.get_by_role("button", name="Open as HTML").click()
    assert page.locator("#to-fault").inner_text() == "The last day lies before the first."
    visitor.forgive("400")
    assert visitor.axe() == []
    page.goto(f"{site}/report/{V}")
    page.get_by_role("button", name="Open as HTML").click()
    page.wait_for_selector("main h1")
    # on paper a number and its unit hold together
    assert "Ramp up takes 2.10\xa0s" in page.locator("h1").inner_text()
    visitor.photograph(f"report-{size}")


def test_every_page_gives_its_table(site, visit):
    visitor = visit()
    for path, name in (
        ("/", "CSV, all valves"),
        ("/health", "CSV, all figures of this page"),
        ("/alarms", "CSV, these"),
    ):
        page = visitor.open(f"{site}{path}")
        with page.expect_download() as waiting:
            page.get_by_role("link", name=name).first.click()
        assert waiting.value.suggested_filename.startswith("asleft-"), path
        assert waiting.value.suggested_filename.endswith("Z.csv"), path
    page = visitor.open(f"{site}/valve/{V}")
    page.wait_for_selector("#window-words .csv")
    with page.expect_download() as waiting:
        page.get_by_role("link", name="readings, CSV").click()
    assert waiting.value.suggested_filename.startswith("asleft-press-2.clamp-readings-")
