"""The health page: its contents and its one callback."""

from __future__ import annotations

import dash
from asleft.web import ids
from asleft.web import live as parts
from asleft.web.health.view import HealthView, health_view
from asleft.web.live import LivePage, client_store
from asleft.web.markup import Markup
from asleft.web.source import Source
from asleft.web.templates import filled
from dash import Input, Output, State, dcc

REFRESH_MS = 2000


def page(source: Source, version: str) -> LivePage:
    """The page with its first contents."""
    first, tags = parts.changed({ids.HEALTH_BODY: health_body(health_view(source, version))}, None)
    hidden = [
        *client_store(ids.HEALTH_PARTS),
        dcc.Store(id=ids.HEALTH_TAGS, data=tags),
        dcc.Interval(id=ids.HEALTH_TIMER, interval=REFRESH_MS),
    ]
    return LivePage("Health", parts.place(ids.HEALTH_BODY, first, "health"), hidden)


def health_body(view: HealthView) -> Markup:
    """Sentence, agents, judging, the rest."""
    return filled("health/health.html", view=view)


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
