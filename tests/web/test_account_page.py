"""One's own account: where it is signed in, what happened to it, and a second factor."""

from __future__ import annotations

import re

import pyotp
import pytest
from asleft.store import tables
from asleft.store.accounts import Role
from asleft.store.audit import LEAST_LINES, AuditBound
from asleft.store.engine import writing
from asleft.web.access.passwords import STEP_S, address_of, is_secret, new_secret, step_of
from asleft.web.access.visitor import csrf_of
from asleft.web.app import create_app

S = 10**9
SESSION = "asleft_session"
PAGE, FACTOR = "/account", "/account/second-factor"


@pytest.fixture
def site(plant, door):
    door.add_one_of_each()
    return create_app(plant, plant, door.access, clock_ns=lambda: plant.now).server


@pytest.fixture
def signed_in(site, doors):
    def make(name: str = "technician", address: str = "127.0.0.1"):
        client = site.test_client()
        assert doors.sign_in(client, name, address=address).status_code == 303
        return client

    return make


def post(client, path: str, **fields: str):
    return client.post(path, data={"_csrf_token": csrf_of(client.get_cookie(SESSION).value), **fields})


def text_of(client, path: str = PAGE) -> str:
    return client.get(path).get_data(as_text=True)


def inside(client) -> bool:
    return client.get("/_dash-layout").status_code == 200


def code_at(secret: str, plant, steps: int = 0) -> str:
    return pyotp.TOTP(secret).at(plant.now // S + steps * STEP_S)


# ------------------------------------------------------------------------------------------ sessions


def test_sessions_are_listed_and_ended_one_by_one(signed_in, plant, door):
    here = signed_in()
    plant.now += 60 * S
    there, third = signed_in(address="10.0.0.8"), signed_in(address="10.0.0.9")
    text = text_of(here)
    assert text.count("This browser.") == 1
    assert text.count(">End it<") == 2
    shorts = re.findall(r'name="session" value="([0-9a-f]+)"', text)
    listed = {one.address: one.short for one in door.store.sessions.of("technician")}
    assert set(shorts) == {listed["10.0.0.8"], listed["10.0.0.9"]}
    answer = post(here, "/account/session", session=listed["10.0.0.8"])
    assert (answer.status_code, answer.location) == (303, "/account?said=ended")
    assert "That session has ended." in text_of(here, answer.location)
    assert [inside(one) for one in (here, there, third)] == [True, False, True]
    assert door.trail()[-1][2:] == ("signed out", "technician", "ended on the account's page")
    again = post(here, "/account/session", session=listed["10.0.0.8"])
    assert again.location == "/account?said=gone"
    assert "That session had ended already." in text_of(here, again.location)


def test_nobody_ends_the_session_of_another(signed_in, door):
    boss, viewer = signed_in("administrator"), signed_in("viewer")
    short = door.store.sessions.of("viewer")[0].short
    assert post(boss, "/account/session", session=short).location == "/account?said=gone"
    assert post(boss, "/account/session").location == "/account?said=gone"
    assert inside(viewer)


# -------------------------------------------------------------------------------------- being told


def test_a_sign_in_from_another_browser_is_told_until_it_is_read(signed_in, plant):
    here = signed_in()
    assert "What happened" not in text_of(here)
    plant.now += 60 * S
    there = signed_in(address="10.0.0.8")
    assert "What happened" not in text_of(there)  # it was this very sign-in
    assert "technician, 1 to read" in text_of(here, "/alarms")
    assert "technician, 1 to read" in text_of(here, "/")
    text = text_of(here)
    assert "Signed in from a browser that had not signed in before." in text
    assert "from 10.0.0.8." in text
    assert "If one of these was not you" in text
    number = re.search(r'name="number" value="(\d+)"', text).group(1)
    assert post(here, "/account/read", number=number).location == "/account?said=read"
    assert "What happened" not in text_of(here)
    assert "to read" not in text_of(here, "/alarms")


def test_a_changed_password_is_told_at_the_next_sign_in(signed_in, site, doors, door):
    signed_in()
    new = "nine green bottles hang"
    door.store.accounts.set_password("technician", door.access.passwords.hash(new), doors.CHIEF, door.clock_ns())
    client = site.test_client()
    assert doors.sign_in(client, "technician", new).status_code == 303
    assert "The password was changed; 1 session ended." in text_of(client)
    assert "by chief, from command line." in text_of(client)


@pytest.mark.parametrize("number", ["", "x", "-1", "9" * 30, str(2**63)])
def test_reading_a_number_that_is_none_changes_nothing(signed_in, number):
    here = signed_in()
    assert post(here, "/account/read", number=number).status_code == 303


def test_what_happens_to_others_is_not_told(signed_in, doors, door):
    here = signed_in()
    door.store.accounts.set_role("viewer", Role.TECHNICIAN, doors.CHIEF, door.clock_ns())
    assert "What happened" not in text_of(here)


def test_who_gets_a_name_that_was_free_again_is_not_told_of_its_former_owner(signed_in, doors, door):
    door.store.accounts.set_role("viewer", Role.TECHNICIAN, doors.CHIEF, door.clock_ns())
    door.store.accounts.remove("viewer", doors.CHIEF, door.clock_ns())
    door.store.accounts.add("viewer", Role.VIEWER, door.access.passwords.hash(doors.PASSWORD), doors.CHIEF, 1)
    assert "What happened" not in text_of(signed_in("viewer"))


# ---------------------------------------------------------------------------------- the trail's bound


def test_a_dashboard_with_a_bound_shortens_the_trail_once_an_hour(plant, doors, tmp_path):
    bounded = doors.Door(tmp_path / "bounded", lambda: plant.now, audit=AuditBound(lines=LEAST_LINES))
    bounded.add_one_of_each()
    site = create_app(plant, plant, bounded.access, clock_ns=lambda: plant.now).server
    client = site.test_client()
    doors.sign_in(client, "viewer")

    def fill(count: int) -> int:
        line = {"at_ns": plant.now, "who": "", "address": "", "action": "signed in", "subject": "x", "details": ""}
        with writing(bounded.store._engine) as connection:
            connection.execute(tables.audit.insert(), [line] * count)
        client.get("/_dash-layout")
        return len(bounded.store.audit.newest(10_000))

    assert fill(1500) == LEAST_LINES + 1
    assert fill(200) == LEAST_LINES + 201
    plant.now += 3601 * S
    doors.sign_in(client, "viewer")
    assert fill(1) == LEAST_LINES + 1
    bounded.close()


# ------------------------------------------------------------------------------------ second factor


def set_up(client, doors, plant) -> str:
    text = text_of(client, FACTOR)
    secret = re.search(r'name="secret" value="([A-Z2-7]+)"', text).group(1)
    assert " ".join(secret[k : k + 4] for k in range(0, 32, 4)) in text
    answer = post(client, FACTOR, secret=secret, password=doors.PASSWORD, code=code_at(secret, plant))
    assert (answer.status_code, answer.location) == (303, "/account?said=set")
    return secret


def enter(site, doors, name: str, code: str | None, password: str | None = None):
    client = site.test_client()
    page = client.get("/login").get_data(as_text=True)
    form = {doors.CSRF: doors.word_in(page), "name": name, "password": password or doors.PASSWORD, "next": "/"}
    return client.post("/login", data=form if code is None else {**form, "code": code})


def test_codes_are_those_of_rfc_6238():
    """Appendix B, SHA-1: the secret is 12345678901234567890; the last six of its eight digits."""
    secret = "GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ"
    for at_s, code in ((59, "287082"), (1111111109, "081804"), (1234567890, "005924"), (20000000000, "353130")):
        assert step_of(secret, code, at_s * S) == at_s // STEP_S
        assert step_of(secret, f" {code[:3]} {code[3:]} ", at_s * S) == at_s // STEP_S
        assert step_of(secret, code, (at_s + 2 * STEP_S) * S) is None
        assert step_of(secret, code, max(at_s - 2 * STEP_S, at_s % STEP_S + 4 * STEP_S) * S) is None
    assert is_secret(secret)


@pytest.mark.parametrize("code", ["", "12345", "1234567", "abcdef", "\u0661" * 6, "9" * 100_000])
def test_what_is_no_code_is_refused_without_arithmetic(code):
    assert step_of(new_secret(), code, 0) is None


def test_signing_in_asks_for_the_code_once_it_is_set_up(site, signed_in, doors, door, plant):
    assert "Code" not in site.test_client().get("/login").get_data(as_text=True)
    secret = set_up(signed_in("administrator"), doors, plant)
    assert "Code, if your account asks for one" in site.test_client().get("/login").get_data(as_text=True)
    assert door.trail()[-1][2:4] == ("second factor set", "administrator")
    for code, why in ((None, "without the code"), ("000000", "the code was not right"),
                      (code_at(secret, plant), "the code had been used before")):  # fmt: skip
        answer = enter(site, doors, "administrator", code)
        assert answer.status_code == 403
        assert "Name, password or code is not right." in answer.get_data(as_text=True)
        assert door.trail()[-1][2] == "sign-in failed"
        assert door.trail()[-1][4].startswith(why)
    plant.now += STEP_S * S
    assert enter(site, doors, "administrator", code_at(secret, plant), "wrong").status_code == 403
    assert enter(site, doors, "administrator", code_at(secret, plant)).status_code == 303
    assert enter(site, doors, "technician", None).status_code == 303  # who has none is not asked


def test_guessing_codes_is_throttled_as_guessing_passwords_is(site, signed_in, doors, plant):
    set_up(signed_in("administrator"), doors, plant)
    codes = [enter(site, doors, "administrator", f"{n:06}").status_code for n in range(7)]
    assert codes == [403] * 5 + [429] * 2


def test_both_fields_are_needed_and_an_empty_one_is_no_try(signed_in, doors, door):
    client = signed_in("administrator")
    for fields in ({}, {"password": doors.PASSWORD}, {"code": "123456"}):
        assert post(client, FACTOR, **fields).status_code == 400
    assert "sign-in failed" not in [line[2] for line in door.trail()]


def test_it_is_not_set_up_without_the_password_or_a_code_of_the_key(signed_in, doors, door, plant):
    client, secret = signed_in("administrator"), new_secret()
    good = {"secret": secret, "password": doors.PASSWORD, "code": code_at(secret, plant)}
    for change, status, words in (
        ({"password": "wrong"}, 403, "The password is not right."),
        ({"code": code_at(new_secret(), plant)}, 400, "does not belong to this key"),
        ({"secret": "short"}, 400, "does not belong to this key"),
        ({"secret": secret.lower()}, 400, "does not belong to this key"),
    ):
        answer = post(client, FACTOR, **{**good, **change})
        assert answer.status_code == status
        assert words in answer.get_data(as_text=True)
        assert door.store.accounts.find("administrator").totp_secret == ""
    assert secret in post(client, FACTOR, **{**good, "code": "1"}).get_data(as_text=True)  # the key entered stays


def test_it_is_taken_away_with_password_and_code_or_by_who_runs_the_machine(site, signed_in, doors, door, plant):
    client = signed_in("administrator")
    secret = set_up(client, doors, plant)
    plant.now += STEP_S * S
    assert post(client, FACTOR, password=doors.PASSWORD, code="000000").status_code == 403
    assert (
        post(client, FACTOR, password=doors.PASSWORD, code=code_at(secret, plant)).location == "/account?said=removed"
    )
    assert enter(site, doors, "administrator", None).status_code == 303
    set_up(client, doors, plant)
    assert door.store.accounts.set_second_factor("administrator", "", doors.CHIEF, plant.now) is True
    assert door.store.accounts.set_second_factor("administrator", "", doors.CHIEF, plant.now) is False
    assert enter(site, doors, "administrator", None).status_code == 303


def test_where_it_is_required_an_administrator_without_it_may_only_look(plant, doors, tmp_path):
    strict = doors.Door(tmp_path / "strict", lambda: plant.now, second_factor=True)
    strict.add_one_of_each()
    site = create_app(plant, plant, strict.access, clock_ns=lambda: plant.now).server
    boss, technician = site.test_client(), site.test_client()
    doors.sign_in(boss, "administrator")
    doors.sign_in(technician, "technician")
    assert boss.get("/sheets/new").status_code == 403
    assert technician.get("/sheets/new").status_code == 200
    assert "administrators here need a second factor" in text_of(boss)
    set_up(boss, doors, plant)
    assert boss.get("/sheets/new").status_code == 200
    assert "administrators here need" not in text_of(boss)
    strict.close()


def test_the_address_for_apps_names_account_and_program():
    parsed = pyotp.parse_uri(address_of("kl", "GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ"))
    assert (parsed.name, parsed.issuer, parsed.secret) == ("kl", "Asleft", "GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ")


def test_pages_with_the_key_are_kept_by_no_cache_and_not_packed(signed_in):
    answer = signed_in().get(FACTOR, headers={"Accept-Encoding": "gzip"})
    assert answer.headers["Cache-Control"] == "no-store"
    assert "Content-Encoding" not in answer.headers
