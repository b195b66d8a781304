"""Which role each route, page and callback needs. What does not stand here is refused, and keeps us from starting.

A new page: a line in `PAGES`. A new callback: its outputs' component ids in `CALLBACKS`. A new route: `ROUTES`.
"""

from __future__ import annotations

from collections.abc import Mapping

from asleft.store.accounts import Role
from asleft.web import ids

_V, _T, _A = Role.VIEWER, Role.TECHNICIAN, Role.ADMINISTRATOR

#: Answered to everybody under every name, without asking any store who it is: they say nothing but ok or not.
PROBES = frozenset({"/healthz", "/readyz"})

#: Open to everybody, by exact path: methods. HEAD goes with GET.
OPEN: Mapping[str, frozenset[str]] = {
    "/login": frozenset({"GET", "HEAD", "POST"}),
    "/assets/palette.css": frozenset({"GET", "HEAD"}),
    "/assets/style.css": frozenset({"GET", "HEAD"}),
    "/assets/mark.svg": frozenset({"GET", "HEAD"}),
    "/assets/away.css": frozenset({"GET", "HEAD"}),
    "/assets/away.js": frozenset({"GET", "HEAD"}),  # of a page that says that nobody can be known
    **dict.fromkeys(PROBES, frozenset({"GET", "HEAD"})),
}

#: Routes by their rule. The callbacks' common route asks for what the callback needs, and for this at least.
ROUTES: Mapping[str, Role] = {
    "/": _V,
    "/<path:path>": _V,  # which page may be seen is asked again where it is made
    "/assets/<path:filename>": _V,
    "/_dash-component-suites/<string:package_name>/<path:fingerprinted_path>": _V,
    "/_dash-layout": _V,
    "/_dash-dependencies": _V,
    "/_dash-update-component": _V,
    "/login": _V,
    "/logout": _V,
    "/account": _V,
    "/healthz": _V,
    "/readyz": _V,
    "/account/read": _V,
    "/account/session": _V,
    "/account/second-factor": _V,
    "/here": _V,
    "/alarms": _V,
    "/alarms/<path:alarm>": _V,
    "/api/<path:path>": _V,  # where nothing is: says so
    "/api/v1/openapi.json": _V,
    "/api/v1/valves": _V,
    "/api/v1/valves/<valve>": _V,
    "/api/v1/judgements": _V,
    "/api/v1/valves/<valve>/judgement": _V,
    "/api/v1/findings": _V,
    "/api/v1/alarms": _V,
    "/api/v1/sheets": _V,
    "/api/v1/valves/<valve>/sheets": _V,
    "/api/v1/valves/<valve>/sheets/<int:number>": _V,
    "/api/v1/records": _V,
    "/api/v1/valves/<valve>/records": _V,
    "/api/v1/valves/<valve>/records/<int:number>": _V,
    "/api/v1/valves/<valve>/history": _V,
    "/api/v1/valves/<valve>/readings": _V,
    "/csv/presses": _V,
    "/csv/alarms": _V,
    "/csv/health": _V,
    "/csv/night": _V,
    "/csv/<valve>/quantities": _V,
    "/csv/<valve>/window": _V,
    "/csv/<valve>/states": _V,
    "/csv/<valve>/history": _V,
    "/csv/<valve>/curve": _V,
    "/csv/<valve>/verification": _V,
    "/night": _V,
    "/report/<valve>": _V,
    "/report/<valve>.html": _V,
    "/report/<valve>.pdf": _V,
    "/retune/<valve>": _V,
    "/sessions": _A,
    "/sheets": _V,
    "/sheets/new": _T,
    "/sheets/<valve>": _V,
    "/sheets/<valve>/file/<int:number>": _V,
    "/sheets/<valve>/proposal": _V,
    "/sheets/<valve>/revise": _T,
    "/start": _V,
    "/styles.css": _V,
    "/units": _V,
    "/verification": _V,
    "/verification/<valve>": _V,
    "/verification/<valve>/record": _T,
    "/verification/<valve>/<int:number>": _V,
    "/verification/<valve>/<int:number>.<any(html, pdf, json, csv):kind>": _V,
    "/work-in-progress/<valve>": _V,
}

#: Those of them that people open, from a letter's link for one: whoever is not signed in is led to the door and back.
_PLAIN = (
    "/alarms",
    "/sheets",
    "/report",
    "/csv",
    "/work-in-progress",
    "/start",
    "/verification",
    "/retune",
    "/night",
    "/sessions",
)
PLAIN_PAGES: frozenset[str] = frozenset(rule for rule in ROUTES if rule.startswith(_PLAIN))

#: Routes whose posted forms change something, by their rule: they ask for more than looking does.
CHANGES: Mapping[str, Role] = {"/alarms/<path:alarm>": _T, "/work-in-progress/<valve>": _T}

#: Routes of the framework that nobody needs here.
NEVER: frozenset[str] = frozenset({"/_reload-hash", "/_favicon.ico", "/static/<path:filename>"})

#: Pages by the first part of their address.
PAGES: Mapping[str, Role] = {
    "": _V,
    "valve": _V,
    "alarms": _V,
    "night": _V,
    "sheets": _V,
    "verification": _V,
    "health": _V,
    "audit": _A,
    "sessions": _A,
}

#: Callbacks by the component ids of their outputs; one with several outputs needs the strictest of them.
CALLBACKS: Mapping[str, Role] = {
    ids.PRESSES_PARTS: _V,
    ids.PRESSES_TAGS: _V,
    ids.VALVE_PARTS: _V,
    ids.VALVE_TAGS: _V,
    ids.WINDOW_GRAPH: _V,
    ids.WINDOW_PARTS: _V,
    ids.WINDOW_DRAWN: _V,
    ids.LIVE_CURSOR: _V,
    ids.LIVE_TIMER: _V,
    ids.LIVE_BATCH: _V,
    ids.CURVE_GRAPH: _V,
    f"{ids.CURVE_GRAPH}-frame": _V,
    ids.SLOW_PARTS: _V,
    ids.HISTORY_PARTS: _V,
    ids.HISTORY_TAGS: _V,
    ids.RAMPS_GRAPH: _V,
    f"{ids.RAMPS_GRAPH}-frame": _V,
    ids.COIL_PARTS: _V,
    ids.COIL_TAGS: _V,
    ids.HEALTH_PARTS: _V,
    ids.HEALTH_TAGS: _V,
    ids.AUDIT_PARTS: _A,
    ids.AUDIT_TAGS: _A,
}


def route_role(rule: str, *, changes: bool) -> Role | None:
    """What a route needs to be looked at, or (`changes`) to be posted to; None where it is not known."""
    needed = ROUTES.get(rule)
    return CHANGES.get(rule, needed) if changes else needed


def page_role(path: str | None) -> Role | None:
    """What the page at an address needs; None where there is no page."""
    return PAGES.get((path or "/").strip("/").split("/", 1)[0])
