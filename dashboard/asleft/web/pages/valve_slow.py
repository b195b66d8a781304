"""What moves slowly on a valve's page: pressure against current, and the history of each quantity."""

from __future__ import annotations

import dash
from asleft.web import ids
from asleft.web.figures.curve import CURVE_HEIGHT, curve_figure
from asleft.web.fragments.csv_link import csv_of_valve
from asleft.web.fragments.curve import curve_words
from asleft.web.fragments.history import histories as history_fragment
from asleft.web.markup import Markup
from asleft.web.pages import parts
from asleft.web.pages.components import frame, frame_style, mailbox, node, plot
from asleft.web.source import Source
from asleft.web.views.curve import curve_view
from asleft.web.views.history import SPAN_NS, history_views
from asleft.web.views.spans import parse_choice
from dash import Input, Output, State, dcc, html, no_update
from dash.development.base_component import Component

SLOW_MS = 30_000


def curve(valve: str, spoken: str) -> Component:
    """Pressure against current: its places, stores and clock. `spoken`: what the valve is called."""
    csv = node(
        "A",
        "CSV",
        href=csv_of_valve(valve, "curve"),
        className="csv",
        aria_label="CSV, pressure against current",
        data_load="",
    )
    return html.Section(
        [
            *mailbox(ids.SLOW_PARTS),
            dcc.Interval(id=ids.SLOW_TIMER, interval=SLOW_MS),
            html.H2(["Pressure against current ", html.Small("found, over as left"), csv]),
            plot(ids.CURVE_GRAPH, CURVE_HEIGHT, f"Plot: pressure against coil current of the {spoken}"),
            parts.place(ids.CURVE_WORDS),
        ]
    )


def histories() -> Component:
    """The control charts' place and store."""
    return html.Section([*mailbox(ids.HISTORY_PARTS), dcc.Store(id=ids.HISTORY_TAGS), parts.place(ids.HISTORY)])


def register(app: dash.Dash, source: Source) -> None:
    """Renewal twice a minute; the history also when the plot over time shows another stretch."""

    @app.callback(
        Output(ids.CURVE_GRAPH, "figure"),
        Output(frame(ids.CURVE_GRAPH), "style"),
        Output(ids.SLOW_PARTS, "data"),
        Input(ids.SLOW_TIMER, "n_intervals"),
        State(ids.VALVE_ID, "data"),
    )
    def _draw_slow(_n: int | None, valve: str) -> tuple[object, object, object]:
        return draw_slow(source, valve)

    @app.callback(
        Output(ids.HISTORY_PARTS, "data"),
        Output(ids.HISTORY_TAGS, "data"),
        Input(ids.SLOW_TIMER, "n_intervals"),
        Input(ids.VALVE_URL, "search"),
        State(ids.VALVE_ID, "data"),
        State(ids.HISTORY_TAGS, "data"),
    )
    def _draw_history(
        _n: int | None, query: str | None, valve: str, tags: parts.Tags | None
    ) -> tuple[parts.Parts, parts.Tags]:
        return parts.changed(draw_history(source, valve, query), tags)

    for store in (ids.SLOW_PARTS, ids.HISTORY_PARTS):
        parts.register(app, store)


def draw_slow(source: Source, valve: str) -> tuple[object, object, object]:
    """Curve, the style of its frame, and its words."""
    view = curve_view(source, valve)
    figure = no_update if view is None else curve_figure(view)
    words = {ids.CURVE_WORDS: curve_words(view)}
    return figure, frame_style(shown=view is not None), parts.changed(words, None)[0]


def draw_history(source: Source, valve: str, query: str | None) -> dict[str, Markup]:
    """The control charts of the last three weeks, or of the stretch that the address names, if that is longer."""
    now = source.now_ns()
    choice = parse_choice(query, source.time, now)
    stretch = choice.window(now) if choice.length_ns > SPAN_NS else None
    views = history_views(source, valve, stretch)
    return {ids.HISTORY: history_fragment(views, valve, source.time)}
