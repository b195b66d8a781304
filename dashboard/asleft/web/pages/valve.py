"""One valve: layout and thin callbacks. Three clocks: every second the live plot, two the words, thirty the rest."""

from __future__ import annotations

from urllib.parse import quote, unquote

import dash
from asleft.web import ids
from asleft.web.figures.curve import CURVE_HEIGHT, curve_figure
from asleft.web.figures.window import HEIGHT, RAW_TRACES, extension, window_blank, window_figure
from asleft.web.fragments import plots, spans
from asleft.web.fragments import valve as fragments
from asleft.web.fragments.csv_link import csv_of_valve, window_csv
from asleft.web.fragments.window import window_words
from asleft.web.markup import Markup, join
from asleft.web.pages import parts
from asleft.web.pages.components import frame, frame_style, in_browser, mailbox, node, plot
from asleft.web.source import Source
from asleft.web.views.curve import curve_view
from asleft.web.views.history import history_views
from asleft.web.views.live import LiveCursor, first_minute, since
from asleft.web.views.spans import parse_choice
from asleft.web.views.valve import ValveView, valve_view
from asleft.web.views.window import window_view
from dash import Input, Output, State, dcc, html, no_update
from dash.development.base_component import Component

Drawn = tuple[object, object, object, object]

WORDS_MS = 2000
LIVE_MS = 1000
WINDOW_MS = 20_000
SLOW_MS = 30_000
#: Points a live trace keeps: a minute of bins, two points each, and breaks.
LIVE_POINTS = 1400


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
            *mailbox(ids.WINDOW_PARTS),
            *mailbox(ids.SLOW_PARTS),
            dcc.Store(id=ids.LIVE_CURSOR),
            *mailbox(ids.LIVE_BATCH),
            *mailbox(ids.WINDOW_ZOOM, ids.WINDOW_GRAPH),
            dcc.Interval(id=ids.VALVE_TIMER, interval=WORDS_MS),
            dcc.Interval(id=ids.LIVE_TIMER, interval=LIVE_MS),
            dcc.Interval(id=ids.WINDOW_TIMER, interval=WINDOW_MS),
            dcc.Interval(id=ids.SLOW_TIMER, interval=SLOW_MS),
            parts.place(ids.VALVE_OPENING, className="opening"),
            html.Div(
                [
                    html.Div(
                        [
                            parts.place(ids.VALVE_STRIP, "Section"),
                            _over_time(source, view.name.spoken),
                        ],
                        className="wide",
                    ),
                    html.Div(
                        [parts.place(ids.VALVE_FINDINGS, "Section"), _curve(valve, view.name.spoken)],
                        className="side",
                    ),
                ],
                className="columns",
            ),
            parts.place(ids.VALVE_SHEET, "Section"),
            html.Section(
                [
                    html.H2(
                        [
                            "History ",
                            html.Small("of each quantity over three weeks"),
                            _csv(valve, "history", "history"),
                        ]
                    ),
                    parts.place(ids.HISTORY),
                ]
            ),
        ],
        className="valve",
    )
    return contents, ", ".join(part for part in (view.name.press, view.name.name) if part)


def register(app: dash.Dash, source: Source) -> None:
    """Words, plot over time, its live extension, curve and history."""

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

    @app.callback(
        Output(ids.WINDOW_GRAPH, "figure"),
        Output(ids.WINDOW_PARTS, "data"),
        Output(ids.LIVE_CURSOR, "data"),
        Output(ids.LIVE_TIMER, "disabled"),
        Input(ids.VALVE_URL, "search"),
        Input(ids.WINDOW_TIMER, "n_intervals"),
        State(ids.VALVE_ID, "data"),
    )
    def _draw_window(query: str | None, _n: int | None, valve: str) -> Drawn:
        return draw_window(source, valve, query, by_clock=dash.ctx.triggered_id == ids.WINDOW_TIMER)

    @app.callback(
        Output(ids.LIVE_BATCH, "data"),
        Output(ids.LIVE_CURSOR, "data", allow_duplicate=True),
        Input(ids.LIVE_TIMER, "n_intervals"),
        State(ids.VALVE_URL, "search"),
        State(ids.LIVE_CURSOR, "data"),
        State(ids.VALVE_ID, "data"),
        prevent_initial_call=True,
    )
    def _extend(_n: int, query: str | None, cursor: list[str] | None, valve: str) -> tuple[object, object]:
        return extend(source, valve, query, cursor)

    @app.callback(
        Output(ids.CURVE_GRAPH, "figure"),
        Output(frame(ids.CURVE_GRAPH), "style"),
        Output(ids.SLOW_PARTS, "data"),
        Input(ids.SLOW_TIMER, "n_intervals"),
        State(ids.VALVE_ID, "data"),
    )
    def _draw_slow(_n: int | None, valve: str) -> tuple[object, object, object]:
        return draw_slow(source, valve)

    in_browser(app, "extend", ids.LIVE_BATCH)
    in_browser(
        app, "zoomed", ids.WINDOW_ZOOM, Input(ids.WINDOW_GRAPH, "relayoutData"), Input(ids.WINDOW_GRAPH, "figure")
    )
    for store in (ids.VALVE_PARTS, ids.WINDOW_PARTS, ids.SLOW_PARTS):
        parts.register(app, store)


def draw_window(source: Source, valve: str, query: str | None, *, by_clock: bool) -> Drawn:
    """Figure, words, live cursor, and whether the live clock rests.

    The clock redraws neither a live plot, which moves by itself, nor one of the past.
    """
    choice = parse_choice(query, source.time, source.now_ns())
    if by_clock and choice.until_ns is not None:
        return no_update, no_update, no_update, no_update
    cursor: object = None
    if choice.live:
        view, at = first_minute(source, valve, choice)
        cursor = [choice.key, str(at.samples_ns), str(at.states_ns)]
    else:
        view = window_view(source, valve, choice)
    path = f"/valve/{quote(valve, safe='')}"
    words = {
        ids.WINDOW_SPANS: spans.span_selector(choice, path, source.time, source.now_ns()),
        ids.WINDOW_WORDS: join(window_words(view, source.time), window_csv(valve, view.from_ns, view.to_ns)),
    }
    if by_clock and choice.live:
        return no_update, parts.changed(words, None)[0], no_update, no_update
    figure = window_figure(view, source.time, live=choice.live)
    figure["layout"]["meta"]["span"] = choice.key
    return figure, parts.changed(words, None)[0], cursor, not choice.live


def extend(source: Source, valve: str, query: str | None, cursor: list[str] | None) -> tuple[object, object]:
    """New points for the live plot, and the cursor moved on; nothing where the plot is not live."""
    choice = parse_choice(query, source.time, source.now_ns())
    if not choice.live or not cursor:
        return no_update, no_update
    view, at = since(source, valve, choice, LiveCursor(int(cursor[1]), int(cursor[2])))
    ends = [source.time.plot_ms_one(view.from_ns), source.time.plot_ms_one(view.to_ns)]
    batch = {
        "graph": ids.WINDOW_GRAPH,
        "span": choice.key,
        "points": extension(view, source.time),
        "traces": list(range(len(RAW_TRACES))),
        "keep": LIVE_POINTS,
        "range": ends,
    }
    return batch, [choice.key, str(at.samples_ns), str(at.states_ns)]


def draw_slow(source: Source, valve: str) -> tuple[object, object, object]:
    """Curve, the style of its frame, and the words of curve and history."""
    curve = curve_view(source, valve)
    words = {
        ids.CURVE_WORDS: plots.curve_words(curve),
        ids.HISTORY: plots.histories(history_views(source, valve), source.time),
    }
    figure = no_update if curve is None else curve_figure(curve)
    return figure, frame_style(shown=curve is not None), parts.changed(words, None)[0]


def _words(view: ValveView) -> dict[str, Markup]:
    return {
        ids.VALVE_OPENING: fragments.opening(view),
        ids.VALVE_AGE: fragments.data_age(view),
        ids.VALVE_STRIP: fragments.strip(view),
        ids.VALVE_SHEET: fragments.sheet_table(view),
        ids.VALVE_FINDINGS: fragments.findings(view),
    }


def _over_time(source: Source, spoken: str) -> Component:
    return html.Section(
        [
            html.H2(["Over time ", html.Small(parts.place(ids.VALVE_AGE, "Span"))]),
            parts.place(ids.WINDOW_SPANS),
            plot(
                ids.WINDOW_GRAPH,
                HEIGHT,
                f"Plot over time: command, coil current, pressure and machine states of the {spoken}",
                window_blank(source.time, source.now_ns()),
            ),
            parts.place(ids.WINDOW_WORDS),
        ]
    )


def _curve(valve: str, spoken: str) -> Component:
    return html.Section(
        [
            html.H2(
                [
                    "Pressure against current ",
                    html.Small("found, over as left"),
                    _csv(valve, "curve", "pressure against current"),
                ]
            ),
            plot(ids.CURVE_GRAPH, CURVE_HEIGHT, f"Plot: pressure against coil current of the {spoken}"),
            parts.place(ids.CURVE_WORDS),
        ]
    )


def _csv(valve: str, what: str, of: str) -> Component:
    return node("A", "CSV", href=csv_of_valve(valve, what), className="csv", aria_label=f"CSV, {of}", data_load="")
