"""The curves of the plot over time: lines with the band of the expected current, or envelopes, and the states."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from asleft.sheet.names import LABELS
from asleft.web import palette, units
from asleft.web.figures.base import numbers
from asleft.web.views.features import ROW_OF, Feature
from asleft.web.views.window import Envelope, Line, WindowView
from asleft.web.when import PlantTime

FloatArray = npt.NDArray[np.float64]

DECIMALS = {"command": 3, "current": 4, "expected": 4, "pressure": 2}

#: Rows of the machine's states, lowest first, with the short words of their axis.
STATE_LEVELS: dict[str, tuple[int, str]] = {
    "unknown": (0, "unknown"),
    "stopped": (1, "stopped"),
    "not-enabled": (2, "not enabled"),
    "work-in-progress": (3, "work"),
    "set-up": (4, "set-up"),
    "producing": (5, "producing"),
}

AXIS_OF = {"command": "y", "expected": "y2", "current": "y2", "pressure": "y3"}

#: Order of the traces of a picture from raw readings: a live extension addresses them by place.
RAW_TRACES = ("command", "band-low", "band-high", "expected", "current", "pressure", "states")


def raw_traces(view: WindowView, time: PlantTime) -> list[dict[str, Any]]:
    """One for each of `RAW_TRACES`, empty where there is nothing."""
    none = Line(np.empty(0, np.int64), np.empty(0))
    expected = view.lines.get("expected", none)
    low, high = view.band_a if view.band_a is not None else (expected.values, expected.values)
    edge: dict[str, Any] = {"line": {"width": 0}, "hoverinfo": "skip"}
    return [
        _line(view.lines.get("command", none), "command", time, color=palette.MEASURED, width=1.4),
        _line(_shut(expected, low), "expected", time, more=edge),
        _line(
            _shut(expected, high),
            "expected",
            time,
            more={**edge, "fill": "tonexty", "fillcolor": palette.PLOT_BAND},
        ),
        _line(expected, "expected", time, color=palette.EXPECTED, width=1.6, dash="4px,3px"),
        _line(view.lines.get("current", none), "current", time, color=palette.TEXT, width=1.6),
        _line(view.lines.get("pressure", none), "pressure", time, color=palette.MEASURED, width=1.4),
        _states(view, time),
    ]


def _shut(middle: Line, edge: FloatArray) -> Line:
    """An edge of the band round `middle` that meets it wherever there is nothing: a filled area has no holes."""
    pieces = _pieces(edge)
    times: list[npt.NDArray[np.int64]] = []
    values: list[FloatArray] = []
    for piece in pieces:
        ends = [*([piece.start] if piece.start else []), *([piece.stop - 1] if piece.stop < edge.size else [])]
        at = np.sort(np.concatenate([np.arange(piece.start, piece.stop), ends]).astype(np.intp))
        met = np.zeros(at.size, dtype=bool)
        met[0], met[-1] = piece.start > 0, piece.stop < edge.size
        times.append(middle.time_ns[at])
        values.append(np.where(met, middle.values[at], edge[at]))
    return Line(np.concatenate(times), np.concatenate(values)) if pieces else Line(middle.time_ns, edge)


def envelope_traces(view: WindowView, time: PlantTime) -> list[dict[str, Any]]:
    """Per channel the area from smallest to largest, and the mean; what was judged; last the states.

    The area is pale, since hours of short cycles fill it; where judged points stand in a row, it has no mean.
    """
    traces: list[dict[str, Any]] = []
    for channel, envelope in view.envelopes.items():
        behind = any(ROW_OF[quantity] == channel for quantity in view.features)
        traces += _envelope(envelope, channel, time, behind=behind)
    for quantity, feature in view.features.items():
        traces += _feature(quantity, feature, time)
    traces.append(_states(view, time))
    return traces


def _feature(quantity: str, feature: Feature, time: PlantTime) -> list[dict[str, Any]]:
    channel = ROW_OF[quantity]
    left = Line(feature.left_ns, feature.left)
    points = _line(
        Line(feature.time_ns, feature.values), channel, time, color=palette.TEXT, mode="markers", marker_px=4
    )
    return [
        _line(left, channel, time, color=palette.EXPECTED, width=1.2, dash="4px,3px", more={"hoverinfo": "skip"}),
        {**points, "name": LABELS[quantity]},
    ]


def _envelope(envelope: Envelope, channel: str, time: PlantTime, *, behind: bool) -> list[dict[str, Any]]:
    edge: dict[str, Any] = {"line": {"width": 0}, "hoverinfo": "skip"}
    traces = []
    # A filled area cannot be interrupted by a missing value in its lower edge: one pair of edges for each piece.
    for piece in _pieces(envelope.mean):
        # A stretch lasts until the next one begins: without its end a lone one would have no width at all.
        part = np.append(envelope.time_ns[piece], envelope.time_ns[piece][-1] + envelope.step_ns)
        low, high = (Line(part, np.append(side[piece], side[piece][-1])) for side in (envelope.low, envelope.high))
        traces.append(_line(low, channel, time, more=edge))
        fill = palette.PLOT_PALE
        traces.append(_line(high, channel, time, more={**edge, "fill": "tonexty", "fillcolor": fill}))
    if behind:
        return traces
    mean = Line(envelope.time_ns + envelope.step_ns // 2, envelope.mean)
    alone = any(piece.stop - piece.start == 1 for piece in _pieces(envelope.mean))  # a line of one point is none
    mode = "lines+markers" if alone else "lines"
    traces.append(_line(mean, channel, time, color=palette.MEASURED, width=1.8, mode=mode, marker_px=2.6))
    return traces


def _pieces(values: FloatArray) -> list[slice]:
    finite = np.isfinite(values).astype(np.int8)
    edges = np.flatnonzero(np.diff(finite, prepend=0, append=0))
    return [slice(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _line(
    line: Line,
    channel: str,
    time: PlantTime,
    *,
    color: str | None = None,
    width: float = 1.5,
    dash: str | None = None,
    mode: str = "lines",
    marker_px: float = 0.0,
    more: dict[str, Any] | None = None,
) -> dict[str, Any]:
    # A MPa has ten bar: one digit more shows as much.
    decimals = DECIMALS[channel] + (channel == "pressure" and units.current().unit == "MPa")
    unit = {"command": "", "pressure": units.current().unit}.get(channel, "A")
    trace: dict[str, Any] = {
        "type": "scatter",
        "mode": mode,
        "name": channel,
        "x": time.plot_times(line.time_ns),
        "y": numbers(line.values * (units.current().pressure(1.0) if channel == "pressure" else 1.0), decimals),
        "yaxis": AXIS_OF[channel],
        "connectgaps": False,
        "hovertemplate": f"%{{y}} {unit}, {channel}<br>%{{x|%-d %b %Y %H:%M:%S}}<extra></extra>",
        "line": {"color": color or palette.BAND, "width": width, **({"dash": dash} if dash else {})},
    }
    if marker_px:
        trace["marker"] = {"size": marker_px, "color": color}
    return {**trace, **(more or {})}


def _states(view: WindowView, time: PlantTime) -> dict[str, Any]:
    """Each state on its own level; a short one is drawn long enough to be seen."""
    least_ns = (view.to_ns - view.from_ns) // 300
    x: list[str | None] = []
    y: list[float | None] = []
    for band in view.states:
        level = STATE_LEVELS.get(band.state, STATE_LEVELS["unknown"])[0]
        short_ns = max(0, least_ns - (band.to_ns - band.from_ns)) if view.envelopes else 0
        ends = [time.plot_time(band.from_ns - short_ns // 2), time.plot_time(band.to_ns + short_ns // 2)]
        x += [*ends, ends[1]]
        y += [level, level, None]
    return {
        "type": "scatter",
        "mode": "lines",
        "name": "machine",
        "x": x,
        "y": y,
        "yaxis": "y4",
        "line": {"color": palette.EXPECTED, "width": 8},
        "hoverinfo": "skip",
    }
