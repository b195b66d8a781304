"""All presses at a glance: layout and its one callback."""

from __future__ import annotations

import dash
from asleft.web import ids
from asleft.web.fragments.filters import choices, form
from asleft.web.fragments.presses import fleet, opening, others
from asleft.web.markup import Markup
from asleft.web.pages import parts
from asleft.web.pages.components import mailbox, node
from asleft.web.source import Source
from asleft.web.views.fleet_filter import parse_filter
from asleft.web.views.presses import presses_view
from dash import Input, Output, State, dcc, html
from dash.development.base_component import Component

REFRESH_MS = 2000
_ADDRESS = "address"  # among the tags: of which address the form is


def layout(source: Source, search: str | None = None) -> Component:
    """The page with its first contents, of the valves that the address chooses."""
    first, tags = renew(source, search, None)
    return html.Div(
        [
            *mailbox(ids.PRESSES_PARTS, first),
            dcc.Store(id=ids.PRESSES_TAGS, data=tags),
            dcc.Interval(id=ids.PRESSES_TIMER, interval=REFRESH_MS),
            parts.place(ids.PRESSES_OPENING, className="opening"),
            html.Div([parts.place(ids.PRESSES_CHOICES), parts.place(ids.PRESSES_FILTER)], className="choosing"),
            parts.place(ids.PRESSES_FLEET),
            parts.place(ids.PRESSES_CALM),
            html.P(
                node("A", "CSV", href="/csv/presses", className="csv", aria_label="CSV, all valves", data_load="")
            ),
        ],
        className="presses",
    )


def register(app: dash.Dash, source: Source) -> None:
    """Renewal every two seconds and with every choice, of what has changed."""

    @app.callback(
        Output(ids.PRESSES_PARTS, "data"),
        Output(ids.PRESSES_TAGS, "data"),
        Input(ids.PRESSES_TIMER, "n_intervals"),
        Input(ids.URL, "search"),
        State(ids.PRESSES_TAGS, "data"),
        prevent_initial_call=True,
    )
    def _renew(_n: int, search: str | None, tags: parts.Tags | None) -> tuple[parts.Parts, parts.Tags]:
        return renew(source, search, tags)

    parts.register(app, ids.PRESSES_PARTS)


def renew(source: Source, search: str | None, tags: parts.Tags | None) -> tuple[parts.Parts, parts.Tags]:
    """What has changed, and the tags of all. The form of an address is sent once: somebody may be typing in it.

    Which input asks is no sign of a new address: a question of the clock takes the place of one that waits.
    """
    fresh, known = parts.changed(_parts(source, search), tags)
    known[_ADDRESS] = search or ""
    if tags and tags.get(_ADDRESS) == known[_ADDRESS]:
        fresh.pop(ids.PRESSES_FILTER, None)
        known[ids.PRESSES_FILTER] = tags[ids.PRESSES_FILTER]
    return fresh, known


def _parts(source: Source, search: str | None) -> dict[str, Markup]:
    view = presses_view(source, parse_filter(search))
    return {
        ids.PRESSES_OPENING: opening(view),
        ids.PRESSES_CHOICES: choices(view),
        ids.PRESSES_FILTER: form(view),
        ids.PRESSES_FLEET: fleet(view),
        ids.PRESSES_CALM: others(view),
    }
