"""A technician revises a sheet: a fault first, then right, then filed, and it shows what changed."""

from __future__ import annotations

import pytest

pytestmark = pytest.mark.browser
V = "press-2.clamp"


@pytest.mark.parametrize("size", ["laptop", "phone", "wall"])
def test_the_pages_read_well(desk, visit, size):
    url, _, _ = desk
    visitor = visit(size, "technician")
    for name, path in (("sheets", "/sheets"), ("sheet", f"/sheets/{V}"), ("sheet-revise", f"/sheets/{V}/revise")):
        page = visitor.open(f"{url}{path}")
        visitor.photograph(f"{name}-{size}")
        assert visitor.axe() == [], path
        assert page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth"), path


def test_from_an_alarm_to_a_filed_revision(desk, visit):
    url, records, alarms = desk
    visitor = visit("laptop", "technician")
    page = visitor.open(f"{url}/alarms/{alarms['shift']}")
    page.get_by_role("link", name="Make a revision").click()
    assert page.get_by_label("Ramp up (s)").input_value() == "2.10"
    assert page.get_by_label("Why").input_value() == "ramp up changed, on purpose"
    page.get_by_label("Ramp up (s)").fill("soon")
    page.get_by_role("button", name="See what would change").click()
    visitor.forgive("400")
    assert "is not a number" in page.locator("#ramp_up-fault").inner_text()
    assert visitor.axe() == []
    page.get_by_label("Ramp up (s)").fill("2.1")
    page.get_by_role("button", name="See what would change").click()
    assert "not filed yet" in page.locator("h1").inner_text()
    assert "ramp up: 1.60 s → 2.10 s" in page.locator("main").inner_text()
    visitor.photograph("sheet-preview")
    assert visitor.axe() == []
    page.get_by_role("button", name="File revision 4").click()
    assert page.locator("#behind").get_by_role("status").inner_text() == "Filed."
    assert "Judging catches up with sheet 4" in page.locator("#behind").inner_text()
    assert "ramp up: 1.60 s → 2.10 s" in page.locator("main").inner_text()
    assert [record.number for record in records.sheets(V)] == [3, 4]
