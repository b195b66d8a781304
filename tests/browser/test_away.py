"""Stores go away under open pages: each says so, and all is back by itself afterwards."""

from __future__ import annotations

import pytest
from asleft.store.protocols import StoreUnavailable
from sqlalchemy.exc import OperationalError

pytestmark = pytest.mark.browser
V = "press-2.clamp"
RECORDS_DOWN = OperationalError("SELECT 1", {}, Exception("connection to server at 10.0.0.9 failed: refused"))
SAMPLES_DOWN = StoreUnavailable("http://10.0.0.7:8086 cannot be reached: connection refused")


def forgive(visitor) -> None:
    """Forget what the browser and the framework say of answers with 503."""
    visitor.forgive("503")
    visitor.complaints[:] = [text for text in visitor.complaints if "cannot be reached" not in text]


class Breaker:
    """Makes methods of the plant fail, and work again."""

    def __init__(self, plant) -> None:
        self._plant, self._kept = plant, {}

    def lose(self, error: Exception, *names: str) -> None:
        def failing(*_given, **_named):
            raise error

        for name in names:
            self._kept[name] = getattr(self._plant, name)
            setattr(self._plant, name, failing)

    def give_back(self) -> None:
        for name, method in self._kept.items():
            setattr(self._plant, name, method)
        self._kept.clear()


@pytest.mark.parametrize("size", ["laptop", "phone"])
def test_an_open_page_says_what_is_away_and_goes_on(serve, visit, until, size):
    with serve() as (url, plant):
        visitor, breaker = visit(size), Breaker(plant)
        page = visitor.open(url)
        breaker.lose(SAMPLES_DOWN, "span", "all_spans", "samples", "overview", "valves")
        until(page, "document.getElementById('stale').textContent.includes('The readings cannot be reached since')")
        assert page.locator("h1").count() == 1  # what was there stays
        page.goto(f"{url}/valve/{V}")
        page.wait_for_selector("main [data-away]")
        assert page.locator("h1").inner_text().startswith("The readings cannot be reached since")
        visitor.photograph(f"away-samples-{size}")
        forgive(visitor)
        assert visitor.axe() == []
        assert page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth")
        breaker.give_back()
        page.wait_for_selector("#valve-opening h1")
        until(page, "document.getElementById('stale').textContent === ''")
        forgive(visitor)


def test_a_plain_page_comes_back_too(serve, visit):
    with serve() as (url, plant):
        visitor, breaker = visit(), Breaker(plant)
        visitor.open(f"{url}/sheets")
        breaker.lose(RECORDS_DOWN, "sheet_valves", "sheets", "effective_sheet", "alarm_events_lately")
        page = visitor.page
        page.goto(f"{url}/sheets")
        page.wait_for_selector("main [data-away]")
        forgive(visitor)
        assert "The records" in page.locator("h1").inner_text()
        visitor.photograph("away-records-laptop")
        assert visitor.axe() == []
        breaker.give_back()
        page.wait_for_selector("main table, main .sub a")
        assert "cannot be reached" not in page.locator("h1").inner_text()
        forgive(visitor)


def test_a_plot_that_missed_its_readings_is_drawn_when_they_are_back(serve, visit, until):
    """Only readings are away: words, sheet and findings are there, and the page says what is missing."""
    with serve() as (url, plant):
        visitor, breaker = visit(), Breaker(plant)
        visitor.open(f"{url}/health")
        breaker.lose(SAMPLES_DOWN, "samples", "overview")
        page = visitor.page
        page.goto(f"{url}/valve/{V}")
        page.wait_for_selector("#valve-opening h1")
        assert "Ramp up takes 2.10 s" in page.locator("h1").inner_text()
        until(page, "document.getElementById('stale').textContent.includes('The readings cannot be reached since')")
        forgive(visitor)
        assert visitor.axe() == []
        breaker.give_back()
        page.wait_for_selector("#window-words details")
        until(page, "document.querySelectorAll('#window-graph .scatterlayer .trace').length > 0")
        until(page, "document.getElementById('stale').textContent === ''")
        forgive(visitor)
