"""What surrounds every page: skip link, navigation, plant time, and a word when the server falls silent."""

from __future__ import annotations

import dash
from asleft.store.accounts import Role
from asleft.store.audit import AuditTrail
from asleft.web import ids, nav, units
from asleft.web.access.roles import page_role
from asleft.web.access.visitor import Visitor, current
from asleft.web.fragments.units import unit_switch
from asleft.web.pages import audit, away, health, missing, parts, presses, valve
from asleft.web.pages.components import in_browser, mailbox, node
from asleft.web.reach import Unreachable
from asleft.web.source import Source
from dash import Input, Output, State, dcc, html
from dash.development.base_component import Component


def layout(source: Source, visitor: Visitor | None) -> Component:
    """The frame; the page itself is put in by its address."""
    return html.Div(
        [
            dcc.Location(id=ids.URL, refresh=False),
            *mailbox(ids.CLOCK_DATA, {"now_ms": source.now_ns() / 1e6, "zone": source.time.name}),
            *mailbox(ids.TITLE),
            *mailbox(ids.FRAME_PARTS, {ids.UNITS: unit_switch(units.current(), visitor.csrf if visitor else "")}),
            dcc.Interval(id=ids.TICK, interval=1000),
            html.A("Skip to the page's contents", href=f"#{ids.MAIN}", className="skip"),
            html.Header(
                [
                    html.A("Asleft", href="/", className="brand"),
                    node("Nav", _links("", Role.VIEWER, 0), id=ids.NAV, aria_label="Pages"),
                    html.P(
                        [f"Plant time, {source.time.name} ", html.Span(id=ids.CLOCK, className="clock")],
                        className="time",
                    ),
                    parts.place(ids.UNITS),
                    *_who(visitor),
                ],
                className="top",
            ),
            html.Div(id=ids.STALE, role="status", className="stale"),
            html.Main(id=ids.MAIN, tabIndex="-1"),
        ]
    )


def page(
    source: Source, trail: AuditTrail, version: str, path: str | None, role: Role, search: str | None = None
) -> tuple[Component, str]:
    """Contents and title of the page at an address, for somebody of that role."""
    path = path or "/"
    needed = page_role(path)
    if needed is not None and not role.may(needed):
        return missing.layout(f"This page is for {needed.value}s.", "Your account may not see it."), "Not for you"
    if path == "/":
        return presses.layout(source, search), "Presses"
    if path.rstrip("/") == "/health":
        return health.layout(source, version), "Health"
    if path.rstrip("/") == "/audit" or path.startswith("/audit/"):
        return audit.layout(source, trail, audit.before_in(path)), "Audit"
    if path.startswith("/valve/"):
        found = valve.layout(source, valve.id_in(path))
        if found is not None:
            return found
        return missing.layout(f"There is no valve “{valve.id_in(path)}” here."), "Not found"
    return missing.layout("There is no page at this address."), "Not found"


def register(app: dash.Dash, source: Source, trail: AuditTrail, version: str) -> None:
    """Routing by address, and the clock."""

    @app.callback(
        Output(ids.MAIN, "children"),
        Output(ids.NAV, "children"),
        Output(ids.TITLE, "data"),
        Input(ids.URL, "pathname"),
        State(ids.URL, "search"),
    )
    def _route(path: str | None, search: str | None) -> tuple[Component, list[Component], str]:
        role = current().role
        try:
            contents, title = page(source, trail, version, path, role, search)
            waiting = source.waiting_alarms()
        except Unreachable as lost:
            contents, title, waiting = away.layout(source, lost), "Cannot be reached", 0
        return contents, _links(path or "/", role, waiting), f"{title} – Asleft"

    in_browser(app, "title", ids.TITLE)
    parts.register(app, ids.FRAME_PARTS)
    in_browser(app, "tick", ids.CLOCK_DATA, Input(ids.TICK, "n_intervals"))


def _links(path: str, role: Role, waiting: int) -> list[Component]:
    links: list[Component] = []
    for entry in nav.entries(path, role, waiting):
        more: dict[str, object] = {"aria_current": entry.here} if entry.here else {}
        if entry.plain:
            more["data_load"] = ""
        links.append(node("A", entry.words, href=entry.href, **more))
    return links


def _who(visitor: Visitor | None) -> list[Component]:
    if visitor is None or visitor.session is None:
        return []
    name = node("A", visitor.name, href="/account", data_load="", title=f"Your account, {visitor.role.value}")
    return [html.P([name, html.Button("Sign out", id=ids.SIGN_OUT, type="button")], className="account")]
