"""Work in progress, the first-run guide and the first sheet, as a technician goes through them."""

from __future__ import annotations

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

pytestmark = pytest.mark.browser
V = "press-2.clamp"
WIDE = "document.documentElement.scrollWidth <= document.documentElement.clientWidth"


@pytest.mark.parametrize("size", ["laptop", "phone", "wall"])
def test_the_pages_read_well(desk, visit, size):
    url, records, _ = desk
    records.door.store.work.declare(V, records.now + 3600 * 10**9, "coil changed", 0, records.now, _Actor())
    visitor = visit(size, "technician")
    for name, path in (
        ("work", f"/work-in-progress/{V}"),
        ("work-none", "/work-in-progress/press-1.platen"),
        ("work-alarms", "/alarms"),
        ("start", "/start"),
        ("sheet-table", f"/sheets/{V}"),
        ("sheet-new", "/sheets/new"),
        ("sheet-first", "/sheets/press-9.new/revise"),
    ):
        page = visitor.open(f"{url}{path}")
        visitor.photograph(f"{name}-{size}")
        assert visitor.axe() == [], path
        assert page.evaluate(WIDE), path
    page = visitor.open(f"{url}/sheets/{V}/revise")
    for fold in page.locator(".sheet-form > details > summary").all():
        fold.click()
    visitor.photograph(f"sheet-fields-{size}")
    assert visitor.axe() == []
    assert page.evaluate(WIDE)


class _Actor:
    who, address = "kl", "10.0.0.7"


def test_declared_on_the_valves_page_seen_on_all_and_ended(desk, visit, until):
    url, _, _ = desk
    visitor = visit("laptop", "technician")
    page = visitor.open(f"{url}/valve/{V}")
    page.get_by_role("link", name="work in progress").click()
    page.wait_for_selector("#until")
    page.get_by_label("Why").fill("coil changed")
    page.get_by_label("Until").fill("2020-01-01 12:00")
    page.get_by_role("button", name="Declare from now on").click()
    visitor.forgive("400")
    assert "must lie ahead" in page.locator("#until-fault").inner_text()
    assert page.get_by_label("Why").input_value() == "coil changed"
    assert visitor.axe() == []
    at = datetime.now(ZoneInfo("Europe/Madrid")) + timedelta(hours=3)
    page.get_by_label("Until").fill(f"{at:%Y-%m-%d %H:%M}")
    page.get_by_role("button", name="Declare from now on").click()
    sentence = "coil changed, by technician. Not judged."
    assert page.locator("h1").inner_text().endswith(sentence)
    assert page.get_by_role("status").last.inner_text().startswith("Declared.")
    visitor.open(f"{url}/")
    until(page, f"document.body.innerText.includes({sentence!r})")
    visitor.photograph("work-presses")
    assert visitor.axe() == []
    visitor.open(f"{url}/valve/{V}")
    until(page, f"document.querySelector('h1').innerText.endsWith({sentence!r})")
    visitor.photograph("work-valve")
    assert visitor.axe() == []
    visitor.open(f"{url}/work-in-progress/{V}")
    page.get_by_role("button", name="End it now").click()
    assert page.locator("h1").inner_text() == "No work is declared on the clamp pressure of Press 2."
    visitor.open(f"{url}/valve/{V}")
    until(page, f"!document.querySelector('h1').innerText.endsWith({sentence!r})")


def test_from_the_guide_to_the_first_sheet(serve, visit):
    with serve(empty=True) as (url, _):
        visitor = visit("laptop", "technician")
        page = visitor.open(f"{url}/")
        page.get_by_role("link", name="From nothing to the first sheet").click()
        page.wait_for_selector(".guide")
        visitor.photograph("start-empty")
        assert visitor.axe() == []
        page.get_by_role("link", name="Begin the first sheet").click()
        page.get_by_label("Valve id").fill("Press 1!")
        page.get_by_role("button", name="Begin its first sheet").click()
        visitor.forgive("400")
        assert "must be of a-z" in page.locator("#valve-fault").inner_text()
        page.get_by_label("Valve id").fill("press-1.platen")
        page.get_by_role("button", name="Begin its first sheet").click()
        assert page.locator("h1").inner_text() == "The first sheet of press-1.platen."
        page.get_by_label("Ramp up (s)").fill("1.2")
        page.get_by_role("button", name="See what would change").click()
        assert "not filed yet" in page.locator("h1").inner_text()
        assert visitor.axe() == []
