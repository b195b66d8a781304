"""The health page: layout and its one callback."""

from __future__ import annotations

import dash
from asleft.web import ids
from asleft.web.fragments.health import health_body
from asleft.web.pages import parts
from asleft.web.pages.components import mailbox
from asleft.web.source import Source
from asleft.web.views.health import health_view
from dash import Input, Output, State, dcc, html
from dash.development.base_component import Component

REFRESH_MS = 2000


def layout(source: Source, version: str) -> Component:
    """The page with its first contents."""
    first, tags = parts.changed({ids.HEALTH_BODY: health_body(health_view(source, version))}, None)
    return html.Div(
        [
            *mailbox(ids.HEALTH_PARTS, first),
            dcc.Store(id=ids.HEALTH_TAGS, data=tags),
            dcc.Interval(id=ids.HEALTH_TIMER, interval=REFRESH_MS),
            parts.place(ids.HEALTH_BODY, className="health"),
        ]
    )


def register(app: dash.Dash, source: Source, version: str) -> None:
    """Renewal every two seconds."""

    @app.callback(
        Output(ids.HEALTH_PARTS, "data"),
        Output(ids.HEALTH_TAGS, "data"),
        Input(ids.HEALTH_TIMER, "n_intervals"),
        State(ids.HEALTH_TAGS, "data"),
        prevent_initial_call=True,
    )
    def _renew(_n: int, tags: parts.Tags | None) -> tuple[parts.Parts, parts.Tags]:
        return parts.changed({ids.HEALTH_BODY: health_body(health_view(source, version))}, tags)

    parts.register(app, ids.HEALTH_PARTS)
