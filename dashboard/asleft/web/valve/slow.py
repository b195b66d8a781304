"""What moves slowly on a valve's page: pressure against current, recent ramps, histories, the coil."""

from __future__ import annotations

import dash
from asleft.web import ids
from asleft.web import live as parts
from asleft.web.live import Renewal, client_store, frame, frame_style, plot
from asleft.web.markup import Markup
from asleft.web.source import Source
from asleft.web.valve.coil import coil_view
from asleft.web.valve.coil_figure import coil
from asleft.web.valve.curve_figure import CURVE_HEIGHT, curve_figure, curve_words
from asleft.web.valve.history_note import histories
from asleft.web.valve.ramps_figure import RAMPS_HEIGHT, ramps_figure, ramps_words
from asleft.web.views.curve import curve_view
from asleft.web.views.history import SPAN_NS, history_views
from asleft.web.views.ramps import ramps_view
from asleft.web.views.spans import parse_choice
from dash import Input, Output, State, dcc, no_update
from dash.development.base_component import Component

SLOW_MS = 30_000
COIL_MS = 300_000


_COIL = Renewal(ids.COIL_PARTS, ids.COIL_TAGS, ids.COIL_TIMER)
_HISTORY = Renewal(ids.HISTORY_PARTS, ids.HISTORY_TAGS, ids.SLOW_TIMER)
Drawn = tuple[object, object, object, object, object]


def hidden(spoken: str) -> list[Component]:
    """Graphs, stores and clocks of all four. `spoken`: what the valve is called."""
    return [
        *client_store(ids.SLOW_PARTS),
        dcc.Interval(id=ids.SLOW_TIMER, interval=SLOW_MS),
        plot(ids.CURVE_GRAPH, CURVE_HEIGHT, f"Plot: pressure against coil current of the {spoken}"),
        plot(ids.RAMPS_GRAPH, RAMPS_HEIGHT, f"Plot: recent ramps of the {spoken}, up and down"),
        *_COIL.hidden(COIL_MS),
        *_HISTORY.hidden(None),
    ]


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

    parts.register(app, ids.SLOW_PARTS)
    valve = State(ids.VALVE_ID, "data")
    _COIL.register(
        app, lambda valve: {ids.COIL: coil(coil_view(source, valve), valve, source.time)}, valve, first=True
    )
    _HISTORY.register(
        app, lambda query, valve: draw_history(source, valve, query), Input(ids.URL, "search"), valve, first=True
    )


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
    return {ids.HISTORY: histories(views, valve, source.time)}
