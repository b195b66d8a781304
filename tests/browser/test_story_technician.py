"""The technician: verifies a valve as found, retunes it, verifies it as left, files the record, shows it worked."""

from __future__ import annotations

import re
import time

import pytest

pytestmark = pytest.mark.browser

S = 10**9
V = "press-1.platen"


@pytest.fixture
def hands(load_fixture):
    return load_fixture("fixture_hand")


def fits(page) -> bool:
    return page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth")


def swept(records, hands, ago_s: float, **changes):
    """Somebody has swept the valve that long ago; when it began and ended (unix ns)."""
    hand = hands.Hand(time.time_ns() - round(ago_s * S), [*hands.strokes(), *hands.sweep()], **changes)
    records.hands.setdefault(V, []).append(hand)
    return hand


@pytest.mark.parametrize("size", ["laptop", "phone", "wall"])
def test_the_pages_read_well(desk, hands, visit, size):
    url, records, _ = desk
    swept(records, hands, 1200.0)
    visitor = visit(size, "technician")
    page = visitor.open(f"{url}/verification")
    assert visitor.axe() == []
    assert fits(page)
    visitor.open(f"{url}/verification/{V}")
    visitor.photograph(f"verification-begin-{size}")
    assert visitor.axe() == []
    assert fits(page)
    page.get_by_role("link", name=re.compile("Sweep at")).click()
    page.wait_for_selector("text=Everything that was observed is as left.")
    for fold in page.locator("details").all():
        fold.locator("summary").click()
    visitor.photograph(f"verification-{size}")
    assert visitor.axe() == []
    assert fits(page)
    page.get_by_role("link", name="Make a record: as found, nothing adjusted").click()
    page.wait_for_selector("text=A verification record of the platen pressure")
    visitor.photograph(f"verification-form-{size}")
    assert visitor.axe() == []
    assert fits(page)


def test_what_takes_long_says_so(desk, visit, until):
    """By a link that is answered without a page (204), so that the one before stays to be looked at."""
    url, _, _ = desk
    visitor = visit("laptop", "technician")
    page = visitor.open(f"{url}/verification")
    page.route("**/verification/press-1.platen", lambda route: route.fulfill(status=204))
    page.locator("a[href='/verification/press-1.platen']").click(no_wait_after=True)
    assert page.locator("#stale").inner_text() == ""
    until(page, "document.getElementById('stale').textContent.startsWith('Working on it')")


def test_the_story(desk, hands, visit, until):
    """As found out, adjusted, watched while it is done, accepted as left, compared, on paper."""
    url, records, _ = desk
    swept(records, hands, 1500.0, up_s=2.1)
    visitor = visit("laptop", "technician")
    page = visitor.open(f"{url}/valve/{V}")
    page.locator("main").get_by_role("link", name="verify", exact=True).click()
    page.wait_for_selector("h1:has-text('Verify the platen pressure of Press 1.')")
    assert "Do not proceed if that is unsafe" in page.locator("main").inner_text()

    # As found: the sweep of this morning is already on record.
    page.get_by_role("link", name=re.compile("Sweep at")).click()
    page.wait_for_selector("h1:has-text('Not as left: ramp up is 2.10 s, left at 1.60 s')")
    page.get_by_role("link", name="Take this as found, and adjust").click()
    page.wait_for_selector("h1:has-text('Adjust the platen pressure of Press 1')")

    # The knob is turned; the sweep afterwards is watched: it ends some seconds after the page is opened.
    hand = swept(records, hands, 66.0)
    link = page.get_by_role("link", name="Begin watching as left").get_attribute("href")
    began = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(hand.start_ns / 1e9 - 1))
    visitor.open(url + re.sub(r"\?from=[^&]+", f"?from={began}", link))
    assert "Not complete yet" in page.locator("h1").inner_text()
    assert "On the way down" in page.locator("#check").inner_text()
    visitor.photograph("story-technician-watching")
    until(page, "document.querySelector('h1').innerText.startsWith('Everything that was observed')")
    page.get_by_role("link", name="Make a record: as found and, with this, as left").click()

    # The record: first too little is entered, and it says so; nothing typed is lost.
    page.get_by_label("Driver serial number").fill("0815")
    page.get_by_label("Settings as dialled").fill("low 2.1, high 7.4, up 3")
    page.get_by_label("Pressure sensor: id").fill("PT-3")
    page.get_by_label("Decision").select_option("accepted")
    page.get_by_role("button", name="File the record").click()
    visitor.forgive("400")
    page.locator(".faults").get_by_role("link", name="Load state").click()  # the fault leads to its field
    assert page.locator("#load_state-fault").inner_text() == "say in which load state it was done"
    assert page.get_by_label("Driver serial number").input_value() == "0815"
    page.get_by_label("Load state").select_option("stop")
    page.get_by_role("button", name="File the record").click()
    page.wait_for_selector("h1:has-text('Verification record 1 of Press 1 platen pressure: Accepted as left.')")
    visitor.photograph("story-technician-record")
    assert visitor.axe() == []
    kept = records.door.store.verifications.one(V, 1)
    assert kept.accepted
    assert kept.who == "technician"
    pdf = page.context.request.get(f"{url}/verification/{V}/1.pdf", timeout=0)
    assert pdf.body()[:5] == b"%PDF-"

    # And it can be shown that it worked: before against after, over a stretch of the plant's history.
    visitor.open(f"{url}/retune/press-2.clamp")
    page.locator("summary", has_text="Other stretches").click()
    day = 86_400
    for label, ago_days in (("plant_before_from", 14), ("plant_before_to", 11), ("plant_after_from", 10),
                            ("plant_after_to", 7)):  # fmt: skip
        at = time.strftime("%Y-%m-%d %H:%M", time.gmtime(time.time() - ago_days * day))
        page.locator(f"#{label}").fill(at)
    page.get_by_role("button", name="Compare these").click()
    page.wait_for_selector("h1:has-text('Ramp up changed')")
    visitor.photograph("story-technician-retune")
    assert visitor.axe() == []
    assert fits(page)
    with page.expect_navigation():
        page.get_by_role("link", name="Report to print").click()
    assert "two one-sided tests" in page.locator("main").inner_text()
    visitor.photograph("story-technician-paper")
