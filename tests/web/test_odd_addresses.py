"""Addresses that nobody would type: none is a fault of the server, and what is not there answers 404."""

from __future__ import annotations

import re

import pytest
from asleft.web.app import create_app
from sqlalchemy.exc import DataError

ODD = (
    str(2**63),
    str(2**31),
    "9" * 5000,
    "-1",
    "0",
    "1" * 18,
    "\u0661",
    "%00",
    "\x00",
    "a\x00b",
    "..",
    "../../etc/passwd",
    "%2e%2e%2f",
    "x" * 5000,
    "a" + "\u0316\u0301" * 2000,
    "\ud7ff\uffff",
    "{valve}",
    "%s",
    "press-2.clamp/..",
    "press-2.clamp\n",
    ".",
    " ",
)
METHODS = ("GET", "POST")


@pytest.fixture
def server(app):
    app.server.config["PROPAGATE_EXCEPTIONS"] = False
    return app.server


@pytest.fixture
def boss(server, doors):
    made = server.test_client()
    assert doors.sign_in(made, "administrator").status_code == 303
    return made


def addresses(server) -> list[str]:
    """Every rule with every odd value in each of its places, the other places as they should be."""
    found = []
    for rule in server.url_map.iter_rules():
        places = re.findall(r"<[^>]+>", rule.rule)
        for place in places:
            for odd in ODD:
                path = rule.rule.replace(place, odd)
                for other in places:
                    path = path.replace(other, "1" if "int" in other else "press-2.clamp")
                found.append(path)
    return found


@pytest.mark.parametrize("method", METHODS)
def test_no_address_is_a_fault_of_the_server(server, boss, doors, method):
    found = addresses(server)
    assert len(found) > 500
    broken = []
    for path in found:
        answer = boss.open("/", method=method, environ_overrides={"PATH_INFO": _wsgi(path)}, headers=doors.csrf(boss))
        if answer.status_code >= 500:
            broken.append((path[:60], answer.status_code))
    assert broken == []


CHOICES = (
    *("from", "to", "kind", "paper", "as", "revision", "old", "new", "valve", "said", "do", "plant_from", "plant_to"),
    *("left_from", "left_to", "found_from", "found_to", "before_from", "before_to", "after_from", "after_to", "next"),
    *(
        "act",
        "seen",
        "seq",
        "hours",
        "found",
        "until",
        "why",
        "by",
        "at",
        "after",
        "unit",
        "toml",
        "spare",
        "contact",
    ),
    *("signal_low", "ramp_up", "current_at_zero", "units", "span", "show", "press", "state"),
)


@pytest.mark.parametrize("method", METHODS)
def test_no_choice_in_an_address_or_a_form_is_one_either(server, boss, doors, method):
    broken = []
    rules = {re.sub(r"<[^>]*int[^>]*>", "1", rule.rule) for rule in server.url_map.iter_rules()} - {"/logout"}
    paths = [re.sub(r"<any[^>]+>|<[^>]*:kind>", "json", rule) for rule in sorted(rules)]
    for path in (re.sub(r"<[^>]+>", "press-2.clamp", path) for path in paths):
        for odd in (str(2**63), "9" * 5000, "a\x00b", "\uffff"):
            given = dict.fromkeys(CHOICES, odd)
            where = {"query_string": given} if method == "GET" else {"data": given}
            answer = boss.open(path, method=method, headers=doors.csrf(boss), **where)
            if answer.status_code >= 500:
                broken.append((path, odd[:30], answer.status_code))
    assert broken == []


def _wsgi(path: str) -> str:
    return path.encode("utf-8", "surrogatepass").decode("latin-1")


THERE = ("/", "/health", "/health/", "/audit", "/audit/17", "/valve/press-2.clamp", "/alarms", "/sheets", "/start")
NOT_THERE = (
    "/nonsense",
    "/valve",
    "/valve/",
    "/valve/none",
    "/valve/press-2.clamp/more",
    "/healthy",
    "/health/more",
    "/audit/x",
    "/audit/1/2",
    f"/audit/{'1' * 30}",
    "/assets/none.css",
    "/_dash-component-suites/dash/none.js",
    "/_dash-component-suites/os/os.py",
    "/report/none.pdf",
    "/sheets/none",
    f"/verification/press-2.clamp/{2**63}",
    f"/sheets/press-2.clamp/file/{2**63}",
    "/verification/press-2.clamp/99",
    "/csv/none/states",
    "/alarms/none",
)


@pytest.fixture
def anybody(plant, door):
    """The dashboard without accounts."""
    server = create_app(plant, plant, door.access, clock_ns=lambda: plant.now).server
    server.config["PROPAGATE_EXCEPTIONS"] = False
    return server.test_client()


@pytest.mark.parametrize("who", ["boss", "anybody"])
def test_what_is_not_there_answers_404_and_what_is_200(who, request):
    client = request.getfixturevalue(who)
    found = {path: client.get(path).status_code for path in THERE}
    if who == "anybody":
        assert {found.pop("/audit"), found.pop("/audit/17")} == {403}  # there, and for administrators
    assert set(found.values()) == {200}, found
    assert {path: client.get(path).status_code for path in NOT_THERE} == dict.fromkeys(NOT_THERE, 404)


def test_what_a_database_does_not_hold_is_refused_as_wrong_and_not_as_a_fault(server, doors, door, monkeypatch):
    """PostgreSQL takes no character of code zero; SQLite does, so its refusal is put in its place."""

    def refuse(*_):
        raise DataError("SELECT", {}, ValueError("PostgreSQL text fields cannot contain NUL (0x00) bytes"))

    monkeypatch.setattr(door.store.accounts, "find", refuse)
    assert doors.sign_in(server.test_client(), "a\x00b").status_code == 400


def test_a_page_that_is_not_there_still_says_where_to_go_on(boss):
    answer = boss.get("/nonsense")
    assert answer.status_code == 404
    text = answer.get_data(as_text=True)
    assert '<nav aria-label="Pages"' in text
    assert "There is no page at this address." in text


def test_whether_there_is_a_page_is_nothing_for_strangers(server):
    client = server.test_client()
    assert {client.get(path).status_code for path in ("/valve/none", "/valve/press-2.clamp", "/nonsense")} == {303}
