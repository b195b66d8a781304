"""An administrator sees who is signed in where, and ends sessions of any account, one by one."""

from __future__ import annotations

import re

import pytest
from asleft.store.accounts import Role
from asleft.web.access import roles
from asleft.web.access.visitor import csrf_of
from asleft.web.app import create_app

S = 10**9
PAGE = "/sessions"


@pytest.fixture
def site(plant, door):
    door.add_one_of_each()
    return create_app(plant, plant, door.access, clock_ns=lambda: plant.now).server


@pytest.fixture
def signed_in(site, doors):
    def make(name: str, address: str = "127.0.0.1"):
        client = site.test_client()
        assert doors.sign_in(client, name, address=address).status_code == 303
        return client

    return make


def end(client, account: str, short: str):
    word = csrf_of(client.get_cookie("asleft_session").value)
    return client.post(PAGE, data={"_csrf_token": word, "account": account, "session": short})


def inside(client) -> bool:
    return client.get("/_dash-layout").status_code == 200


def test_sessions_of_everybody_are_listed_and_one_is_ended(signed_in, plant, door):
    boss = signed_in("administrator")
    plant.now += 60 * S
    first, second = signed_in("technician", "10.0.0.8"), signed_in("technician", "10.0.0.9")
    text = boss.get(PAGE).get_data(as_text=True)
    assert "Two people are signed in, in three browsers." in text
    assert "Not signed in: viewer." in text
    assert text.count("This browser.") == 1
    shorts = {one.address: one.short for one in door.store.sessions.of("technician")}
    assert set(re.findall(r'name="session" value="([0-9a-f]+)"', text)) == set(shorts.values())
    assert not any(one.digest in text for one in door.store.sessions.of(None))
    answer = end(boss, "technician", shorts["10.0.0.8"])
    assert (answer.status_code, answer.location) == (303, "/sessions?said=ended")
    assert "That session has ended." in boss.get(answer.location).get_data(as_text=True)
    assert [inside(one) for one in (boss, first, second)] == [True, False, True]
    line = door.trail()[-1]
    assert line == ("administrator", "127.0.0.1", "signed out", "technician", "ended by an administrator")


@pytest.mark.parametrize(
    ("account", "short"), [("technician", "0" * 12), ("technician", ""), ("nobody", ""), ("", "")]
)
def test_what_is_no_session_ends_nothing_and_writes_nothing(signed_in, door, account, short):
    boss, other = signed_in("administrator"), signed_in("technician")
    before = door.trail()
    assert end(boss, account, short).location == "/sessions?said=gone"
    assert door.trail() == before
    assert inside(other)


def test_a_session_is_ended_only_under_its_own_account(signed_in, door):
    boss, other = signed_in("administrator"), signed_in("technician")
    assert end(boss, "viewer", door.store.sessions.of("technician")[0].short).location == "/sessions?said=gone"
    assert inside(other)


def test_only_administrators_see_it_or_end_anything(site, signed_in, door):
    assert roles.route_role(PAGE, changes=False) is roles.route_role(PAGE, changes=True) is Role.ADMINISTRATOR
    boss = signed_in("administrator")
    short = door.store.sessions.of("administrator")[0].short
    for name in ("viewer", "technician"):
        client = signed_in(name)
        assert client.get(PAGE).status_code == 403
        assert end(client, "administrator", short).status_code == 403
        assert 'href="/sessions"' not in client.get("/alarms").get_data(as_text=True)
    assert site.test_client().get(PAGE).location.startswith("/login")
    assert inside(boss)
    assert 'href="/sessions"' in boss.get("/alarms").get_data(as_text=True)


def test_without_the_word_of_the_page_nothing_is_ended(signed_in, door):
    boss, other = signed_in("administrator"), signed_in("technician")
    form = {"account": "technician", "session": door.store.sessions.of("technician")[0].short}
    assert boss.post(PAGE, data=form).status_code == 403
    assert boss.post(PAGE, data={**form, "_csrf_token": "x"}).status_code == 403
    assert inside(other)


def test_where_a_second_factor_is_required_an_administrator_without_it_ends_nobody(plant, doors, tmp_path):
    strict = doors.Door(tmp_path / "strict", lambda: plant.now, second_factor=True)
    strict.add_one_of_each()
    site = create_app(plant, plant, strict.access, clock_ns=lambda: plant.now).server
    boss, other = site.test_client(), site.test_client()
    doors.sign_in(boss, "administrator")
    doors.sign_in(other, "technician")
    assert boss.get(PAGE).status_code == 403
    assert end(boss, "technician", strict.store.sessions.of("technician")[0].short).status_code == 403
    assert inside(other)
    strict.close()


def test_a_name_that_looks_like_markup_is_text(signed_in, door):
    door.add("<b>kl</b>", Role.VIEWER)
    boss = signed_in("administrator")
    signed_in("<b>kl</b>")
    text = boss.get(PAGE).get_data(as_text=True)
    assert "<b>kl</b>" not in text
    assert "&lt;b&gt;kl&lt;/b&gt;" in text


def test_on_a_machine_without_accounts_there_is_nobody_to_see(plant, door):
    client = create_app(plant, plant, door.access, clock_ns=lambda: plant.now).server.test_client()
    assert client.get(PAGE).status_code == 403
