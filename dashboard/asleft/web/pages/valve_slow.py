"""What moves slowly on a valve's page: pressure against current, recent ramps, histories, the coil."""

from __future__ import annotations

import dash
from asleft.web import ids
from asleft.web.figures.curve import CURVE_HEIGHT, curve_figure
from asleft.web.figures.ramps import RAMPS_HEIGHT, ramps_figure
from asleft.web.fragments.coil import coil as coil_fragment
from asleft.web.fragments.csv_link import csv_of_valve
from asleft.web.fragments.curve import curve_words
from asleft.web.fragments.history import histories as history_fragment
from asleft.web.fragments.ramps import ramps_words
from asleft.web.markup import Markup
from asleft.web.pages import parts
from asleft.web.pages.components import frame, frame_style, mailbox, node, plot
from asleft.web.source import Source
from asleft.web.views.coil import coil_view
from asleft.web.views.curve import curve_view
from asleft.web.views.history import SPAN_NS, history_views
from asleft.web.views.ramps import ramps_view
from asleft.web.views.spans import parse_choice
from dash import Input, Output, State, dcc, html, no_update
from dash.development.base_component import Component

SLOW_MS = 30_000
COIL_MS = 300_000


Drawn = tuple[object, object, object, object, object]


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


def ramps(spoken: str) -> Component:
    """Recent ramps over one another; their words come with those of the curve."""
    return html.Section(
        [
            html.H2(["Ramps ", html.Small("found, over as left")]),
            plot(ids.RAMPS_GRAPH, RAMPS_HEIGHT, f"Plot: recent ramps of the {spoken}, up and down"),
            parts.place(ids.RAMPS_WORDS),
        ]
    )


def coil() -> Component:
    """The coil's place, store and clock."""
    return html.Section(
        [
            *mailbox(ids.COIL_PARTS),
            dcc.Store(id=ids.COIL_TAGS),
            dcc.Interval(id=ids.COIL_TIMER, interval=COIL_MS),
            parts.place(ids.COIL),
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
        Output(ids.RAMPS_GRAPH, "figure"),
        Output(frame(ids.RAMPS_GRAPH), "style"),
        Output(ids.SLOW_PARTS, "data"),
        Input(ids.SLOW_TIMER, "n_intervals"),
        State(ids.VALVE_ID, "data"),
    )
    def _draw_slow(_n: int | None, valve: str) -> Drawn:
        return draw_slow(source, valve)

    @app.callback(
        Output(ids.COIL_PARTS, "data"),
        Output(ids.COIL_TAGS, "data"),
        Input(ids.COIL_TIMER, "n_intervals"),
        State(ids.VALVE_ID, "data"),
        State(ids.COIL_TAGS, "data"),
    )
    def _draw_coil(_n: int | None, valve: str, tags: parts.Tags | None) -> tuple[parts.Parts, parts.Tags]:
        return parts.changed({ids.COIL: coil_fragment(coil_view(source, valve), valve, source.time)}, tags)

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

    for store in (ids.SLOW_PARTS, ids.HISTORY_PARTS, ids.COIL_PARTS):
        parts.register(app, store)


def draw_slow(source: Source, valve: str) -> Drawn:
    """Curve and the style of its frame, ramps and the style of theirs, and the words of both."""
    view, strokes = curve_view(source, valve), ramps_view(source, valve)
    words = {ids.CURVE_WORDS: curve_words(view), ids.RAMPS_WORDS: ramps_words(strokes, valve, source.time)}
    return (
        no_update if view is None else curve_figure(view),
        frame_style(shown=view is not None),
        ramps_figure(strokes) if strokes.strokes else no_update,
        frame_style(shown=bool(strokes.strokes)),
        parts.changed(words, None)[0],
    )


def draw_history(source: Source, valve: str, query: str | None) -> dict[str, Markup]:
    """The control charts of the last three weeks, or of the stretch that the address names, if that is longer."""
    now = source.now_ns()
    choice = parse_choice(query, source.time, now)
    stretch = choice.window(now) if choice.length_ns > SPAN_NS else None
    views = history_views(source, valve, stretch)
    return {ids.HISTORY: history_fragment(views, valve, source.time)}
