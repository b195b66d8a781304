"""What moves slowly on a valve's page: pressure against current, recent ramps, histories, the coil."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import dash
import numpy as np
import numpy.typing as npt
from asleft.sheet.names import LABELS, format_quantity, format_uncertainty
from asleft.web import ids, palette, units
from asleft.web import live as parts
from asleft.web.control_chart import history_svg
from asleft.web.figures import Figure, axis, layout, note, numbers, scatter
from asleft.web.hrefs import csv_of_stretch
from asleft.web.live import Renewal, client_store, frame, frame_style, plot
from asleft.web.markup import Markup
from asleft.web.source import Source
from asleft.web.templates import macro
from asleft.web.valve.coil import coil, coil_view
from asleft.web.views.curve import CurveView, curve_view
from asleft.web.views.history import SPAN_NS, HistoryView, history_views
from asleft.web.views.ramps import RampsView, ramps_view
from asleft.web.views.spans import parse_choice
from asleft.web.when import PlantTime
from dash import Input, Output, State, dcc, no_update
from dash.development.base_component import Component

# Pressure against current: dots of production over the commissioned curve and its tolerance.

CURVE_HEIGHT = 400  # px

FloatArray = npt.NDArray[np.float64]


def curve_figure(view: CurveView) -> Figure:
    """The figure; rising and falling differ in shape, in fill and in the words beside them."""
    traces: list[dict[str, Any]] = []
    if view.left_a.size:
        if view.band_bar is not None:
            (low, high), pale = view.band_bar, {"line": {"width": 0}, "hoverinfo": "skip"}
            filled = {"fill": "tonexty", "fillcolor": palette.PLOT_BAND}
            traces.append(_trace(view.left_a, low, "lines", "tolerance", **pale))
            traces.append(_trace(view.left_a, high, "lines", "tolerance", **pale, **filled))
        rising = {"color": palette.EXPECTED, "width": 1.6}
        falling = {"color": palette.EXPECTED, "width": 1.6, "dash": "4px,3px"}
        traces.append(_trace(view.left_a, view.left_rising_bar, "lines", "as left, rising", line=rising))
        traces.append(_trace(view.left_a, view.left_falling_bar, "lines", "as left, falling", line=falling))
    up = {"symbol": "triangle-up", "size": 8, "color": palette.TEXT, "opacity": 0.75}
    down = {"symbol": "triangle-down-open", "size": 8, "color": palette.MEASURED, "line": {"width": 1.3}}
    traces.append(_trace(view.rising_a, view.rising_bar, "markers", "found, rising", marker=up))
    traces.append(_trace(view.falling_a, view.falling_bar, "markers", "found, falling", marker=down))
    return {
        "data": traces,
        "layout": layout(
            height=CURVE_HEIGHT,
            hovermode="closest",
            annotations=_labels(view),
            margin={"l": 54, "r": 14, "t": 14, "b": 44},
            uirevision="curve",
            xaxis=axis(title={"text": "coil current, A", "font": {"size": 12}}, fixedrange=False, nticks=7),
            yaxis=axis(
                title={"text": f"pressure, {units.current().unit}", "font": {"size": 12}},
                rangemode="tozero",
                nticks=6,
            ),
        ),
    }


#: How a branch is named beside it: its word, marks of what was found and of what was left, at which share of the
#: currents, on which side of it. Rising lies below falling.
_BRANCHES = (("rising", "▲", "solid", 0.62, 1), ("falling", "▽", "dashed", 0.45, -1))


def _labels(view: CurveView) -> list[dict[str, Any]]:
    """The words beside each branch, where it runs; none for one of which there is nothing."""
    labels = []
    for word, dot, line, share, side in _BRANCHES:
        found = (getattr(view, f"{word}_a"), getattr(view, f"{word}_bar"))
        said = [f"{dot} found"] * bool(found[0].size) + [f"{line} as left"] * bool(view.left_a.size)
        if not said:
            continue
        at_a, at_bar = (view.left_a, getattr(view, f"left_{word}_bar")) if view.left_a.size else found
        order = np.argsort(at_a)
        x = float(at_a.min() + share * np.ptp(at_a))
        labels.append(
            note(
                f"{word}: {',<br>'.join(said)}",
                x=round(x, 4),
                y=round(units.current().pressure(float(np.interp(x, at_a[order], at_bar[order]))), 3),
                xanchor="left" if side > 0 else "right",
                yanchor="top" if side > 0 else "bottom",
                xshift=10 * side,
                yshift=-6 * side,
            )
        )
    return labels


def _trace(x: FloatArray, y: FloatArray, mode: str, name: str, **more: object) -> dict[str, Any]:
    return scatter(name, numbers(x, 4), numbers(y * units.current().pressure(1.0), 3), mode, **more)


def curve_words(view: CurveView | None) -> Markup:
    """The curve in words and as a table."""
    if view is None or view.empty:
        return macro("valve/notes.html", "curve", None, "", "", [])
    words = f"{view.seen} {view.basis} {view.rising_a.size} dots rising, {view.falling_a.size} falling."
    shown = units.current()
    rows: list[list[str]] = []
    for branch, at_a, at_bar in (
        ("rising", view.rising_a, view.rising_bar),
        ("falling", view.falling_a, view.falling_bar),
    ):
        step = max(1, at_a.size // 20)
        rows += [[branch, f"{a:.3f}", shown.figure(b)] for a, b in zip(at_a[::step], at_bar[::step], strict=True)]
    rows += [
        [f"as left, {branch}", f"{a:.3f}", shown.figure(b)]
        for branch, bars in (("rising", view.left_rising_bar), ("falling", view.left_falling_bar))
        for a, b in zip(view.left_a, bars, strict=True)
    ]
    return macro("valve/notes.html", "curve", view, words, shown.unit, rows)


# Recent ramps, up above and down below, over the straight line of the sheet and its tolerance.

RAMPS_HEIGHT = 430  # px
ROWS = {"ramp_up": ("x", "y", [0.57, 0.95]), "ramp_down": ("x2", "y2", [0.0, 0.38])}

#: Given round the strokes in the file, so that what led to them is in it.
ROUND_NS = 5 * 10**9
#: Readings of at most so long are given in one file.
MOST_NS = 3600 * 10**9


def ramps_figure(view: RampsView) -> Figure:
    """The figure: dashed the ramp as left, in the band of its tolerance; lines as found."""
    traces: list[dict[str, Any]] = []
    axes: dict[str, Any] = {}
    annotations = []
    for quantity, (x, y, domain) in ROWS.items():
        strokes = view.of(quantity)
        ends = [float(stroke.time_s[-1]) for stroke in strokes]
        left = view.left_s.get(quantity)
        late = left + view.tolerance[quantity].above if left is not None else 0.0
        longest = max([*ends, 1.15 * late if late < 1e6 else 1.15 * (left or 0.0), 0.1])
        traces += _as_left(view, quantity, longest)
        look = {"xaxis": x, "yaxis": y, "line": {"color": palette.TEXT, "width": 1.2}, "opacity": 0.6}
        traces += [scatter("as found", numbers(one.time_s, 3), numbers(one.way, 3), **look) for one in strokes]
        axes[f"xaxis{x[1:]}"] = axis(anchor=y, range=[-0.06 * longest, longest], nticks=7, rangemode="normal")
        axes[f"yaxis{y[1:]}"] = axis(anchor=x, domain=domain, range=[-0.08, 1.12], tickvals=[0, 0.5, 1])
        words = f"<b>{LABELS[quantity].capitalize()}</b>, part of the way" + ("" if strokes else "   none seen")
        at = {"xref": "paper", "yref": "paper", "x": 0, "y": domain[1], "xanchor": "left", "yanchor": "bottom"}
        annotations.append(note(words, **at))
    axes["xaxis2"]["title"] = {"text": "s since the command moved, scaled to the full span", "font": {"size": 12}}
    return {
        "data": traces or [{"type": "scatter", "x": [], "y": []}],
        "layout": layout(
            height=RAMPS_HEIGHT,
            hovermode="closest",
            margin={"l": 44, "r": 14, "t": 10, "b": 44},
            uirevision="ramps",
            annotations=annotations,
            **axes,
        ),
    }


def _as_left(view: RampsView, quantity: str, longest: float) -> list[dict[str, Any]]:
    left = view.left_s.get(quantity)
    if left is None:
        return []
    x, y, _ = ROWS[quantity]
    sides = view.tolerance[quantity]
    early, late = max(left - sides.below, 0.0), min(left + sides.above, longest)
    place = {"xaxis": x, "yaxis": y, "hoverinfo": "skip"}
    pale = {"fill": "toself", "fillcolor": palette.PLOT_BAND, "line": {"width": 0}}
    dashed = {"color": palette.EXPECTED, "width": 1.6, "dash": "4px,3px"}
    return [
        scatter("tolerance", [0.0, early, late, 0.0], [0.0, 1.0, 1.0, 0.0], **place, **pale),
        scatter("as left", [0.0, left, longest], [0.0, 1.0, 1.0], **place, line=dashed),
    ]


def ramps_words(view: RampsView, valve: str, time: PlantTime) -> Markup:
    """What was seen, the key, and the fold."""
    if not view.strokes:
        return macro("valve/notes.html", "ramps", view, "", [], "")
    said = []
    for quantity in ("ramp_up", "ramp_down"):
        times = [s for s in (stroke.between_s() for stroke in view.of(quantity)) if s is not None]
        left = view.left_s.get(quantity)
        words = f"{LABELS[quantity]}: {len(view.of(quantity))} strokes"
        if times:
            words += f", {min(times):.2f} to {max(times):.2f} s from 10 to 90 % of the way"
        if left is not None:
            words += f"; left at {format_quantity(quantity, left)}, of which {0.8 * left:.2f} s"
        said.append(words)
    rows: list[list[str]] = [
        [
            time.full(stroke.at_ns),
            LABELS["ramp_up" if stroke.up else "ramp_down"],
            f"{stroke.from_pct:.1f}",
            f"{stroke.to_pct:.1f}",
            "–" if (seconds := stroke.between_s()) is None else f"{seconds:.3f}",
        ]
        for stroke in view.strokes
    ]
    ends = [stroke.at_ns for stroke in view.strokes]
    from_ns, to_ns = max(min(ends) - ROUND_NS, max(ends) - MOST_NS // 2), max(ends) + 2 * ROUND_NS
    csv = csv_of_stretch(valve, "window", from_ns, to_ns) + "&kind=readings"
    return macro("valve/notes.html", "ramps", view, "; ".join(said), rows, csv)


# The control charts of a valve's quantities, side by side, each with its words and numbers.

#: Rows of a table: the newest and whatever lies outside the tolerance; all are in the file.
MOST_ROWS = 40


def histories(views: Sequence[HistoryView], valve: str, time: PlantTime) -> Markup:
    """Small pictures side by side, under their heading."""
    if not views:
        return macro("valve/notes.html", "histories", [], "", "")
    from_ns, to_ns = views[0].from_ns, views[0].to_ns
    charts = [
        {
            "view": view,
            "named": f"{view.label}, {units.current().unit_of(view.quantity)}",
            "label": LABELS[view.quantity],
            "svg": history_svg(view, time),
            "rows": _rows(view, time),
        }
        for view in views
    ]
    days = f"{time.day(from_ns)} to {time.day(to_ns)}"
    return macro("valve/notes.html", "histories", charts, days, csv_of_stretch(valve, "history", from_ns, to_ns))


def _rows(view: HistoryView, time: PlantTime) -> list[list[str]]:
    shown, last = units.current(), view.values.size - MOST_ROWS
    rows: list[list[str]] = []
    points = zip(view.time_ns.tolist(), view.values.tolist(), view.spread.tolist(), view.beyond.tolist(), strict=True)
    for index, (at_ns, value, spread, beyond) in enumerate(points):
        if index >= last or (beyond and len(rows) < MOST_ROWS):
            spread_text = format_uncertainty(shown.shown(view.quantity, spread))
            rows.append(
                [time.full(at_ns), shown.number(view.quantity, value), spread_text, "outside" if beyond else "within"]
            )
    return rows


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
