"""The page of proposals, as it looks."""

from __future__ import annotations

import time

import pytest
from asleft.web.csv_text import utc

pytestmark = pytest.mark.browser
S = 10**9
V = "press-1.platen"
WIDE = "document.documentElement.scrollWidth <= document.documentElement.clientWidth"


@pytest.mark.parametrize("size", ["laptop", "phone", "wall"])
def test_the_page_reads_well(desk, load_fixture, visit, size):
    url, records, _ = desk
    hands = load_fixture("fixture_hand")
    hand = hands.Hand(time.time_ns() - 1200 * S, [*hands.strokes(), *hands.sweep()])
    records.hands.setdefault(V, []).append(hand)
    visitor = visit(size, "technician")
    page = visitor.open(f"{url}/sheets/{V}/proposal")
    visitor.photograph(f"proposal-begin-{size}")
    assert visitor.axe() == []
    assert page.evaluate(WIDE)
    page.goto(f"{url}/sheets/{V}/proposal?from={utc(hand.start_ns - 2 * S)}&to={utc(hand.end_ns)}")
    page.get_by_label("Pressure at zero command").fill("20")
    page.get_by_label("Pressure at full command").fill("180")
    page.get_by_label("Fastest change").fill("100")
    page.get_by_role("button", name="Propose").click()
    page.wait_for_selector("svg .mark", state="attached")
    assert page.locator("h1").inner_text().startswith("Proposed: ")
    visitor.photograph(f"proposal-{size}")
    assert visitor.axe() == []
    assert page.evaluate(WIDE)
    page.get_by_role("link", name="Take these into a revision").click()
    page.wait_for_selector("form")
    assert page.get_by_label("Why").input_value().startswith("proposed from the sweep of ")
