"""The plot over time on a valve's page: drawn by its address, extended every second while it is live."""

from __future__ import annotations

from urllib.parse import quote

import dash
from asleft.web import ids
from asleft.web import live as parts
from asleft.web.live import client_store, in_browser, plot
from asleft.web.markup import Markup
from asleft.web.source import Source
from asleft.web.valve.live import LiveCursor, first_minute, since
from asleft.web.valve.window_figure import HEIGHT, RAW_TRACES, extension, window_blank, window_figure
from asleft.web.valve.window_note import span_selector, window_words
from asleft.web.views.spans import Choice, parse_choice
from asleft.web.views.window import window_view
from dash import Input, Output, State, dcc, no_update
from dash.development.base_component import Component

Drawn = tuple[object, object, object, object, object]

LIVE_MS = 1000
WINDOW_MS = 20_000
#: Points a live trace keeps: a minute of bins, two points each, and breaks.
LIVE_POINTS = 1400


def hidden(source: Source, spoken: str) -> list[Component]:
    """Its graph, stores and clocks. `spoken`: what the valve is called."""
    return [
        *client_store(ids.WINDOW_PARTS),
        dcc.Store(id=ids.WINDOW_DRAWN),
        dcc.Store(id=ids.LIVE_CURSOR),
        *client_store(ids.LIVE_BATCH),
        *client_store(ids.WINDOW_ZOOM, ids.WINDOW_GRAPH),
        dcc.Interval(id=ids.LIVE_TIMER, interval=LIVE_MS),
        dcc.Interval(id=ids.WINDOW_TIMER, interval=WINDOW_MS),
        plot(
            ids.WINDOW_GRAPH,
            HEIGHT,
            f"Plot over time: command, coil current, pressure and machine states of the {spoken}",
            window_blank(source.time, source.now_ns()),
            doubleClick=False,  # a double click opens the next wider stretch, by the page's address
        ),
    ]


def register(app: dash.Dash, source: Source) -> None:
    """Drawing, extending, and following the reader's zoom."""

    @app.callback(
        Output(ids.WINDOW_GRAPH, "figure"),
        Output(ids.WINDOW_PARTS, "data"),
        Output(ids.LIVE_CURSOR, "data"),
        Output(ids.LIVE_TIMER, "disabled"),
        Output(ids.WINDOW_DRAWN, "data"),
        Input(ids.URL, "search"),
        Input(ids.WINDOW_TIMER, "n_intervals"),
        State(ids.VALVE_ID, "data"),
        State(ids.WINDOW_DRAWN, "data"),
    )
    def _draw_window(query: str | None, _n: int | None, valve: str, drawn: str | None) -> Drawn:
        return draw_window(source, valve, query, drawn)

    @app.callback(
        Output(ids.LIVE_BATCH, "data"),
        Output(ids.LIVE_CURSOR, "data", allow_duplicate=True),
        Input(ids.LIVE_TIMER, "n_intervals"),
        State(ids.URL, "search"),
        State(ids.LIVE_CURSOR, "data"),
        State(ids.VALVE_ID, "data"),
        prevent_initial_call=True,
    )
    def _extend(_n: int, query: str | None, cursor: list[str] | None, valve: str) -> tuple[object, object]:
        return extend(source, valve, query, cursor)

    in_browser(app, "extend", ids.LIVE_BATCH)
    in_browser(
        app, "zoomed", ids.WINDOW_ZOOM, Input(ids.WINDOW_GRAPH, "relayoutData"), Input(ids.WINDOW_GRAPH, "figure")
    )
    parts.register(app, ids.WINDOW_PARTS)


def draw_window(source: Source, valve: str, query: str | None, drawn: str | None = None) -> Drawn:
    """Figure, words, live cursor, whether the live clock rests, and the query that they are of.

    `drawn`: the query of the figure that is there, None before the first. Of the same query neither a live plot,
    which moves by itself, nor one of the past is drawn again. Which input asks is no sign of that: a question of the
    clock takes the place of one that waits.
    """
    query = query or ""
    choice = parse_choice(query, source.time, source.now_ns())
    if query == drawn and choice.until_ns is not None:
        return no_update, no_update, no_update, no_update, no_update
    cursor: object = None
    if choice.live:
        view, at = first_minute(source, valve, choice)
        cursor = [choice.key, str(at.samples_ns), str(at.states_ns)]
    else:
        view = window_view(source, valve, choice)
    words = {
        ids.WINDOW_SPANS: _spans(source, valve, choice),
        ids.WINDOW_WORDS: window_words(view, valve, source.time),
    }
    if query == drawn and choice.live:
        return no_update, parts.changed(words, None)[0], no_update, no_update, no_update
    figure = window_figure(view, source.time, live=choice.live)
    figure["layout"]["meta"]["span"] = choice.key
    return figure, parts.changed(words, None)[0], cursor, not choice.live, query


def first_spans(source: Source, valve: str, query: str | None) -> Markup:
    """The ways to other stretches, from the one that the address names."""
    return _spans(source, valve, parse_choice(query, source.time, source.now_ns()))


def _spans(source: Source, valve: str, choice: Choice) -> Markup:
    return span_selector(choice, f"/valve/{quote(valve, safe='')}", source.time, source.now_ns())


def extend(source: Source, valve: str, query: str | None, cursor: list[str] | None) -> tuple[object, object]:
    """New points for the live plot, and the cursor moved on; nothing where the plot is not live."""
    choice = parse_choice(query, source.time, source.now_ns())
    if not choice.live or not cursor:
        return no_update, no_update
    view, at = since(source, valve, choice, LiveCursor(int(cursor[1]), int(cursor[2])))
    ends = [source.time.plot_time(view.from_ns), source.time.plot_time(view.to_ns)]
    batch = {
        "graph": ids.WINDOW_GRAPH,
        "span": choice.key,
        "points": extension(view, source.time),
        "traces": list(range(len(RAW_TRACES))),
        "keep": LIVE_POINTS,
        "range": ends,
    }
    return batch, [choice.key, str(at.samples_ns), str(at.states_ns)]
