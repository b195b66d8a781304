"""The interface for programs: who gets in, what they see, pages, ETags, faults, and files."""

from __future__ import annotations

import io
import json
import re

import msgspec
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from asleft.store.accounts import Role
from asleft.store.tokens import TokenExists
from asleft.web.access import roles
from asleft.web.access.programs import Rates
from asleft.web.access.visitor import digest_of
from asleft.web.api.answers import written
from asleft.web.api.routes import RESOURCES, ROOT
from asleft.web.app import create_app

V = "press-2.clamp"
OTHER = "press-3.platen"
S = 10**9
DAY_NS = 86_400 * S
PROBLEM = "application/problem+json"
PATHS = [ROOT + row.path.replace("<valve>", V).replace("<int:number>", "3") for row in RESOURCES]


@pytest.fixture
def app(plant, desked, door):
    door.add_one_of_each()
    return create_app(plant, desked, door.access, clock_ns=lambda: plant.now)


@pytest.fixture
def client(app):
    """Nobody: no cookie, no token."""
    return app.server.test_client()


@pytest.fixture
def token(door, doors):
    """Makes tokens; gives the header that carries one."""

    def make(name="t", role=Role.VIEWER, valves=None, days=1):
        now = door.clock_ns()
        door.store.tokens.add(name, digest_of(f"secret {name}"), role, valves, now + days * DAY_NS, doors.CHIEF, now)
        return {"Authorization": f"Bearer secret {name}"}

    return make


@pytest.fixture(autouse=True)
def alarms(desked, plant):
    desked.raise_usual(plant.now)


@pytest.fixture
def unbounded(monkeypatch):
    """As many requests as one likes."""
    monkeypatch.setattr(Rates, "wait_s", lambda *_: 0.0)


def problem_of(answer, status):
    assert (answer.status_code, answer.headers["Content-Type"]) == (status, PROBLEM), answer.get_data(as_text=True)
    found = answer.get_json(force=True)
    assert (found["status"], found["type"]) == (status, "about:blank")
    assert found["title"]
    assert found["detail"]
    return found


# ------------------------------------------------------------------------------------------ who gets in


def test_nobody_gets_in_without_a_token(client):
    for path in PATHS:
        answer = client.get(path)
        problem_of(answer, 401)
        assert answer.headers["WWW-Authenticate"].startswith("Bearer")


def test_a_token_gets_in_to_this_interface_and_nowhere_else(client, token):
    header = token()
    assert client.get(f"{ROOT}/valves", headers=header).status_code == 200
    assert client.get("/csv/presses", headers=header).status_code == 303  # to the door
    assert client.get("/", headers=header).status_code == 303


def test_what_is_no_token_gets_nobody_in(client, token):
    token()
    wrong = ("Bearer", "Bearer ", "Bearer wrong", "Basic c2VjcmV0IHQ=", "Bearer  secret t", "secret t")
    for given in (*wrong, "Bearer " + "x" * 10_000):
        problem_of(client.get(f"{ROOT}/valves", headers={"Authorization": given}), 401)


def test_a_wrong_token_is_refused_even_of_somebody_signed_in(client, doors):
    doors.sign_in(client, "viewer")
    assert client.get(f"{ROOT}/valves").status_code == 200
    problem_of(client.get(f"{ROOT}/valves", headers={"Authorization": "Bearer wrong"}), 401)


def test_the_last_use_of_a_token_is_written_down_once_a_minute(client, door, token, plant):
    headers, began_ns = token("historian"), plant.now
    for wait_s, used in ((0, 0), (30, 0), (40, 70)):
        plant.now += wait_s * 10**9
        assert client.get(f"{ROOT}/valves", headers=headers).status_code == 200
        (found,) = door.store.tokens.all()
        assert found.used_at_ns == began_ns + used * 10**9


def test_a_token_ends_by_itself_and_by_being_revoked(client, door, doors, token, plant):
    short, long = token("short", days=1), token("long", days=30)
    plant.now += DAY_NS - 1
    assert client.get(f"{ROOT}/sheets", headers=short).status_code == 200
    plant.now += 1
    problem_of(client.get(f"{ROOT}/sheets", headers=short), 401)
    assert client.get(f"{ROOT}/sheets", headers=long).status_code == 200
    assert door.store.tokens.revoke("long", doors.CHIEF, plant.now)
    problem_of(client.get(f"{ROOT}/sheets", headers=long), 401)
    assert not door.store.tokens.revoke("long", doors.CHIEF, plant.now)
    with pytest.raises(TokenExists):
        token("long")
    assert [(what, on) for _, _, what, on, _ in door.trail() if what.startswith("token")] == [
        ("token made", "short"),
        ("token made", "long"),
        ("token revoked", "long"),
    ]


def test_nothing_that_lets_in_is_stored(token, tmp_path):
    token("t")
    assert b"secret t" not in (tmp_path / "door" / "records.db").read_bytes()


def test_a_resource_that_asks_for_more_refuses_a_viewers_token(client, token, monkeypatch):
    needs = {**roles.ROUTES, f"{ROOT}/valves": Role.ADMINISTRATOR}
    monkeypatch.setattr(roles, "ROUTES", needs)
    problem_of(client.get(f"{ROOT}/valves", headers=token("low")), 403)
    assert client.get(f"{ROOT}/valves", headers=token("high", Role.ADMINISTRATOR)).status_code == 200


def test_a_token_of_some_valves_sees_no_other_anywhere(client, token):
    header = token(valves=[V])
    for row in RESOURCES:
        path = ROOT + row.path.replace("<int:number>", "3")
        if "<valve>" in path:
            hidden = client.get(path.replace("<valve>", OTHER), headers=header)
            nowhere = client.get(path.replace("<valve>", "no-such-valve"), headers=header)
            told = [problem_of(one, 404)["detail"] for one in (hidden, nowhere)]
            assert told[0].replace(OTHER, "") == told[1].replace("no-such-valve", "")
        else:
            whole = client.get(path, headers=header).get_json()
            assert {one.get("valve", one.get("id")) for one in whole["data"]} <= {V}, path
            assert OTHER not in client.get(path, headers=header).get_data(as_text=True)
    everything = token("all")
    assert len(client.get(f"{ROOT}/valves", headers=everything).get_json()["data"]) == 8


def test_it_only_reads(client, token):
    header = token()
    for path in (*PATHS, f"{ROOT}/openapi.json", "/api/", "/api/v1/nothing", "/api/v2/valves"):
        for method in ("POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE", "PROPFIND"):
            answer = client.open(path, method=method, headers=header)
            problem_of(answer, 405)
            assert answer.headers["Allow"] == "GET, HEAD"


def test_what_is_not_there_is_said_so(client, token):
    header = token()
    for path in ("/api/v1/nothing", "/api/v2/valves", f"{ROOT}/valves/{V}/sheets/x", f"{ROOT}/valves/{V}/sheets/99"):
        problem_of(client.get(path, headers=header), 404)


def test_without_accounts_the_machine_itself_asks_without_a_token(plant, door):
    client = create_app(plant, plant, door.access, clock_ns=lambda: plant.now).server.test_client()
    assert client.get(f"{ROOT}/valves").status_code == 200
    problem_of(client.get(f"{ROOT}/valves", headers={"Authorization": "Bearer wrong"}), 401)


def test_requests_are_let_in_at_a_rate():
    at = [0.0]
    rates = Rates(per_s=2.0, burst=3.0, clock_s=lambda: at[0])
    assert [rates.wait_s("a") for _ in range(4)] == [0.0, 0.0, 0.0, 0.5]
    assert rates.wait_s("b") == 0.0
    at[0] = 0.5
    assert [rates.wait_s("a") for _ in range(2)] == [0.0, 0.5]
    for n in range(10_000):
        rates.wait_s(f"x{n}")
    assert len(rates._known) <= 4096


def test_too_many_requests_are_told_when_to_come_again(client, token):
    good, other = token("good"), token("other")
    answers = [client.get(f"{ROOT}/records", headers=good) for _ in range(140)]
    late = [one for one in answers if one.status_code == 429]
    assert late
    assert int(late[0].headers["Retry-After"]) >= 1
    problem_of(late[0], 429)
    assert client.get(f"{ROOT}/records", headers=other).status_code == 200
    wrong = {"Authorization": "Bearer wrong"}
    assert 429 in {client.get(f"{ROOT}/records", headers=wrong).status_code for _ in range(140)}
    assert client.get(f"{ROOT}/records", headers=other).status_code == 200  # from the same address


# ------------------------------------------------------------------------------------------ what is answered


def test_every_answer_names_its_form_and_units_and_is_of_its_type(client, door, doors, token, plant):
    header = token()
    for number in range(3):
        door.store.verifications.put(V, plant.now, 3, f"[{number}]", doors.CHIEF, accepted=True)
    for row, path in zip(RESOURCES, PATHS, strict=True):
        answer = client.get(path, headers=header)
        assert answer.status_code == 200, answer.get_data(as_text=True)
        found = msgspec.json.decode(answer.get_data(), type=row.answer)
        assert (found.schema.name, found.schema.version) == (f"asleft.{row.name}", 1)
        assert isinstance(found.units, dict)
        assert answer.headers["Cache-Control"] == "private, no-cache"
        assert {"Authorization", "Cookie"} <= set(answer.vary)


def test_a_setting_is_what_was_judged(client, token, plant):
    found = client.get(f"{ROOT}/valves/{V}/judgement", headers=token()).get_json()["data"]
    judged = {one["id"]: one for one in plant.judgement(V)["quantities"]}
    up = next(one for one in found["quantities"] if one["id"] == "ramp_up")
    assert (up["unit"], up["as_left"], up["verdict"]) == ("s", 1.6, "out")
    assert up["as_found"] == judged["ramp_up"]["as_found"]
    assert up["expanded_uncertainty"] == judged["ramp_up"]["uncertainty"]


def test_what_was_not_observed_has_a_reason_and_no_figure(client, token):
    found = client.get(f"{ROOT}/valves/press-2.platen/judgement", headers=token()).get_json()["data"]
    up = next(one for one in found["quantities"] if one["id"] == "ramp_up")
    assert (up["verdict"], up["as_found"], up["tolerance_used_percent"]) == ("not-observed", None, None)
    assert up["reason"] == "the controller makes its own ramps"
    assert up["known_at_most"] == 0.8


def test_a_silent_valve_is_not_called_good(client, token, plant):
    header = token()
    good = [
        one["id"]
        for one in client.get(f"{ROOT}/valves", headers=header).get_json()["data"]
        if one["status"] == "good"
    ]
    assert good
    plant.reading_lag_ns = 3600 * S
    plant.now += 3 * S
    rows = {one["id"]: one for one in client.get(f"{ROOT}/valves", headers=header).get_json()["data"]}
    assert [rows[valve]["status"] for valve in good] == ["not-judged"] * len(good)
    judged = client.get(f"{ROOT}/valves/{good[0]}/judgement", headers=header).get_json()["data"]
    assert (judged["status"], judged["judged_status"], judged["data"]) == ("not-judged", "good", "silent")


@pytest.mark.usefixtures("unbounded")
@pytest.mark.parametrize("limit", [1, 3])
def test_pages_lead_through_all_and_nothing_twice(client, token, limit):
    header = token()
    for path in ("/valves", "/judgements", "/findings", "/alarms", "/sheets", f"/valves/{V}/sheets"):
        assert through(client, header, path, limit) > 0


def through(client, header, path, limit) -> int:
    whole = client.get(f"{ROOT}{path}?limit=1000", headers=header).get_json()
    assert whole["next"] is None
    found, cursor = [], ""
    for _ in range(60):
        page = client.get(f"{ROOT}{path}", query_string={"limit": limit, "cursor": cursor}, headers=header).get_json()
        assert len(page["data"]) <= limit
        found += page["data"]
        cursor = page["next"]
        if cursor is None:
            break
    assert found == whole["data"]
    return len(found)


def test_pages_of_history_lead_through_every_point(client, token, plant):
    header, path = token(), f"{ROOT}/valves/{V}/history"
    span = {"quantity": "ramp_up", "limit": 7}
    found, cursor = [], ""
    while cursor is not None:
        page = client.get(path, query_string={**span, "cursor": cursor}, headers=header).get_json()
        found += page["data"]
        cursor = page["next"]
    points = plant.points(V, "ramp_up", plant.now - 30 * DAY_NS, plant.now)
    assert len(points) > 7
    assert [one["value"] for one in found] == [point.value for point in points]
    assert {one["unit"] for one in found} == {"s"}


def test_pages_of_readings_lead_through_every_row(client, token, plant):
    header, path = token(), f"{ROOT}/valves/{V}/readings"
    span = {"from": "2026-11-24T15:00:00Z", "to": "2026-11-24T15:01:00Z"}
    found, cursor = [], ""
    while cursor is not None:
        page = client.get(path, query_string={**span, "limit": 999, "cursor": cursor}, headers=header).get_json()
        assert page["units"]["current"] == "A"
        assert {len(column) for column in page["data"]["channels"].values()} == {len(page["data"]["time"])}
        found += zip(page["data"]["time"], page["data"]["channels"]["current"], strict=True)
        cursor = page["next"]
    stored = plant.samples(V, 1_795_532_400 * S, 1_795_532_460 * S)
    assert stored.time_ns.size > 999
    assert [value for _, value in found] == stored.channels["current"].tolist()
    assert pd.to_datetime([at for at, _ in found]).as_unit("us").asi8.tolist() == (stored.time_ns // 1000).tolist()


@pytest.mark.parametrize("kind", ["arrow", "parquet"])
@pytest.mark.parametrize("what", ["readings", "history"])
def test_long_ones_come_as_files_that_arrow_reads(client, token, plant, kind, what):
    span = {"from": "2026-11-24T14:50:00Z", "to": "2026-11-24T15:00:00Z", "format": kind}
    if what == "history":
        span = {"format": kind}
    answer = client.get(f"{ROOT}/valves/{V}/{what}", query_string=span, headers=token())
    assert answer.mimetype.startswith("application/vnd.apache.")
    body = io.BytesIO(answer.get_data())
    table = pa.ipc.open_stream(body).read_all() if kind == "arrow" else pq.read_table(body)
    about = {key.decode(): value.decode() for key, value in table.schema.metadata.items()}
    assert (about["schema"], about["version"], about["valve"]) == (f"asleft.{what}", "1", V)
    assert str(table.schema.field("time").type) == "timestamp[ns, tz=UTC]"
    if what == "readings":
        stored = plant.samples(V, 1_795_531_800 * S, 1_795_532_400 * S)
        assert table.schema.field("pressure").metadata[b"unit"] == b"bar"
        assert table["time"].cast("int64").to_pylist() == stored.time_ns.tolist()
        assert table["pressure"].to_pylist() == stored.channels["pressure"].tolist()
    else:
        ramps = table.to_pandas().query("quantity == 'ramp_up'")
        points = plant.points(V, "ramp_up", plant.now - 30 * DAY_NS, plant.now)
        assert ramps["value"].tolist() == [point.value for point in points]


def test_a_held_answer_is_not_sent_again(client, token):
    header = token()
    first = client.get(f"{ROOT}/sheets", headers=header)
    tag = first.headers["ETag"]
    for held in (tag, f"W/{tag}", f'"other", {tag}', "*"):
        again = client.get(f"{ROOT}/sheets", headers={**header, "If-None-Match": held})
        assert (again.status_code, again.get_data()) == (304, b"")
    assert client.get(f"{ROOT}/sheets", headers={**header, "If-None-Match": '"other"'}).status_code == 200
    packed = client.get(f"{ROOT}/sheets", headers={**header, "Accept-Encoding": "gzip"})
    assert packed.headers["Content-Encoding"] == "gzip"
    again = client.get(f"{ROOT}/sheets", headers={**header, "If-None-Match": packed.headers["ETag"]})
    assert again.status_code == 304


def test_head_is_get_without_the_body(client, token):
    header = token()
    whole, head = (getattr(client, how)(f"{ROOT}/valves", headers=header) for how in ("get", "head"))
    assert (head.status_code, head.get_data()) == (200, b"")
    assert head.headers["ETag"] == whole.headers["ETag"]


FAULTS = (
    ("/valves?limit=0", "limit", "limit = '0': Expected `int` >= 1"),
    ("/valves?limit=1001", "limit", "<= 1000"),
    ("/valves?limit=many", "limit", "Expected `int`"),
    ("/valves?page=2", "page", "it takes limit, cursor"),
    ("/valves?limit=1&limit=2", "limit", "given 2 times"),
    ("/valves?cursor=zz", "cursor", "no answer has given this one"),
    ("/valves/press-2.clamp?limit=1", "limit", "it takes none"),
    ("/findings?valve=Press", "valve", "matching regex"),
    ("/alarms?waiting=perhaps", "waiting", "bool"),
    ("/valves/press-2.clamp/history?quantity=colour", "quantity", "ramp_up"),
    ("/valves/press-2.clamp/history?from=yesterday", "from", "wanted is a time"),
    ("/valves/press-2.clamp/history?from=2020-01-01T00:00:00Z", "from", "at most"),
    ("/valves/press-2.clamp/readings?from=2026-11-01T00:00:00Z", "from", "at most 24 h"),
    ("/valves/press-2.clamp/readings?to=2026-11-01T00:00:00Z&from=2026-11-01T00:00:00Z", "from", "before to"),
    ("/valves/press-2.clamp/readings?format=xml", "format", "xml"),
    ("/valves/press-2.clamp/readings?limit=50001", "limit", "50000"),
)


def test_a_fault_names_field_value_and_limit(client, token):
    header = token()
    for path, field, words in FAULTS:
        found = problem_of(client.get(ROOT + path, headers=header), 400)
        assert found["field"] == field
        assert words in found["detail"]


@pytest.mark.usefixtures("unbounded")
def test_a_cursor_of_another_list_leads_to_no_fault_of_ours(client, token):
    header = token()
    for key in (("x",), (1, "x"), (2**80,), ([],), {"a": 1}, ("x", "y", "z"), 5, -1, None):
        for path in PATHS:
            answer = client.get(path, query_string={"cursor": written(key)}, headers=header)
            assert answer.status_code in (200, 400, 404), (path, key)


def test_a_store_that_is_away_is_a_problem_too(plant, desked, door, token):
    header = token()

    def away(*_):
        raise OSError("gone")

    plant.all_spans = away
    door.add_one_of_each()
    client = create_app(plant, desked, door.access, clock_ns=lambda: plant.now).server.test_client()
    answer = client.get(f"{ROOT}/valves", headers=header)
    if answer.status_code == 500:
        pytest.fail(answer.get_data(as_text=True))
    problem_of(answer, 503)
    assert int(answer.headers["Retry-After"]) >= 1


def test_a_name_that_is_not_ours_and_a_crash_are_problems_too(app, token, plant, monkeypatch):
    client = app.server.test_client()
    problem_of(client.get(f"{ROOT}/valves", headers={**token(), "Host": "evil.example"}), 421)

    def broken(*_):
        raise RuntimeError("secret inner words")

    monkeypatch.setattr(plant, "judgements", broken)
    app.server.config["PROPAGATE_EXCEPTIONS"] = False
    found = problem_of(client.get(f"{ROOT}/judgements", headers={"Authorization": "Bearer secret t"}), 500)
    assert "secret inner" not in json.dumps(found)


def test_a_filed_record_comes_as_it_was_filed(client, door, doors, token, plant):
    body = '{"schema": "asleft.verification", "b": [1, 2.50], "a": null}'
    door.store.verifications.put(V, plant.now, 3, body, doors.CHIEF, accepted=True)
    header = token()
    answer = client.get(f"{ROOT}/valves/{V}/records/1", headers=header).get_data(as_text=True)
    assert body in answer
    assert client.get(f"{ROOT}/records", headers=header).get_json()["data"] == [
        {"valve": V, "number": 1, "at": "2026-11-24T15:02:07.000Z", "accepted": True}
    ]


def test_every_row_has_a_role_and_every_role_a_row():
    rules = {ROOT + row.path for row in RESOURCES}
    named = {rule for rule in roles.ROUTES if rule.startswith(ROOT)} - {f"{ROOT}/openapi.json"}
    assert rules == named
    assert not [rule for rule in roles.OPEN if re.match("/api", rule)]
