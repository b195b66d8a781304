"""The matrix of roles, routes and callbacks, built from the application's own maps; and what the guard refuses."""

from __future__ import annotations

import re

import pytest
from asleft.store.accounts import Role
from asleft.web import ids
from asleft.web.access import roles
from asleft.web.access.guard import UnguardedError, callback_role, callbacks, check
from asleft.web.api.routes import RESOURCES, ROOT
from asleft.web.app import create_app
from dash import Input, Output, callback

DISPATCH = "/_dash-update-component"
REFUSED = {401, 403}
NOBODY = None
PEOPLE = [NOBODY, *Role]

#: A path for each rule that has a variable in it.
PATHS = {
    "/<path:path>": "/valve/press-2.clamp",
    "/assets/<path:filename>": "/assets/asleft.js",
    "/_dash-component-suites/<string:package_name>/<path:fingerprinted_path>": (
        "/_dash-component-suites/dash/deps/react@18.3.1.min.js"
    ),
    "/static/<path:filename>": "/static/x",
    "/api/<path:path>": "/api/v1/nothing",
    **{
        ROOT + row.path: (ROOT + row.path).replace("<valve>", "press-2.clamp").replace("<int:number>", "3")
        for row in RESOURCES
    },
    "/csv/<valve>/quantities": "/csv/press-2.clamp/quantities",
    "/csv/<valve>/window": "/csv/press-2.clamp/window",
    "/csv/<valve>/states": "/csv/press-2.clamp/states",
    "/csv/<valve>/history": "/csv/press-2.clamp/history",
    "/csv/<valve>/curve": "/csv/press-2.clamp/curve",
    "/csv/<valve>/verification": "/csv/press-2.clamp/verification",
    "/report/<valve>": "/report/press-2.clamp",
    "/report/<valve>.html": "/report/press-2.clamp.html",
    "/report/<valve>.pdf": "/report/press-2.clamp.pdf",
    "/sheets/<valve>": "/sheets/press-2.clamp",
    "/sheets/<valve>/file/<int:number>": "/sheets/press-2.clamp/file/3",
    "/sheets/<valve>/proposal": "/sheets/press-2.clamp/proposal",
    "/sheets/<valve>/revise": "/sheets/press-2.clamp/revise",
    "/alarms/<path:alarm>": "/alarms/press-2.clamp/ramp-up-changed/1",
    "/retune/<valve>": "/retune/press-2.clamp",
    "/verification/<valve>": "/verification/press-2.clamp",
    "/verification/<valve>/record": "/verification/press-2.clamp/record",
    "/verification/<valve>/<int:number>": "/verification/press-2.clamp/1",
    "/verification/<valve>/<int:number>.<any(html, pdf, json, csv):kind>": "/verification/press-2.clamp/1.json",
    "/work-in-progress/<valve>": "/work-in-progress/press-2.clamp",
}
#: What the pages send with their callbacks.
VALUES = {
    f"{ids.URL}.pathname": "/",
    f"{ids.VALVE_ID}.data": "press-2.clamp",
    f"{ids.URL}.search": "",
}


@pytest.fixture
def app(plant, door):
    door.add_one_of_each()
    return create_app(plant, plant, door.access, clock_ns=lambda: plant.now)


@pytest.fixture
def people(app, doors):
    """A client for nobody and for each role, signed in."""
    clients = {who: app.server.test_client() for who in PEOPLE}
    for role in Role:
        assert doors.sign_in(clients[role], role.value).status_code == 303
    return clients


def routes(app) -> list[tuple[str, str]]:
    """Rule and method of every route, from the application's own map."""
    return sorted((rule.rule, method) for rule in app.server.url_map.iter_rules() for method in rule.methods)


def body_of(app, key: str) -> dict:
    """What the browser would send to run a callback, from the application's own map."""
    entry = app.callback_map[key]
    outputs = entry["output"] if isinstance(entry["output"], list) else [entry["output"]]

    def valued(wanted: list[dict]) -> list[dict]:
        return [{**one, "value": VALUES.get(f"{one['id']}.{one['property']}")} for one in wanted]

    return {
        "output": key,
        "outputs": [{"id": one.component_id, "property": one.component_property} for one in outputs],
        "inputs": valued(entry["inputs"]),
        "state": valued(entry["state"]),
        "changedPropIds": [],
    }


def test_the_roles_times_routes(app, people, doors):
    """Every route and method, for nobody and every role: let in exactly where the role suffices."""
    found = routes(app)
    assert len(found) > 20
    for rule, method in found:
        if rule in ("/logout", DISPATCH) and method == "POST":
            continue  # ends the session; has a matrix of its own
        path = PATHS.get(rule, rule)
        assert "<" not in path, f"give a path for {rule}"
        for who in PEOPLE:
            answer = people[who].open(path, method=method, headers=doors.csrf(people[who]))
            answer.close()  # as a server does: a table that is not read to its end keeps its turn
            needed = roles.route_role(rule, changes=method not in ("GET", "HEAD", "OPTIONS"))
            if path in roles.OPEN and method in roles.OPEN[path]:
                allowed = True
            elif who is NOBODY or rule in roles.NEVER:
                allowed = False
            else:
                allowed = who.may(needed)
            turned_away = answer.status_code in REFUSED or (
                answer.status_code == 303 and answer.location.startswith("/login")
            )
            assert turned_away is not allowed, (rule, method, who, answer.status_code)


def test_the_roles_times_callbacks(app, people, doors):
    """Every callback that runs on the server, for nobody and every role."""
    keys = callbacks(app)
    assert len(keys) >= 8
    needs = {callback_role(app, key) for key in keys}
    assert {Role.VIEWER, Role.ADMINISTRATOR} <= needs
    for key in keys:
        needed = callback_role(app, key)
        for who in PEOPLE:
            answer = people[who].post(DISPATCH, json=body_of(app, key), headers=doors.csrf(people[who]))
            if who is NOBODY:
                assert answer.status_code == 401, (key, who)
            elif who.may(needed):
                assert answer.status_code in (200, 204), (key, who, answer.get_data(as_text=True)[:300])
            else:
                assert answer.status_code == 403, (key, who)
                assert "response" not in answer.get_data(as_text=True)


def test_callbacks_of_the_browser_cannot_be_run_on_the_server(app, people, doors):
    own = set(callbacks(app))
    in_browser = [key for key in app.callback_map if key not in own]
    assert len(in_browser) >= 5
    boss = people[Role.ADMINISTRATOR]
    for key in in_browser:
        assert boss.post(DISPATCH, json=body_of(app, key), headers=doors.csrf(boss)).status_code == 403


def test_what_is_open_to_everybody_is_this_and_no_more():
    """A literal list: widening it is a decision, not a slip."""
    assert {path: sorted(methods) for path, methods in roles.OPEN.items()} == {
        "/login": ["GET", "HEAD", "POST"],
        "/assets/palette.css": ["GET", "HEAD"],
        "/assets/style.css": ["GET", "HEAD"],
        "/assets/mark.svg": ["GET", "HEAD"],
        "/assets/away.css": ["GET", "HEAD"],
        "/assets/away.js": ["GET", "HEAD"],
        "/healthz": ["GET", "HEAD"],
        "/readyz": ["GET", "HEAD"],
    }
    assert all(role in Role for role in (*roles.ROUTES.values(), *roles.CALLBACKS.values(), *roles.PAGES.values()))
    administrators = {key for key, role in roles.CALLBACKS.items() if role is Role.ADMINISTRATOR}
    assert administrators == {ids.AUDIT_PARTS, ids.AUDIT_TAGS}
    assert roles.PAGES["audit"] is Role.ADMINISTRATOR


def test_every_role_named_is_for_something_that_exists(app):
    """A role for a callback that is gone would silently pass on to the next of that name."""
    used = {
        output["id"]
        for key in callbacks(app)
        for output in body_of(app, key)["outputs"]
        if isinstance(output["id"], str)
    }
    assert set(roles.CALLBACKS) == used
    rules = {rule.rule for rule in app.server.url_map.iter_rules()}
    assert set(roles.ROUTES) <= rules
    assert rules >= roles.NEVER


@pytest.mark.parametrize("outputs", [["planted"], [ids.HEALTH_PARTS, "planted"]])
def test_a_planted_callback_without_a_role_keeps_the_dashboard_from_starting(plant, door, outputs):
    """The same check as at start, on an application into which somebody put a callback and forgot its role."""
    app = create_app(plant, plant, door.access)
    app.callback(*(Output(name, "title") for name in outputs), Input(ids.HEALTH_TIMER, "n_intervals"))(lambda _n: "x")
    with pytest.raises(UnguardedError, match="planted"):
        check(app)


def test_a_callback_of_no_application_without_a_role_keeps_the_dashboard_from_starting(plant, door):
    callback(Output("planted", "data"), Input(ids.HEALTH_TIMER, "n_intervals"))(lambda _n: "secret")
    with pytest.raises(UnguardedError, match="planted"):
        create_app(plant, plant, door.access)


def test_a_callback_of_several_outputs_needs_the_strictest_of_their_roles(plant, door):
    app = create_app(plant, plant, door.access)
    for first, second in ((ids.HEALTH_PARTS, ids.AUDIT_TAGS), (ids.AUDIT_TAGS, ids.HEALTH_PARTS)):
        outputs = (Output(first, "title"), Output(second, "title"))
        app.callback(*outputs, Input(ids.HEALTH_TIMER, "n_intervals"))(lambda _n: ("x", "x"))
        assert callback_role(app, f"..{first}.title...{second}.title..") is Role.ADMINISTRATOR


def test_a_callback_planted_while_it_runs_is_refused_to_everybody(app, people, doors):
    app.callback(Output("planted", "data"), Input(ids.HEALTH_TIMER, "n_intervals"))(lambda _n: "secret")
    for who in PEOPLE:
        answer = people[who].post(DISPATCH, json=body_of(app, "planted.data"), headers=doors.csrf(people[who]))
        assert answer.status_code in REFUSED
        assert "secret" not in answer.get_data(as_text=True)


def test_a_planted_route_without_a_role_is_found_and_refused(plant, door, doors):
    door.add_one_of_each()
    app = create_app(plant, plant, door.access)
    app.server.add_url_rule("/planted", "planted", lambda: "secret")
    with pytest.raises(UnguardedError, match="route /planted"):
        check(app)
    client = app.server.test_client()
    doors.sign_in(client, "administrator")
    answer = client.get("/planted")
    assert answer.status_code == 403
    assert "secret" not in answer.get_data(as_text=True)


BODIES = [
    b"",
    b"{}",
    b"[]",
    b"null",
    b'"text"',
    b"{",
    b'{"output": null}',
    b'{"output": ["..presses-parts.data...presses-tags.data.."]}',
    b'{"output": {"a": 1}}',
    b'{"output": "nothing.data"}',
    b'{"output": "audit-parts.data"}',
    b'{"output": "presses-parts-done.data"}',
    b"\xff\xfe",
    b"[" * 100_000,
]


def test_a_body_that_names_no_callback_is_refused(people, doors):
    boss = people[Role.ADMINISTRATOR]
    for body in BODIES:
        answer = boss.post(DISPATCH, data=body, headers=doors.csrf(boss), content_type="application/json")
        assert answer.status_code == 403, body[:60]


def test_a_viewer_does_not_get_at_an_administrators_callback_by_its_first_output(app, people, doors):
    """The key decides, not the outputs a request claims; and a key that does not exist is nobody's."""
    viewer = people[Role.VIEWER]
    key = next(key for key in callbacks(app) if ids.AUDIT_PARTS in key)
    body = body_of(app, key)
    body["outputs"] = [{"id": ids.HEALTH_PARTS, "property": "children"}]
    assert viewer.post(DISPATCH, json=body, headers=doors.csrf(viewer)).status_code == 403
    twice = f'{{"output": "{key}", "output": "..presses-parts.data...presses-tags.data.."}}'
    answer = viewer.post(DISPATCH, data=twice, headers=doors.csrf(viewer), content_type="application/json")
    assert ids.AUDIT_PARTS not in answer.get_data(as_text=True)


LOOKALIKES = [
    "/login/",
    "/login/../health",
    "/login%2f..%2fhealth",
    "/assets/../health",
    "/assets/style.css/../asleft.js",
    "/assets/style.css%00",
    "/LOGIN",
    "/loginx",
    "/login;x",
    "/_dash-layout/",
]


def test_what_only_looks_like_an_open_path_is_shut(app):
    client = app.server.test_client()
    for path in LOOKALIKES:
        answer = client.get("/", environ_overrides={"PATH_INFO": path})
        to_sign_in = answer.status_code == 303 and answer.location.startswith("/login?next=")
        assert to_sign_in or answer.status_code in (401, 403, 404), (path, answer.status_code)
        assert "react-entry-point" not in answer.get_data(as_text=True)


def test_nobody_learns_anything_from_answers_without_a_session(app):
    client = app.server.test_client()
    for path in (
        "/",
        "/_dash-layout",
        "/_dash-dependencies",
        "/valve/press-2.clamp",
        "/assets/asleft.js",
        "/nowhere",
    ):
        text = client.get(path).get_data(as_text=True)
        assert "press" not in text.replace("press-2.clamp", ""), path
        assert "callback" not in text
    assert client.get("/valve/press-2.clamp?span=1h").location == "/login?next=%2Fvalve%2Fpress-2.clamp%3Fspan%3D1h"


def test_the_audit_page_is_for_administrators_only(people):
    for role in Role:
        answer = people[role].get("/audit")
        text = answer.get_data(as_text=True)
        assert answer.status_code == (200 if role is Role.ADMINISTRATOR else 403)
        assert ("signed in" in text) is (role is Role.ADMINISTRATOR)
        assert ("This page is for administrators." in text) is (role is not Role.ADMINISTRATOR)
        links = re.search(r"<nav[^>]*>(.*?)</nav>", text).group(1)
        assert ("/audit" in links) is (role is Role.ADMINISTRATOR)
        here = re.findall(r'href="([^"]*)" aria-current', links)
        assert here == (["/audit"] if role is Role.ADMINISTRATOR else [])


def test_a_role_taken_away_counts_in_open_sessions_at_once(app, people, doors, door):
    boss = people[Role.ADMINISTRATOR]
    key = next(key for key in callbacks(app) if ids.AUDIT_PARTS in key)
    assert boss.post(DISPATCH, json=body_of(app, key), headers=doors.csrf(boss)).status_code == 200
    door.store.accounts.set_role("administrator", Role.VIEWER, doors.CHIEF, door.clock_ns())
    assert boss.post(DISPATCH, json=body_of(app, key), headers=doors.csrf(boss)).status_code == 403


def test_answers_are_kept_by_no_cache_but_the_programs_files_may_be(people):
    viewer = people[Role.VIEWER]
    for path in ("/", "/_dash-layout", "/account"):
        assert viewer.get(path).headers["Cache-Control"] == "no-store"
    assert people[NOBODY].get("/login").headers["Cache-Control"] == "no-store"
    assert "no-store" not in viewer.get("/assets/asleft.js").headers.get("Cache-Control", "")
