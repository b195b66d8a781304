"""The audit trail, for administrators: layout and its one callback."""

from __future__ import annotations

import dash
from asleft.store.audit import AuditTrail
from asleft.web import ids
from asleft.web.fragments.audit import audit_body
from asleft.web.markup import Markup
from asleft.web.pages import parts
from asleft.web.pages.components import mailbox
from asleft.web.source import Source
from asleft.web.views.audit import PER_PAGE, audit_view
from dash import Input, Output, State, dcc, html
from dash.development.base_component import Component

REFRESH_MS = 5000


def before_in(path: str) -> int | None:
    """The line a page of the trail stops before, from its address; None on the first page."""
    last = path.rstrip("/").rsplit("/", 1)[-1]
    return int(last) if last.isascii() and last.isdigit() and len(last) <= 18 else None


def layout(source: Source, trail: AuditTrail, before: int | None) -> Component:
    """The page with its first contents."""
    first, tags = parts.changed(_parts(source, trail, before), None)
    return html.Div(
        [
            *mailbox(ids.AUDIT_PARTS, first),
            dcc.Store(id=ids.AUDIT_TAGS, data=tags),
            dcc.Store(id=ids.AUDIT_BEFORE, data=before),
            dcc.Interval(id=ids.AUDIT_TIMER, interval=REFRESH_MS),
            parts.place(ids.AUDIT_BODY, className="audit"),
        ]
    )


def register(app: dash.Dash, source: Source, trail: AuditTrail) -> None:
    """Renewal every five seconds."""

    @app.callback(
        Output(ids.AUDIT_PARTS, "data"),
        Output(ids.AUDIT_TAGS, "data"),
        Input(ids.AUDIT_TIMER, "n_intervals"),
        State(ids.AUDIT_TAGS, "data"),
        State(ids.AUDIT_BEFORE, "data"),
        prevent_initial_call=True,
    )
    def _renew(_n: int, tags: parts.Tags | None, before: int | None) -> tuple[parts.Parts, parts.Tags]:
        return parts.changed(_parts(source, trail, before if isinstance(before, int) else None), tags)

    parts.register(app, ids.AUDIT_PARTS)


def _parts(source: Source, trail: AuditTrail, before: int | None) -> dict[str, Markup]:
    entries = trail.newest(PER_PAGE + 1, before=before)
    return {ids.AUDIT_BODY: audit_body(audit_view(entries, source.time, before=before))}
