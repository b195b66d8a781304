from __future__ import annotations

import pytest

pytestmark = pytest.mark.browser

PAGES = {
    "presses": ("/", "Three of eight valves are as they were left."),
    "valve": ("/valve/press-2.clamp", "Ramp up takes 2.10 s; it was left at 1.60 s."),
    "valve-without-current": ("/valve/press-4.cushion?span=1h", "No current reading on this valve"),
    "valve-in-work": ("/valve/press-4.platen?span=1d", "Work in progress until 18:00"),
    "valve-failed": ("/valve/press-3.knock-out?span=10min", "no current flows"),
    "health": ("/health", "Judging keeps up."),
    "missing": ("/valve/no-such-valve", "There is no valve"),
}


@pytest.mark.parametrize("name", PAGES)
def test_every_page_opens_with_its_sentence(site, visit, name):
    """What else holds of pages, in every size, is in `test_walls`."""
    path, words = PAGES[name]
    visitor = visit()
    page = visitor.open(site + path)
    if name == "missing":
        visitor.forgive("404")  # the address itself answers so
    assert words in page.locator("h1").inner_text().replace("\N{NON-BREAKING HYPHEN}", "-")
    assert page.locator("h1").count() == 1
    if name.startswith("valve"):
        page.wait_for_selector("#window-graph .main-svg")
        page.wait_for_selector("#history figure, #history p")
        page.wait_for_selector("#window-words details")
    assert visitor.axe() == []
    assert page.evaluate("document.documentElement.lang") == "en"
    assert page.title().endswith("Asleft")


@pytest.mark.parametrize("size", ["laptop", "phone"])
def test_folds_opened_are_as_clean(site, visit, size):
    visitor = visit(size)
    page = visitor.open(site + "/valve/press-2.clamp")
    page.wait_for_selector("#history figure")
    page.wait_for_selector("#window-words details")
    page.evaluate("document.querySelectorAll('details').forEach(fold => { fold.open = true; })")
    visitor.photograph(f"valve-opened-{size}")
    assert visitor.axe() == []


def test_an_empty_plant_says_what_to_do(visit, serve):
    with serve(empty=True) as (url, _):
        visitor = visit()
        page = visitor.open(url)
        assert "No valve yet" in page.locator("h1").inner_text()
        assert "From nothing to the first sheet, step by step" in page.locator("main").inner_text()
        visitor.photograph("empty-laptop")
        assert visitor.axe() == []


def test_history_on_its_way_is_shown(visit, serve):
    with serve(waiting=True) as (url, _):
        visitor = visit()
        page = visitor.open(url)
        assert "History is being judged: 144 of 480 windows." in page.locator("main").inner_text()
        assert page.get_by_role("progressbar").get_attribute("aria-valuenow") == "144"
        visitor.photograph("waiting-laptop")
        assert visitor.axe() == []
