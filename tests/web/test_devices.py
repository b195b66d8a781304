"""A browser that has signed in before has its own allowance, and nobody else's guessing keeps its owner out."""

from __future__ import annotations

import pytest
from asleft.store.devices import KEPT_DAYS, MOST_PER_ACCOUNT
from asleft.store.throttle import PER_ACCOUNT, PER_DEVICE
from asleft.web.access.visitor import csrf_of, digest_of
from asleft.web.app import create_app

S = 10**9
DAY = 86_400 * S
STRANGERS = ("10.0.0.1", "10.0.0.2", "10.0.0.3", "10.0.0.4")


@pytest.fixture
def site(plant, door):
    door.add_one_of_each()
    return create_app(plant, plant, door.access, clock_ns=lambda: plant.now).server


def guess_until_stopped(site, doors, address: str, name: str = "technician") -> None:
    stranger = site.test_client()
    while doors.sign_in(stranger, name, "wrong", address=address).status_code == 403:
        pass


def known(site, doors, name: str = "technician"):
    """A browser that has signed in once; it is signed out again, and its device token stays."""
    client = site.test_client()
    assert doors.sign_in(client, name).status_code == 303
    assert client.post("/logout", headers=doors.csrf(client)).status_code == 303
    return client


def cookie_of(client, door, name: str = "technician") -> str:
    return client.get_cookie(door.access.device_cookie(name)).value


def test_an_owner_gets_in_thirty_times_while_four_addresses_guess(site, doors, plant):
    """Four simulated hours, as fast as the throttle lets them; without a device of one's own it was 0 of 30."""
    owner, others = known(site, doors), site.test_client()
    inside = 0
    for _ in range(30):
        for address in STRANGERS:
            guess_until_stopped(site, doors, address)
        assert doors.sign_in(others, "technician", address="10.0.0.9").status_code == 429  # nobody else gets in
        inside += doors.sign_in(owner, "technician", address="10.0.0.8").status_code == 303
        owner.delete_cookie("asleft_session")
        plant.now += 480 * S
    assert inside == 30


def test_not_even_guessing_from_the_owners_own_address_does(site, doors):
    owner = known(site, doors)
    for name in ("technician", *(f"name-{n}" for n in range(25))):
        guess_until_stopped(site, doors, "127.0.0.1", name)
    assert doors.sign_in(owner, "technician").status_code == 303


def test_a_known_browser_may_guess_no_more_than_a_stranger(site, doors, plant):
    thief = known(site, doors)
    codes = [doors.sign_in(thief, "technician", f"guess {n}").status_code for n in range(PER_DEVICE.free + 3)]
    assert codes == [403] * (PER_DEVICE.free + 1) + [429] * 2
    plant.now += 5 * S
    assert doors.sign_in(thief, "technician").status_code == 303


def test_an_owners_success_gives_strangers_no_tries_back(site, doors):
    owner = known(site, doors)
    guess_until_stopped(site, doors, STRANGERS[0])
    assert doors.sign_in(owner, "technician").status_code == 303
    assert doors.sign_in(site.test_client(), "technician", address=STRANGERS[0]).status_code == 429


def test_the_token_is_of_one_account_and_one_sign_in(site, doors, door):
    owner = known(site, doors)
    first = cookie_of(owner, door)
    guess_until_stopped(site, doors, STRANGERS[0], "viewer")
    owner.set_cookie(door.access.device_cookie("viewer"), first)
    assert doors.sign_in(owner, "viewer").status_code == 429  # the technician's token says nothing of the viewer
    assert doors.sign_in(owner, "technician").status_code == 303
    copied = site.test_client()
    copied.set_cookie(door.access.device_cookie("technician"), first)
    guess_until_stopped(site, doors, STRANGERS[1])
    assert doors.sign_in(copied, "technician").status_code == 429  # a token is good until the next sign-in


def test_a_made_up_token_is_none(site, doors, door):
    stranger = site.test_client()
    stranger.set_cookie(door.access.device_cookie("technician"), "made-up")
    codes = [doors.sign_in(stranger, "technician", "x").status_code for _ in range(PER_ACCOUNT.free + 2)]
    assert codes[-1] == 429
    assert doors.sign_in(site.test_client(), "technician").status_code == 429  # it counted for everybody


def test_tokens_end_with_the_password_but_where_it_was_changed(site, doors, door):
    here, there = known(site, doors), known(site, doors)
    doors.sign_in(here, "technician")
    new = "nine green bottles hang"
    form = {"_csrf_token": csrf_of(here.get_cookie("asleft_session").value), "current": doors.PASSWORD}
    assert here.post("/account", data={**form, "new": new, "again": new}).status_code == 303
    assert door.store.devices.known(digest_of(cookie_of(here, door)), "technician", door.clock_ns())
    assert not door.store.devices.known(digest_of(cookie_of(there, door)), "technician", door.clock_ns())


def test_a_browser_that_was_away_for_half_a_year_is_a_new_one(site, doors, door, plant):
    owner = known(site, doors)
    plant.now += KEPT_DAYS * DAY
    assert not door.store.devices.known(digest_of(cookie_of(owner, door)), "technician", plant.now)


def test_only_the_newest_browsers_are_remembered(site, doors, door, plant):
    first = known(site, doors)
    for _ in range(MOST_PER_ACCOUNT):
        plant.now += S
        known(site, doors)
    assert not door.store.devices.known(digest_of(cookie_of(first, door)), "technician", plant.now)


def test_the_cookie_is_out_of_reach_of_scripts_and_only_its_digest_is_stored(site, doors, door, tmp_path):
    client = site.test_client()
    answer = doors.sign_in(client, "technician")
    name = door.access.device_cookie("technician")
    line = next(line for line in answer.headers.getlist("Set-Cookie") if line.startswith(f"{name}="))
    parts = {part.strip() for part in line.split(";")}
    assert {"HttpOnly", "Path=/", "SameSite=Lax", f"Max-Age={KEPT_DAYS * 86_400}"} <= parts
    door.store.close()
    content = (tmp_path / "door" / "records.db").read_bytes()
    assert cookie_of(client, door).encode() not in content
    assert digest_of(cookie_of(client, door)).encode() in content


def test_another_browser_is_on_record_but_not_the_first(site, doors, door):
    known(site, doors)
    assert "new device" not in [line[2] for line in door.trail()]
    again = known(site, doors)
    assert [line[2:4] for line in door.trail()].count(("new device", "technician")) == 1
    doors.sign_in(again, "technician")
    assert [line[2] for line in door.trail()].count("new device") == 1
