"""What surrounds every page: skip link, navigation, plant time, and a word when the server falls silent."""

from __future__ import annotations

import dash
from asleft.web import ids
from asleft.web.pages import health, missing, presses, valve
from asleft.web.pages.components import in_browser, mailbox, node
from asleft.web.source import Source
from dash import Input, Output, dcc, html
from dash.development.base_component import Component

_PAGES = (("/", "Presses"), ("/health", "Health"))


def layout(source: Source) -> Component:
    """The frame; the page itself is put in by its address."""
    return html.Div(
        [
            dcc.Location(id=ids.URL, refresh=False),
            *mailbox(ids.CLOCK_DATA, {"now_ms": source.now_ns() / 1e6, "zone": source.time.name}),
            *mailbox(ids.TITLE),
            dcc.Interval(id=ids.TICK, interval=1000),
            html.A("Skip to the page's contents", href=f"#{ids.MAIN}", className="skip"),
            html.Header(
                [
                    html.A("Asleft", href="/", className="brand"),
                    node("Nav", _links(""), id=ids.NAV, aria_label="Pages"),
                    html.P(
                        [f"Plant time, {source.time.name} ", html.Span(id=ids.CLOCK, className="clock")],
                        className="time",
                    ),
                ],
                className="top",
            ),
            html.Div(id=ids.STALE, role="status", className="stale"),
            html.Main(id=ids.MAIN, tabIndex="-1"),
        ]
    )


def page(source: Source, version: str, path: str | None) -> tuple[Component, str]:
    """Contents and title of the page at an address."""
    path = path or "/"
    if path == "/":
        return presses.layout(source), "Presses"
    if path.rstrip("/") == "/health":
        return health.layout(source, version), "Health"
    if path.startswith("/valve/"):
        found = valve.layout(source, valve.id_in(path))
        if found is not None:
            return found
        return missing.layout(f"There is no valve “{valve.id_in(path)}” here."), "Not found"
    return missing.layout("There is no page at this address."), "Not found"


def register(app: dash.Dash, source: Source, version: str) -> None:
    """Routing by address, and the clock."""

    @app.callback(
        Output(ids.MAIN, "children"),
        Output(ids.NAV, "children"),
        Output(ids.TITLE, "data"),
        Input(ids.URL, "pathname"),
    )
    def _route(path: str | None) -> tuple[Component, list[Component], str]:
        contents, title = page(source, version, path)
        return contents, _links(path or "/"), f"{title} – Asleft"

    in_browser(app, "title", ids.TITLE)
    in_browser(app, "tick", ids.CLOCK_DATA, Input(ids.TICK, "n_intervals"))


def _links(path: str) -> list[Component]:
    links: list[Component] = []
    for href, words in _PAGES:
        here = path == href or (href == "/" and path.startswith("/valve/"))
        current = {"aria_current": "page" if path == href else "true"} if here else {}
        links.append(node("A", words, href=href, **current))
    return links
