"""Signing in and out, sessions and their ends, and requests that other pages forge."""

from __future__ import annotations

import unicodedata

import pytest
from asleft.store.access import open_access
from asleft.store.accounts import Role
from asleft.store.engine import writing
from asleft.store.throttle import PER_ACCOUNT, PER_ADDRESS
from asleft.web.access.passwords import Busy, Passwords
from asleft.web.access.visitor import Access, csrf_of, digest_of, new_token, throttled_as
from asleft.web.app import create_app
from asleft.web.secure import safe_path
from sqlalchemy import text

S = 10**9
SESSION = "asleft_session"
WRONG = "Name or password is not right."


@pytest.fixture
def site(plant, door):
    """The application with one account per role; `door` and `plant.now` are its door and clock."""
    door.add_one_of_each()
    return create_app(plant, plant, door.access, clock_ns=lambda: plant.now).server


@pytest.fixture
def client(site):
    return site.test_client()


def inside(client) -> bool:
    return client.get("/_dash-layout").status_code == 200


def cookies_of(answer) -> dict[str, str]:
    return {line.split("=", 1)[0]: line for line in answer.headers.getlist("Set-Cookie")}


# --------------------------------------------------------------------------------------- in and out


def test_the_right_password_opens_the_pages_and_leads_on(client, doors, door):
    assert not inside(client)
    answer = doors.sign_in(client, "technician", following="/valve/press-2.clamp?span=1h")
    assert (answer.status_code, answer.location) == (303, "/valve/press-2.clamp?span=1h")
    assert inside(client)
    assert door.trail()[-1] == ("technician", "127.0.0.1", "signed in", "technician", "as technician")


def test_the_name_may_be_typed_large_and_with_space_round_it(client, doors):
    assert doors.sign_in(client, "  Technician ").status_code == 303
    assert inside(client)


@pytest.mark.parametrize(
    ("name", "password"),
    [
        ("technician", "wrong"),
        ("technician", ""),
        ("nobody", "copper ladder seven owls"),
        ("", ""),
        ("x" * 5000, "y"),
    ],
)
def test_what_is_wrong_is_not_told_apart(client, doors, name, password):
    answer = doors.sign_in(client, name, password)
    assert answer.status_code == 403
    assert WRONG in answer.get_data(as_text=True)
    assert SESSION not in cookies_of(answer)
    assert not inside(client)


def test_an_unknown_a_disabled_and_a_known_account_cost_the_same_and_read_the_same(client, doors, door, monkeypatch):
    """The work is counted, not timed: one check of one argon2 hash with the same parameters each."""
    door.store.accounts.set_disabled("viewer", True, doors.CHIEF, door.clock_ns())
    checked: list[str] = []
    verify = type(door.access.passwords._hasher).verify

    def counting(self, kept, password):
        checked.append(kept.split("$")[3])
        return verify(self, kept, password)

    monkeypatch.setattr(type(door.access.passwords._hasher), "verify", counting)
    pages = {}
    for name, password in (("technician", "wrong"), ("nobody", "wrong"), ("viewer", doors.PASSWORD)):
        before = len(checked)
        answer = doors.sign_in(client, name, password)
        pages[name] = answer.get_data(as_text=True).replace(name, "NAME")
        assert len(checked) == before + 1
        assert answer.status_code == 403
    assert len(set(pages.values())) == 1
    assert len(set(checked)) == 1
    subjects = ("technician", "no account of that name", "viewer")
    assert [line[2:4] for line in door.trail()[-3:]] == [("sign-in failed", subject) for subject in subjects]


def test_a_name_nobody_has_is_written_nowhere_as_it_may_be_a_password(client, doors, door, tmp_path):
    doors.sign_in(client, "my-secret-typed-into-the-name", "x")
    door.store.close()
    assert b"my-secret-typed" not in (tmp_path / "door" / "records.db").read_bytes()
    assert door.trail()[-1][2:4] == ("sign-in failed", "no account of that name")


def test_signing_out_ends_a_copied_cookie(site, client, doors, door):
    doors.sign_in(client, "viewer")
    thief = site.test_client()
    thief.set_cookie(SESSION, client.get_cookie(SESSION).value)
    assert inside(thief)
    answer = client.post("/logout", headers=doors.csrf(client))
    assert (answer.status_code, answer.location) == (303, "/login")
    assert not inside(thief)
    assert not inside(client)
    assert door.trail()[-1][2:] == ("signed out", "viewer", "by the button")


def test_a_new_password_ends_every_session_and_the_old_password(site, client, doors, door):
    doors.sign_in(client, "viewer")
    other = site.test_client()
    doors.sign_in(other, "viewer")
    form = {"_csrf_token": csrf_of(client.get_cookie(SESSION).value), "current": doors.PASSWORD}
    new = "nine green bottles hang"
    answer = client.post("/account", data={**form, "new": new, "again": new})
    assert (answer.status_code, answer.location) == (303, "/login?said=password")
    assert "Your password is changed." in client.get(answer.location).get_data(as_text=True)
    assert not inside(client)
    assert not inside(other)
    assert doors.sign_in(client, "viewer").status_code == 403
    assert doors.sign_in(client, "viewer", new).status_code == 303
    assert ("viewer", "127.0.0.1", "password changed", "viewer", "2 sessions ended") in door.trail()


@pytest.mark.parametrize(
    ("change", "words", "status"),
    [
        ({"current": "wrong"}, "The password until now is not right.", 403),
        ({"again": "something different"}, "The two new passwords differ.", 400),
        ({"new": "short", "again": "short"}, "it has 5 characters, at least 15 are needed", 400),
        ({"new": "the viewer sees it", "again": "the viewer sees it"}, "name is in it", 400),
    ],
)
def test_a_new_password_that_will_not_do_changes_nothing(client, doors, door, change, words, status):
    doors.sign_in(client, "viewer")
    new = "nine green bottles hang"
    form = {"_csrf_token": csrf_of(client.get_cookie(SESSION).value), "current": doors.PASSWORD}
    answer = client.post("/account", data={**form, "new": new, "again": new, **change})
    assert answer.status_code == status
    assert words in answer.get_data(as_text=True)
    assert inside(client)
    assert "password changed" not in [line[2] for line in door.trail()]


def test_each_sign_in_has_a_token_of_its_own_and_a_planted_one_is_none(client, doors):
    planted = new_token()
    client.set_cookie(SESSION, planted)
    assert not inside(client)
    doors.sign_in(client, "viewer")
    first = client.get_cookie(SESSION).value
    assert first != planted
    client.delete_cookie("_csrf_token")
    client.set_cookie(SESSION, "")
    doors.sign_in(client, "viewer")
    assert client.get_cookie(SESSION).value not in (first, planted)


def test_signing_in_again_in_the_same_browser_ends_the_session_before(client, doors, door):
    doors.sign_in(client, "viewer")
    before = digest_of(client.get_cookie(SESSION).value)
    word = client.get_cookie("_csrf_token").value
    form = {"_csrf_token": word, "name": "technician", "password": doors.PASSWORD, "next": "/"}
    assert client.post("/login", data=form).status_code == 303
    assert door.store.sessions.find(before) is None
    assert door.store.sessions.find(digest_of(client.get_cookie(SESSION).value)).account == "technician"


def test_the_store_holds_nothing_one_could_sign_in_with(client, doors, door, tmp_path):
    doors.sign_in(client, "viewer")
    token = client.get_cookie(SESSION).value
    door.store.close()
    content = (tmp_path / "door" / "records.db").read_bytes()
    assert token.encode() not in content
    assert doors.PASSWORD.encode() not in content
    assert digest_of(token).encode() in content


def test_a_hash_of_older_parameters_is_renewed_at_signing_in(plant, doors, door):
    door.add("kl", Role.VIEWER)
    before = door.store.accounts.find("kl").password
    access = Access(door.store, Passwords(), door.clock_ns)
    client = create_app(plant, plant, access).server.test_client()
    assert doors.sign_in(client, "kl").status_code == 303
    assert inside(client)
    after = door.store.accounts.find("kl").password
    assert after != before
    assert after.startswith("$argon2id$v=19$m=65536,t=3,p=4$")  # RFC 9106, section 4, second recommended option


# ------------------------------------------------------------------------------------------- cookies


def test_the_sessions_cookie_is_out_of_reach_of_scripts_and_other_sites(client, doors):
    set_by = cookies_of(doors.sign_in(client, "viewer"))
    parts = {part.strip() for part in set_by[SESSION].split(";")}
    assert {"HttpOnly", "Path=/", "SameSite=Lax"} <= parts
    assert not {part for part in parts if part.startswith(("Domain", "Expires", "Max-Age"))}
    word = {part.strip() for part in set_by["_csrf_token"].split(";")}
    assert "SameSite=Strict" in word
    assert "HttpOnly" not in word  # the framework's script reads it


def test_behind_a_proxy_with_tls_cookies_are_secure_and_bound_to_the_host(plant, doors, tmp_path):
    secured = doors.Door(
        tmp_path / "tls", lambda: plant.now, proxied=True, names=frozenset({"presses.plant.example"})
    )
    secured.add("kl", Role.VIEWER)
    server = create_app(plant, plant, secured.access).server
    base = "https://presses.plant.example"
    client = server.test_client()
    page = client.get("/login", base_url=base)
    assert page.headers["Strict-Transport-Security"] == "max-age=31536000"
    form = {"_csrf_token": doors.word_in(page.get_data(as_text=True)), "name": "kl", "password": doors.PASSWORD}
    set_by = cookies_of(client.post("/login", data=form, base_url=base))
    assert {"__Host-asleft", "_csrf_token", secured.access.device_cookie("kl")} == set(set_by)
    assert secured.access.device_cookie("kl").startswith("__Host-asleft-device-")
    assert all("Secure" in line and "Path=/" in line and "Domain" not in line for line in set_by.values())
    assert client.get("/login", base_url="https://other.example").status_code == 421
    secured.close()


# ---------------------------------------------------------------------------------------- time-outs


def go_on(plant, minutes: float) -> None:
    plant.now += round(minutes * 60 * S)


def test_a_technician_who_does_nothing_is_signed_out_whatever_the_page_fetches(client, doors, door, plant):
    doors.sign_in(client, "technician")
    for _ in range(29):
        go_on(plant, 1)
        assert inside(client)  # what the page fetches by itself
    go_on(plant, 1.1)
    assert not inside(client)
    assert door.trail()[-1][2:] == ("signed out", "technician", "nothing was done for 30 min")
    plant.now -= 10 * 60 * S  # the clock put back does not bring it to life again
    assert not inside(client)


@pytest.mark.parametrize("sign", ["a page opened", "a key pressed"])
def test_a_sign_of_life_keeps_a_session_but_not_beyond_its_day(client, doors, door, plant, sign):
    doors.sign_in(client, "administrator")
    started = plant.now
    while plant.now - started < 11.9 * 3600 * S:
        go_on(plant, 20)
        if sign == "a page opened":
            assert client.get("/").status_code == 200
        else:
            assert client.post("/here", headers=doors.csrf(client)).status_code == 204
    go_on(plant, 20)
    assert client.get("/").status_code == 303
    assert door.trail()[-1][2:] == ("signed out", "administrator", "signed in 12 h ago")


def test_a_viewers_page_may_hang_on_a_wall_for_a_month(client, doors, plant):
    doors.sign_in(client, "viewer")
    for _ in range(29 * 24 * 3):
        go_on(plant, 20)
        assert inside(client)
    go_on(plant, 24 * 60)
    assert not inside(client)


def test_a_viewer_made_technician_falls_under_the_technicians_rules(client, doors, door, plant):
    doors.sign_in(client, "viewer")
    go_on(plant, 25)
    assert inside(client)
    door.store.accounts.set_role("viewer", Role.TECHNICIAN, doors.CHIEF, plant.now)
    go_on(plant, 29)
    assert inside(client)
    go_on(plant, 2)
    assert not inside(client)


def test_a_session_from_the_future_is_none(client, doors, plant):
    doors.sign_in(client, "viewer")
    go_on(plant, -61)
    assert not inside(client)


# ----------------------------------------------------------------------------------------- throttle


def test_guessing_gets_slower_for_known_and_unknown_names_alike(client, doors, door, plant):
    for name in ("technician", "nobody"):
        for _ in range(PER_ACCOUNT.free + 1):
            assert doors.sign_in(client, name, "wrong").status_code == 403
        answer = doors.sign_in(client, name, doors.PASSWORD)  # right or not: it is not even looked at
        assert answer.status_code == 429
        assert answer.headers["Retry-After"] == "5"
        assert "The next one is possible in 5 s." in answer.get_data(as_text=True)
    assert door.trail()[-1][4] == "5 in a row"
    plant.now += 5 * S
    assert doors.sign_in(client, "technician").status_code == 303


def test_the_throttle_outlives_a_restart_of_the_dashboard(plant, client, doors, door, tmp_path):
    for _ in range(PER_ACCOUNT.free + 1):
        doors.sign_in(client, "technician", "wrong")
    again = open_access(tmp_path / "door" / "records.db")
    restarted = create_app(plant, plant, Access(again, doors.quick(), door.clock_ns)).server.test_client()
    assert doors.sign_in(restarted, "technician").status_code == 429
    again.close()


def test_one_machine_that_tries_many_names_is_slowed_down_and_others_are_not(client, doors):
    for number in range(PER_ADDRESS.free + 1):
        assert doors.sign_in(client, f"name-{number}", "wrong", address="10.0.0.9").status_code == 403
    assert doors.sign_in(client, "technician", address="10.0.0.9").status_code == 429
    assert doors.sign_in(client, "technician", address="10.0.0.10").status_code == 303


def test_guessing_the_present_password_from_an_open_session_is_throttled_too(client, doors):
    doors.sign_in(client, "viewer")
    new = "nine green bottles hang"
    form = {"_csrf_token": csrf_of(client.get_cookie(SESSION).value), "new": new, "again": new}
    codes = [client.post("/account", data={**form, "current": f"guess {n}"}).status_code for n in range(7)]
    assert codes == [403] * (PER_ACCOUNT.free + 1) + [429, 429]


def test_ipv6_counts_by_its_network():
    assert throttled_as("2001:db8:1:2:aaaa::1") == throttled_as("2001:db8:1:2:bbbb::9") == "2001:db8:1:2::/64"
    assert throttled_as("2001:db8:1:3::1") != throttled_as("2001:db8:1:2::1")
    assert throttled_as("::ffff:10.0.0.1") == throttled_as("10.0.0.1") == "10.0.0.1"
    assert throttled_as("unknown") == "unknown"


def test_too_many_at_once_are_told_to_try_again(client, doors, door, monkeypatch):
    def busy(*_):
        raise Busy

    monkeypatch.setattr(door.access.passwords, "right", busy)
    answer = doors.sign_in(client, "viewer")
    assert answer.status_code == 503
    assert "Try again." in answer.get_data(as_text=True)


# ------------------------------------------------------------------------- a store that takes no more


def test_where_nothing_can_be_written_down_nobody_new_comes_in_and_who_is_in_reads_on(
    site, client, doors, door, plant
):
    """As on a full disk: the audit trail fails shut, pages on the wall stay."""
    doors.sign_in(client, "viewer")
    with writing(door.store._engine) as connection:
        for table, change in (("audit", "INSERT"), ("web_session", "UPDATE"), ("web_session", "DELETE")):
            refuse = f"BEFORE {change} ON {table} BEGIN SELECT RAISE(ABORT, 'full'); END"
            connection.execute(text(f"CREATE TRIGGER full_{table}_{change} {refuse}"))
    go_on(plant, 5)
    assert inside(client)
    other = site.test_client()
    site.config["PROPAGATE_EXCEPTIONS"] = False
    assert doors.sign_in(other, "technician").status_code == 500
    assert doors.sign_in(other, "technician", "wrong").status_code == 500
    assert not inside(other)
    go_on(plant, 31)
    assert not inside(client)  # the end of its time holds all the same


# --------------------------------------------------------------------------- requests that are forged


def test_changes_need_the_sessions_word(client, doors):
    doors.sign_in(client, "viewer")
    word = client.get_cookie("_csrf_token").value
    assert word == csrf_of(client.get_cookie(SESSION).value)
    callback = {"output": "..presses-parts.data...presses-tags.data..", "inputs": [], "outputs": [], "state": []}
    for headers in ({}, {"X-CSRFToken": ""}, {"X-CSRFToken": "x" * 64}, {"X-CSRFToken": word[:-1]}):
        for path in ("/here", "/logout", "/_dash-update-component"):
            assert client.post(path, json=callback, headers=headers).status_code == 403, (path, headers)
    assert client.post("/account", data={"current": doors.PASSWORD}).status_code == 403
    assert inside(client)
    assert client.post("/here", headers={"X-CSRFToken": word}).status_code == 204


def test_the_word_of_another_session_is_none(site, client, doors):
    doors.sign_in(client, "viewer")
    other = site.test_client()
    doors.sign_in(other, "technician")
    assert client.post("/here", headers=doors.csrf(other)).status_code == 403
    client.set_cookie("_csrf_token", other.get_cookie("_csrf_token").value)  # nor does setting both help
    assert client.post("/here", headers=doors.csrf(client)).status_code == 403


@pytest.mark.parametrize(
    ("headers", "let_in"),
    [
        ({"Origin": "http://evil.example"}, False),
        ({"Origin": "null"}, False),
        ({"Origin": "http://localhost.evil.example"}, False),
        ({"Origin": "http://localhost:8051"}, False),
        ({"Sec-Fetch-Site": "cross-site"}, False),
        ({"Sec-Fetch-Site": "same-site"}, False),
        ({"Origin": "http://localhost", "Sec-Fetch-Site": "same-origin"}, True),
        ({}, True),
    ],
)
def test_what_another_site_sends_is_refused_even_with_the_word(client, doors, headers, let_in):
    doors.sign_in(client, "viewer")
    answer = client.post("/here", headers={**doors.csrf(client), **headers})
    assert answer.status_code == (204 if let_in else 403)


def test_nobody_can_be_signed_in_by_another_site(client, doors):
    """The form repeats a word that only this browser's own page could know."""
    form = {"name": "viewer", "password": doors.PASSWORD, "next": "/"}
    assert client.post("/login", data=form).status_code == 400
    client.get("/login")
    assert client.post("/login", data={**form, "_csrf_token": new_token()}).status_code == 400
    word = client.get_cookie("_csrf_token").value
    evil = {"Origin": "http://evil.example"}
    assert client.post("/login", data={**form, "_csrf_token": word}, headers=evil).status_code == 403
    assert client.post("/login", data={**form, "_csrf_token": word}).status_code == 303


@pytest.mark.parametrize(
    ("asked", "led"),
    [
        ("/", "/"),
        ("/valve/press-2.clamp?span=1h", "/valve/press-2.clamp?span=1h"),
        ("/valve/a%20b", "/valve/a%20b"),
        ("", "/"),
        ("//evil.example", "/"),
        ("///evil.example", "/"),
        ("/\\evil.example", "/"),
        ("\\\\evil.example", "/"),
        ("https://evil.example/", "/"),
        ("javascript:alert(1)", "/"),
        ("/\tevil", "/"),
        ("/\n/evil.example", "/"),
        (" //evil.example", "/"),
        ("/login?next=/login", "/"),
        ("valve", "/"),
        ("/ü", "/"),
    ],
)
def test_signing_in_leads_nowhere_else(asked, led):
    assert safe_path(asked) == led


def test_what_is_typed_comes_back_as_text(client, doors):
    text = doors.sign_in(client, '"><script>alert(1)</script>', "x").get_data(as_text=True)
    assert "<script" not in text
    assert "&lt;script&gt;" in text
    page = client.get("/login?next=/%22%3E%3Cscript%3E&said=%3Cscript%3E").get_data(as_text=True)
    assert "<script" not in page


def test_pages_with_a_secret_are_not_packed(client, doors):
    packed = {"Accept-Encoding": "gzip"}
    assert "Content-Encoding" not in client.get("/login", headers=packed).headers
    doors.sign_in(client, "viewer")
    assert "Content-Encoding" not in client.get("/account", headers=packed).headers
    assert client.get("/_dash-dependencies", headers=packed).headers["Content-Encoding"] == "gzip"


# ----------------------------------------------------------------------------------- without accounts


def test_the_first_account_shuts_a_dashboard_that_runs_and_removing_it_does_not_open_it(plant, doors, door):
    client = create_app(plant, plant, door.access, clock_ns=lambda: plant.now).server.test_client()
    assert inside(client)
    assert client.get("/login").location == "/"
    assert client.get("/account").location == "/"
    assert client.get("/audit").status_code == 403
    door.add("kl", Role.ADMINISTRATOR)
    assert not inside(client)
    assert client.get("/").location == "/login"
    door.store.accounts.remove("kl", doors.CHIEF, door.clock_ns())
    assert not inside(client)


@pytest.mark.parametrize("where", ["name", "password"])
def test_a_flood_of_marks_at_the_door_is_cut_and_counted(client, doors, monkeypatch, where):
    """What is too long is one failed try like any other, and no work that grows with the square of it."""
    lengths: list[int] = []
    monkeypatch.setattr("asleft.web.access.passwords.unicodedata", counting(lengths))
    typed = {"name": "technician", "password": doors.PASSWORD, where: "a" + "\u0316\u0301" * 30_000}
    codes = {doors.sign_in(client, typed["name"], typed["password"]).status_code for _ in range(PER_ACCOUNT.free + 2)}
    assert codes == {403, 429}
    assert max(lengths) <= 2000


def counting(lengths: list[int]):
    class Counting:
        @staticmethod
        def normalize(form: str, text: str) -> str:
            lengths.append(len(text))
            return unicodedata.normalize(form, text)

    return Counting
