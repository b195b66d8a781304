"""The plot over time on a valve's page: drawn by its address, extended while it is live, and in words and tables."""

from __future__ import annotations

from dataclasses import dataclass, replace
from urllib.parse import quote

import dash
import numpy as np
import numpy.typing as npt
from asleft.sheet.names import LABELS
from asleft.web import ids, units
from asleft.web import live as parts
from asleft.web.hrefs import csv_of_stretch
from asleft.web.live import client_store, in_browser, plot
from asleft.web.markup import Markup
from asleft.web.source import Source
from asleft.web.templates import macro
from asleft.web.valve.window_figure import HEIGHT, RAW_TRACES, extension, window_blank, window_figure
from asleft.web.views.history import sheets_in
from asleft.web.views.spans import DEFAULT, SPANS, Choice, parse_choice
from asleft.web.views.window import Line, StateBand, WindowView, bin_width, raw_lines, state_bands, window_view
from asleft.web.when import PlantTime
from dash import Input, Output, State, dcc, no_update
from dash.development.base_component import Component

# The live minute: what has come since the browser last asked, cut so that pieces join without seam or repeat.

FloatArray = npt.NDArray[np.float64]

BREAK_NS = 2 * 10**9
#: States are drawn once more from this much earlier, so that no seam shows between two deliveries.
OVERLAP_NS = 10**9


@dataclass(frozen=True, slots=True)
class LiveCursor:
    """How far the browser has been served: samples and machine states, unix ns."""

    samples_ns: int
    states_ns: int


def first_minute(source: Source, valve: str, choice: Choice) -> tuple[WindowView, LiveCursor]:
    """The picture to begin with, cut at the last whole bin that has data."""
    view = window_view(source, valve, choice)
    end = _last_whole_bin(source, valve, choice, view.from_ns)
    pieces = sheets_in(source, valve, view.from_ns, end)
    lines, band, unit = raw_lines(source.samples, valve, pieces, bin_width(choice))
    whole = replace(view, lines=lines, band_a=band, command_unit=view.command_unit or unit)
    return whole, LiveCursor(end, view.states[-1].to_ns if view.states else view.from_ns)


def since(source: Source, valve: str, choice: Choice, cursor: LiveCursor) -> tuple[WindowView, LiveCursor]:
    """What has come since `cursor`; after a long sleep no more than the minute that is shown."""
    now = source.now_ns()
    from_ns, to_ns = choice.window(now)
    start = max(cursor.samples_ns, from_ns)
    end = _last_whole_bin(source, valve, choice, start)
    states_from = max(cursor.states_ns, from_ns)
    states: list[StateBand] = state_bands(source, valve, max(states_from - OVERLAP_NS, from_ns), to_ns)
    if states and states[-1].to_ns <= states_from:
        states = []
    view = WindowView(from_ns, to_ns, "", states=states)
    if end > start:
        lines, band, _ = raw_lines(source.samples, valve, sheets_in(source, valve, start, end), bin_width(choice))
        if band is not None:
            band = (_break_end(band[0], lines["expected"], start), _break_end(band[1], lines["expected"], start))
        view = replace(view, lines={name: _break(line, start) for name, line in lines.items()}, band_a=band)
    return view, LiveCursor(max(end, start), states[-1].to_ns if states else states_from)


def _last_whole_bin(source: Source, valve: str, choice: Choice, not_before_ns: int) -> int:
    span = source.samples.span(valve)
    if span is None:
        return not_before_ns
    width = bin_width(choice)
    return max((span[1] // width) * width, not_before_ns)


def _breaks(line: Line, start_ns: int) -> bool:
    return bool(line.time_ns.size) and int(line.time_ns[0]) - start_ns > BREAK_NS


def _break(line: Line, start_ns: int) -> Line:
    """A line that begins late begins with a break, or it would be joined to what was there before."""
    if not _breaks(line, start_ns):
        return line
    return Line(np.insert(line.time_ns, 0, start_ns), np.insert(line.values, 0, np.nan))


def _break_end(end_a: FloatArray, expected: Line, start_ns: int) -> FloatArray:
    return np.insert(end_a, 0, np.nan) if _breaks(expected, start_ns) else end_a


# The plot over time in words and as tables, and the ways to another stretch of time.

_DIGITS = {"command": 2, "current": 3, "expected": 3}
_NAMES = {
    "command": "command",
    "current": "coil current, measured",
    "expected": "coil current, expected",
    "pressure": "pressure",
}
#: Rows of a table; more are in the file.
MOST_ROWS = 60


@dataclass(frozen=True, slots=True)
class Way:
    """A link to a stretch. `ends`: from and to, unix ms: what the page can show at once, before the answer."""

    name: str
    words: str
    href: str
    ends: str
    here: bool = False


def span_selector(choice: Choice, path: str, time: PlantTime, now_ns: int) -> Markup:
    """The named lengths, and the ways from what is shown. `path`: address of the page."""

    def way(name: str, words: str, target: Choice, *, here: bool = False) -> Way:
        ends = " ".join(str(end // 10**6) for end in target.window(now_ns))
        return Way(name, words, path + target.query(), ends, here)

    lengths = [
        way(
            span.key,
            f"{span.words}, live" if span.key == DEFAULT.key and choice.until_ns is None else span.words,
            Choice.of(span.key, choice.until_ns),
            here=span.key == choice.key,
        )
        for span in SPANS.values()
    ]
    moves = [way("earlier", "← earlier", choice.shifted(-1, now_ns))]
    if choice.until_ns is not None:
        moves.append(way("later", "later →", choice.shifted(1, now_ns)))
    for words, scaled in (("closer", choice.scaled(-1, now_ns)), ("wider", choice.scaled(1, now_ns))):
        if scaled != choice:
            moves.append(way(words, words, scaled))
    until = ""
    if choice.until_ns is not None:
        moves.append(way("now", "now", Choice.of(choice.key or DEFAULT.key)))
        until = f"{'' if choice.key else f'{choice.words}, '}until {time.full(choice.until_ns)}"
    return macro("valve/notes.html", "spans", lengths, moves, until)


def window_words(view: WindowView, valve: str, time: PlantTime) -> Markup:
    """What the lines are, how to move about, and the same in words, numbers and files."""
    keys = {"command": view.command_unit, "current": "A", "expected": "A", "pressure": units.current().unit}
    figures = {name: [_figure(name, value) for value in trio] for name, trio in view.figures().items()}
    stretch = f"{time.full(view.from_ns)} to {time.full(view.to_ns)}, {time.name}"
    said = [f"{_NAMES[name]} {low} to {high} {keys[name]}" for name, (low, _, high) in figures.items()]
    words = [f"{stretch}: {'; '.join(said) or 'nothing was recorded'}."]
    if view.onsets:
        words.append("; ".join(f"{o.said} from {time.moment(o.at_ns, view.to_ns)}" for o in view.onsets) + ".")
    if view.revisions:
        words.append("; ".join(f"{m.words} from {time.moment(m.at_ns, view.to_ns)}" for m in view.revisions) + ".")
    rows: list[list[str]] = [[_NAMES[name], keys[name], *trio] for name, trio in figures.items()]
    states: list[list[str]] = [
        [band.words, time.full(band.from_ns), time.full(band.to_ns)] for band in view.states[-MOST_ROWS:]
    ]
    files = (csv_of_stretch(valve, what, view.from_ns, view.to_ns) for what in ("window", "states"))
    told = " ".join(words)
    return macro("valve/notes.html", "window", _key(view), told, rows, _features(view, time), states, *files)


def _key(view: WindowView) -> str:
    if view.features:
        return "Dots: judged of production. Dashed: as left. Pale: from the smallest to the largest reading."
    if view.envelopes:
        return "Line: mean of some minutes. Shaded: from the smallest to the largest."
    return "Line: measured. Dashed: the current expected of the measured command, in the band of its tolerance."


def _figure(channel: str, value: float) -> str:
    return units.current().figure(value) if channel == "pressure" else f"{value:.{_DIGITS[channel]}f}"


def _features(view: WindowView, time: PlantTime) -> list[list[str]]:
    shown, rows = units.current(), []
    for quantity, feature in view.features.items():
        ends = [shown.number(quantity, float(v)) for v in (feature.values.min(), feature.values.max())]
        last = shown.number(quantity, float(feature.values[-1]))
        rows.append([LABELS[quantity], shown.unit_of(quantity), *ends, last, time.full(int(feature.time_ns[-1]))])
    return rows


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
