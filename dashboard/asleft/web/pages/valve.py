"""One valve: layout and thin callbacks. Three clocks: every second the live plot, two the words, thirty the rest."""

from __future__ import annotations

from urllib.parse import unquote

import dash
from asleft.web import ids
from asleft.web.fragments import valve as fragments
from asleft.web.markup import Markup
from asleft.web.pages import parts, valve_slow, valve_window
from asleft.web.pages.components import mailbox
from asleft.web.source import Source
from asleft.web.views.valve import ValveView, valve_view
from dash import Input, Output, State, dcc, html, no_update
from dash.development.base_component import Component

WORDS_MS = 2000


def id_in(path: str) -> str:
    """The valve's id in the address of its page."""
    return unquote(path.removeprefix("/valve/")).strip("/")


def layout(source: Source, valve: str) -> tuple[Component, str] | None:
    """The page with its words, and its title; None if the valve is unknown. Plots follow by callback."""
    view = valve_view(source, valve)
    if view is None:
        return None
    first, tags = parts.changed(_words(view), None)
    contents = html.Div(
        [
            dcc.Location(id=ids.VALVE_URL, refresh=False),
            dcc.Store(id=ids.VALVE_ID, data=valve),
            *mailbox(ids.VALVE_PARTS, first),
            dcc.Store(id=ids.VALVE_TAGS, data=tags),
            dcc.Interval(id=ids.VALVE_TIMER, interval=WORDS_MS),
            parts.place(ids.VALVE_OPENING, className="opening"),
            html.Div(
                [
                    html.Div(
                        [
                            parts.place(ids.VALVE_STRIP, "Section"),
                            valve_window.section(source, view.name.spoken),
                            valve_slow.ramps(view.name.spoken),
                        ],
                        className="wide",
                    ),
                    html.Div(
                        [
                            parts.place(ids.VALVE_FINDINGS, "Section"),
                            valve_slow.curve(valve, view.name.spoken),
                        ],
                        className="side",
                    ),
                ],
                className="columns",
            ),
            parts.place(ids.VALVE_SHEET, "Section"),
            valve_slow.coil(),
            valve_slow.histories(),
        ],
        className="valve",
    )
    return contents, ", ".join(part for part in (view.name.press, view.name.name) if part)


def register(app: dash.Dash, source: Source) -> None:
    """Words here, the plots by their own modules."""

    @app.callback(
        Output(ids.VALVE_PARTS, "data"),
        Output(ids.VALVE_TAGS, "data"),
        Input(ids.VALVE_TIMER, "n_intervals"),
        State(ids.VALVE_ID, "data"),
        State(ids.VALVE_TAGS, "data"),
        prevent_initial_call=True,
    )
    def _renew_words(_n: int, valve: str, tags: parts.Tags | None) -> tuple[object, object]:
        view = valve_view(source, valve)
        return (no_update, no_update) if view is None else parts.changed(_words(view), tags)

    parts.register(app, ids.VALVE_PARTS)
    valve_window.register(app, source)
    valve_slow.register(app, source)


def _words(view: ValveView) -> dict[str, Markup]:
    return {
        ids.VALVE_OPENING: fragments.opening(view),
        ids.VALVE_AGE: fragments.data_age(view),
        ids.VALVE_STRIP: fragments.strip(view),
        ids.VALVE_SHEET: fragments.sheet_table(view),
        ids.VALVE_FINDINGS: fragments.findings(view),
    }
