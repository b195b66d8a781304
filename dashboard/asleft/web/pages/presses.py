"""All presses at a glance: layout and its one callback."""

from __future__ import annotations

import dash
from asleft.web import ids
from asleft.web.fragments.presses import fleet, opening
from asleft.web.markup import Markup
from asleft.web.pages import parts
from asleft.web.pages.components import mailbox, node
from asleft.web.source import Source
from asleft.web.views.presses import presses_view
from dash import Input, Output, State, dcc, html
from dash.development.base_component import Component

REFRESH_MS = 2000


def layout(source: Source) -> Component:
    """The page with its first contents."""
    first, tags = parts.changed(_parts(source), None)
    return html.Div(
        [
            *mailbox(ids.PRESSES_PARTS, first),
            dcc.Store(id=ids.PRESSES_TAGS, data=tags),
            dcc.Interval(id=ids.PRESSES_TIMER, interval=REFRESH_MS),
            parts.place(ids.PRESSES_OPENING, className="opening"),
            parts.place(ids.PRESSES_FLEET),
            html.P(
                node("A", "CSV", href="/csv/presses", className="csv", aria_label="CSV, all valves", data_load="")
            ),
        ],
        className="presses",
    )


def register(app: dash.Dash, source: Source) -> None:
    """Renewal every two seconds, of what has changed."""

    @app.callback(
        Output(ids.PRESSES_PARTS, "data"),
        Output(ids.PRESSES_TAGS, "data"),
        Input(ids.PRESSES_TIMER, "n_intervals"),
        State(ids.PRESSES_TAGS, "data"),
        prevent_initial_call=True,
    )
    def _renew(_n: int, tags: parts.Tags | None) -> tuple[parts.Parts, parts.Tags]:
        return parts.changed(_parts(source), tags)

    parts.register(app, ids.PRESSES_PARTS)


def _parts(source: Source) -> dict[str, Markup]:
    view = presses_view(source)
    return {ids.PRESSES_OPENING: opening(view), ids.PRESSES_FLEET: fleet(view)}
