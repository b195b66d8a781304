"""The framework's pages by their address, each with its first contents in the first answer.

The framework's own tree holds what cannot be seen: stores, clocks, plots to be shown in places of the page. Its
layout is the same for every page; the components of a page come with the page.
"""

from __future__ import annotations

from collections.abc import Callable

from asleft.store.audit import AuditTrail
from asleft.web import ids
from asleft.web.access.roles import page_role
from asleft.web.access.visitor import current
from asleft.web.audit import page as audit
from asleft.web.frame import Frame, Live
from asleft.web.health import page as health
from asleft.web.live import LivePage
from asleft.web.markup import Markup
from asleft.web.presses import page as presses
from asleft.web.source import Source
from asleft.web.templates import macro
from asleft.web.valve import page as valve
from dash import ClientsideFunction, Dash, Input, Output, dcc, html
from dash.development.base_component import Component
from flask import Response, abort, request

Made = Callable[[], LivePage | None]
_WHY_MISSING = "It may have been mistyped, or the valve has sent nothing yet and has no sheet."


class Dashboard(Dash):
    """The framework with our frame round its pages. `draw`: from its tags to the whole page, during a request."""

    draw: Callable[[dict[str, str]], str]

    def interpolate_index(self, **tags: str) -> str:  # type: ignore[override]  # given by name, as documented
        """See `Dash.interpolate_index`: what the framework has its users put in place of its own first answer."""
        return self.draw(tags)


def layout() -> Component:
    """What the framework renders before it knows which page it is on."""
    return html.Div([dcc.Location(id=ids.URL, refresh=False), html.Div(id=ids.HIDDEN)])


def page(source: Source, trail: AuditTrail, version: str, path: str, search: str | None = None) -> Made | None:
    """What makes the page of an address, None where there is none. It may find nothing."""
    path = path.rstrip("/")
    if path == "":
        return lambda: presses.page(source, search)
    if path == "/health":
        return lambda: health.page(source, version)
    if path == "/audit" or audit.before_in(path) is not None:
        return lambda: audit.page(source, trail, audit.before_in(path))
    if path.startswith("/valve/"):
        return lambda: valve.page(source, valve.id_in(path), search)
    return None


def draw(source: Source, trail: AuditTrail, version: str, tags: dict[str, str]) -> str:
    """The whole answer for the request's address. Aborts with another page where there is none, or none for them."""
    frame, needed = Frame(source, current()), page_role(request.path)
    query = request.query_string.decode(errors="replace")
    made = page(source, trail, version, request.path, f"?{query}" if query else "")
    if made is not None and needed is not None and not frame.visitor.role.may(needed):
        abort(
            _instead(frame, "Not for you", f"This page is for {needed.value}s.", "Your account may not see it.", 403)
        )
    found = None if made is None else made()
    if found is None:
        name = valve.id_in(request.path) if request.path.startswith("/valve/") else ""
        words = f"There is no valve “{name}” here." if name else "There is no page at this address."
        abort(_instead(frame, "Not found", words, _WHY_MISSING, 404))
    framework = "".join(tags[part] for part in ("config", "scripts", "renderer"))
    live = Live(Markup(tags["app_entry"]), Markup(framework), found.hidden_parts(), found.plots)
    return frame.text(found.title, found.contents, live)


def register(app: Dashboard, source: Source, trail: AuditTrail, version: str) -> None:
    """Draw pages in our frame, and put a page's own components into the framework's tree."""
    app.draw = lambda tags: draw(source, trail, version, tags)
    app.layout = layout()
    app.clientside_callback(  # type: ignore[no-untyped-call]
        ClientsideFunction("asleft", "hidden"), Output(ids.HIDDEN, "children"), Input(ids.URL, "pathname")
    )


def _instead(frame: Frame, title: str, words: str, why: str, status: int) -> Response:
    return frame.page(title, macro("common.html", "no_page", words, why), status=status)
