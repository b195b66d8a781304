"""Signing in as people do: by keyboard, with a wrong password, on a phone; and what a page does when it ends."""

from __future__ import annotations

import pyotp
import pytest

pytestmark = pytest.mark.browser

PASSWORD = "copper ladder seven owls"


def knock(visit, url: str, size: str = "laptop"):
    """A visitor without an account at the door."""
    visitor = visit(size, name="")
    visitor.page.goto(url)
    visitor.page.wait_for_selector("form")
    return visitor


@pytest.mark.parametrize("size", ["laptop", "phone"])
def test_the_door_is_plain_and_axe_finds_nothing(site, visit, size):
    visitor = knock(visit, f"{site}/", size)
    page = visitor.page
    assert page.title() == "Sign in – Asleft"
    assert page.locator("h1").inner_text() == "Sign in"
    assert "This is a plant for tests." in page.locator("main").inner_text()
    assert page.evaluate("document.activeElement.id") == "name"
    visitor.photograph(f"door-{size}")
    assert visitor.axe() == []
    assert page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth")
    assert page.locator("script").count() == 0  # it works without


def test_the_keyboard_alone_signs_in_and_leads_to_the_page_asked_for(site, visit):
    visitor = knock(visit, f"{site}/valve/press-2.clamp?span=1h")
    page = visitor.page
    page.keyboard.type("technician")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.id") == "password"
    assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid"
    page.keyboard.type(PASSWORD)
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Sign in"
    page.keyboard.press("Enter")
    page.wait_for_selector("#valve-opening h1")
    assert page.url == f"{site}/valve/press-2.clamp?span=1h"
    assert page.locator("header .account a").inner_text().split(",")[0] == "technician"


def test_a_wrong_password_is_told_keeps_the_name_and_axe_finds_nothing(site, visit):
    visitor = knock(visit, f"{site}/")
    page = visitor.page
    page.fill("#name", "viewer")
    page.fill("#password", "not the password")
    page.keyboard.press("Enter")
    page.wait_for_selector("#wrong")
    assert page.get_by_role("alert").inner_text() == "Name or password is not right."
    assert page.input_value("#name") == "viewer"
    assert page.input_value("#password") == ""
    assert page.evaluate("document.activeElement.id") == "password"
    visitor.photograph("door-wrong")
    assert visitor.axe() == []
    visitor.forgive("403")


def test_signing_out_ends_it_for_every_page_of_the_browser(site, visit):
    visitor = visit(name="technician")
    page = visitor.open(f"{site}/valve/press-2.clamp")
    other = page.context.new_page()
    other.goto(f"{site}/health")
    other.wait_for_selector(".health h1")
    page.get_by_role("button", name="Sign out").click()
    page.wait_for_url(f"{site}/login")
    # The other page notices with its next question, and leads back to where it was.
    other.wait_for_url(f"{site}/login?next=%2Fhealth")
    page.go_back()
    page.wait_for_url(f"{site}/login**")
    visitor.forgive("401")


def test_ones_own_account(site, visit):
    visitor = visit(name="administrator")
    page = visitor.open(f"{site}/")
    page.locator("header .account a").click()
    page.wait_for_selector("#current")
    assert page.locator("h1").inner_text() == "You are signed in as administrator."
    visitor.photograph("account-laptop")
    assert visitor.axe() == []
    page.fill("#current", PASSWORD)
    page.fill("#new", "too short")
    page.fill("#again", "too short")
    page.keyboard.press("Enter")
    page.wait_for_selector("#wrong")
    assert "it has 9 characters, at least 15 are needed" in page.get_by_role("alert").inner_text()
    visitor.forgive("400")
    page.get_by_role("button", name="Sign out").click()
    page.wait_for_url(f"{site}/login")


@pytest.mark.parametrize("size", ["laptop", "phone"])
def test_a_second_factor_is_set_up_used_and_what_happened_is_read(serve, visit, size):
    with serve() as (url, _):
        elsewhere = knock(visit, f"{url}/account", size)
        enter(elsewhere.page)
        visitor = knock(visit, f"{url}/account", size)
        page = visitor.page
        enter(page)
        page.get_by_role("button", name="End it").wait_for()
        elsewhere.page.reload()
        elsewhere.page.get_by_role("button", name="I have read this").wait_for()
        elsewhere.photograph(f"account-told-{size}")
        assert elsewhere.axe() == []
        page.get_by_role("link", name="Set it up").click()
        page.wait_for_selector("#code")
        visitor.photograph(f"second-factor-{size}")
        assert visitor.axe() == []
        assert page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth")
        secret = page.locator("[name=secret]").input_value()
        page.fill("#password", PASSWORD)
        page.fill("#code", "000 000")
        page.keyboard.press("Enter")
        page.get_by_text("does not belong to this key").wait_for()
        assert visitor.axe() == []
        visitor.forgive("400")
        page.fill("#password", PASSWORD)
        page.fill("#code", pyotp.TOTP(secret).now())
        page.keyboard.press("Enter")
        page.get_by_text("From now on signing in asks for a code").wait_for()
        assert visitor.axe() == []
        page.get_by_role("button", name="End it").click()
        page.get_by_text("That session has ended.").wait_for()
        page.get_by_role("link", name="Take it away").click()
        page.wait_for_selector("#code")
        assert visitor.axe() == []
        page.goto(f"{url}/account")
        page.get_by_role("button", name="Sign out").click()
        page.wait_for_selector("#code")
        assert page.get_by_label("Code, if your account asks for one").get_attribute("required") is None
        visitor.photograph(f"door-code-{size}")
        assert visitor.axe() == []


def enter(page) -> None:
    page.fill("#name", "administrator")
    page.fill("#password", PASSWORD)
    page.keyboard.press("Enter")
    page.wait_for_selector("#current")


@pytest.mark.parametrize("size", ["laptop", "phone"])
def test_administrators_read_the_audit_trail_and_it_renews_itself(site, visit, size):
    visitor = visit(size, name="administrator")
    page = visitor.open(f"{site}/")
    page.get_by_role("link", name="Audit").click()
    page.wait_for_selector(".audit table")
    before = int(page.locator(".audit tbody th").first.inner_text())
    assert "signed in" in page.locator(".audit tbody tr").first.inner_text()
    visitor.photograph(f"audit-{size}")
    assert visitor.axe() == []
    assert page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth")
    visit(name="viewer").open(f"{site}/")
    page.wait_for_selector(f".audit tbody th:text-is('{before + 1}')")


def test_for_others_there_is_no_audit_page(site, visit):
    visitor = visit(name="technician")
    page = visitor.open(f"{site}/audit")
    visitor.forgive("403")  # the address itself answers so
    assert page.locator("h1").inner_text() == "This page is for administrators."
    assert page.get_by_role("link", name="Audit").count() == 0


def test_keys_and_clicks_are_reported_so_that_a_person_at_work_stays_signed_in(site, visit):
    visitor = visit(name="technician")
    told: list[int] = []
    visitor.page.on("response", lambda r: told.append(r.status) if r.url.endswith("/here") else None)
    page = visitor.open(f"{site}/")
    page.keyboard.press("Tab")
    page.wait_for_timeout(300)
    assert told == []  # once a minute is enough
    page.evaluate("const now = Date.now; Date.now = () => now() + 61000")
    page.keyboard.press("Tab")
    for _ in range(50):
        if told:
            break
        page.wait_for_timeout(100)
    page.keyboard.press("Tab")
    page.wait_for_timeout(300)
    assert told == [204]
