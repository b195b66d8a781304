"""The plot over time: command, current with what the sheet expects, pressure, machine states, one time axis."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from asleft.web import palette
from asleft.web.figures.base import Figure, axis, layout, numbers
from asleft.web.views.window import Envelope, Line, Onset, WindowView
from asleft.web.when import PlantTime

FloatArray = npt.NDArray[np.float64]

HEIGHT = 600  # px

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

_ROWS = {"y": [0.83, 0.98], "y2": [0.475, 0.765], "y3": [0.195, 0.41], "y4": [0.0, 0.145]}
#: Where a valve has no current reading its row is closed up and the pressure gets the room.
_ROWS_WITHOUT_CURRENT = {**_ROWS, "y2": [0.70, 0.71], "y3": [0.195, 0.62]}
_AXIS_OF = {"command": "y", "expected": "y2", "current": "y2", "pressure": "y3"}

#: Order of the traces of a picture from raw readings: a live extension addresses them by place.
RAW_TRACES = ("command", "band-low", "band-high", "expected", "current", "pressure", "states")


def window_figure(view: WindowView, time: PlantTime, *, live: bool) -> Figure:
    """The whole figure. Raw stretches as lines, long ones as envelopes with their mean."""
    traces = _raw_traces(view, time) if not view.envelopes else _envelope_traces(view, time)
    return {"data": traces, "layout": _layout(view, time, live=live)}


def window_blank(time: PlantTime, now_ns: int) -> Figure:
    """The same axes without contents, until the figure arrives.

    It must have all of them: a plot that is given more axes while it is still being laid out draws them nowhere.
    """
    figure = window_figure(WindowView(now_ns - 60 * 10**9, now_ns, ""), time, live=False)
    return {**figure, "layout": {**figure["layout"], "annotations": [], "shapes": []}}


def extension(view: WindowView, time: PlantTime) -> dict[str, list[list[Any]]]:
    """New points for each of `RAW_TRACES`, to be appended: {"x": [...], "y": [...]}, one list per trace."""
    traces = _raw_traces(view, time)
    return {"x": [t["x"] for t in traces], "y": [t["y"] for t in traces]}


def _raw_traces(view: WindowView, time: PlantTime) -> list[dict[str, Any]]:
    none = Line(np.empty(0, np.int64), np.empty(0))
    expected = view.lines.get("expected", none)
    band = view.band_a if view.band_a is not None else np.zeros_like(expected.values)
    edge: dict[str, Any] = {"line": {"width": 0}, "hoverinfo": "skip"}
    return [
        _line(view.lines.get("command", none), "command", time, color=palette.MEASURED, width=1.4),
        _line(Line(expected.time_ns, expected.values - band), "expected", time, more=edge),
        _line(
            Line(expected.time_ns, expected.values + band),
            "expected",
            time,
            more={**edge, "fill": "tonexty", "fillcolor": palette.PLOT_BAND},
        ),
        _line(expected, "expected", time, color=palette.EXPECTED, width=1.6, dash="4px,3px"),
        _line(view.lines.get("current", none), "current", time, color=palette.TEXT, width=1.6),
        _line(view.lines.get("pressure", none), "pressure", time, color=palette.MEASURED, width=1.4),
        _states(view, time),
    ]


def _envelope_traces(view: WindowView, time: PlantTime) -> list[dict[str, Any]]:
    traces: list[dict[str, Any]] = []
    for channel, envelope in view.envelopes.items():
        traces += _envelope(envelope, channel, time)
    traces.append(_states(view, time))
    return traces


def _envelope(envelope: Envelope, channel: str, time: PlantTime) -> list[dict[str, Any]]:
    edge: dict[str, Any] = {"line": {"width": 0}, "hoverinfo": "skip"}
    traces = []
    # A filled area cannot be interrupted by a missing value in its lower edge: one pair of edges for each piece.
    for piece in _pieces(envelope.mean):
        # A stretch lasts until the next one begins: without its end a lone one would have no width at all.
        part = np.append(envelope.time_ns[piece], envelope.time_ns[piece][-1] + envelope.step_ns)
        low, high = (Line(part, np.append(side[piece], side[piece][-1])) for side in (envelope.low, envelope.high))
        traces.append(_line(low, channel, time, more=edge))
        traces.append(_line(high, channel, time, more={**edge, "fill": "tonexty", "fillcolor": palette.PLOT_BAND}))
    mean = Line(envelope.time_ns + envelope.step_ns // 2, envelope.mean)
    traces.append(_line(mean, channel, time, color=palette.MEASURED, width=1.3, mode="lines+markers", marker_px=2.6))
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
    trace: dict[str, Any] = {
        "type": "scatter",
        "mode": mode,
        "name": channel,
        "x": numbers(time.plot_ms(line.time_ns), 0),
        "y": numbers(line.values, DECIMALS[channel]),
        "yaxis": _AXIS_OF[channel],
        "connectgaps": False,
        "line": {"color": color or palette.BAND, "width": width, **({"dash": dash} if dash else {})},
    }
    if marker_px:
        trace["marker"] = {"size": marker_px, "color": color}
    return {**trace, **(more or {})}


def _states(view: WindowView, time: PlantTime) -> dict[str, Any]:
    """Each state on its own level; a short one is drawn long enough to be seen."""
    least_ns = (view.to_ns - view.from_ns) // 300
    x: list[float | None] = []
    y: list[float | None] = []
    for band in view.states:
        level = STATE_LEVELS.get(band.state, STATE_LEVELS["unknown"])[0]
        short_ns = max(0, least_ns - (band.to_ns - band.from_ns)) if view.envelopes else 0
        ends = time.plot_ms(np.array([band.from_ns - short_ns // 2, band.to_ns + short_ns // 2], dtype=np.int64))
        x += [*numbers(ends, 0), numbers(ends, 0)[1]]
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


def _layout(view: WindowView, time: PlantTime, *, live: bool) -> dict[str, Any]:
    ends = time.plot_ms(np.array([view.from_ns, view.to_ns], dtype=np.int64)).tolist()
    seen = {*(name for name, line in view.lines.items() if line.values.size), *view.envelopes}
    no_current = not view.empty and not seen & {"current", "expected"}
    rows = _ROWS_WITHOUT_CURRENT if no_current else _ROWS
    titles = {
        "y": f"<b>Command</b>, {view.command_unit or 'as sent'}"
        + ("   line: mean, shaded: range" if view.envelopes else ""),
        "y2": "<b>Coil current</b>, A" + _current_words(view, none=no_current),
        "y3": "<b>Pressure</b>, bar",
        "y4": "<b>Machine</b>",
    }
    annotations = [
        {
            "text": text,
            "xref": "paper",
            "yref": "paper",
            "x": 0,
            "y": rows[key][1],
            "xanchor": "left",
            "yanchor": "bottom",
            "showarrow": False,
            "font": {"size": 12, "color": palette.TEXT},
        }
        for key, text in titles.items()
    ]
    if view.empty:
        annotations.append(
            {
                "text": "Nothing was recorded in this stretch.",
                "xref": "paper",
                "yref": "paper",
                "x": 0.5,
                "y": 0.62,
                "showarrow": False,
                "font": {"size": 14, "color": palette.MUTED},
            }
        )
    annotations += [_onset_words(onset, time) for onset in view.onsets]
    levels = sorted(STATE_LEVELS.values())
    return layout(
        height=HEIGHT,
        uirevision=f"{view.from_ns if not live else 'live'}-{view.to_ns - view.from_ns}",
        xaxis=axis(
            type="date",
            range=ends,
            anchor="y4",
            fixedrange=False,
            hoverformat="%-d %b %H:%M:%S",
            tickformatstops=[
                {"dtickrange": [None, 60_000], "value": "%H:%M:%S"},
                {"dtickrange": [60_000, 43_200_000], "value": "%H:%M"},
                {"dtickrange": [43_200_000, None], "value": "%-d %b"},
            ],
            tickangle=0,
        ),
        yaxis=axis(type="linear", domain=rows["y"], nticks=5, **_at_least(view, "command")),
        yaxis2=axis(type="linear", domain=rows["y2"], nticks=5, **_at_least(view, "current")),
        yaxis3=axis(type="linear", domain=rows["y3"], nticks=4, **_at_least(view, "pressure")),
        yaxis4=axis(
            type="linear",
            domain=rows["y4"],
            range=[-0.6, 5.6],
            tickvals=[level for level, _ in levels],
            ticktext=[words for _, words in levels],
            tickfont={"size": 10, "color": palette.MUTED},
            gridcolor="rgba(0,0,0,0.05)",
        ),
        shapes=[_onset_mark(onset, time) for onset in view.onsets],
        annotations=annotations,
    )


def _at_least(view: WindowView, channel: str) -> dict[str, Any]:
    """The axis of a channel shows the ends of the sheet; without a sheet's ends and without readings, nothing."""
    ends = view.scale.get(channel)
    if ends is not None:
        return {"autorangeoptions": {"include": list(ends)}}
    drawn = any(line.values.size for name, line in view.lines.items() if _AXIS_OF[name] == _AXIS_OF[channel])
    if drawn or channel in view.envelopes:
        return {}
    return {"range": [0, 1], "showticklabels": False, "showgrid": False}


def _current_words(view: WindowView, *, none: bool) -> str:
    if none:
        return "   not recorded on this valve"
    return "" if view.envelopes else "   dashed: expected"


def _onset_mark(onset: Onset, time: PlantTime) -> dict[str, Any]:
    at = time.plot_ms_one(onset.at_ns)
    return {
        "type": "line",
        "xref": "x",
        "yref": "paper",
        "x0": at,
        "x1": at,
        "y0": 0,
        "y1": 0.98,
        "line": {"color": palette.SHIFT, "width": 1.5, "dash": "dot"},
    }


def _onset_words(onset: Onset, time: PlantTime) -> dict[str, Any]:
    return {
        "text": f"▲ {onset.words}",
        "xref": "x",
        "yref": "paper",
        "x": time.plot_ms_one(onset.at_ns),
        "y": 0.425,
        "xanchor": "left",
        "yanchor": "bottom",
        "showarrow": False,
        "font": {"size": 11, "color": palette.SHIFT},
        "bgcolor": "rgba(255,255,255,0.85)",
    }
