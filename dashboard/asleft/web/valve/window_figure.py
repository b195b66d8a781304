"""The plot over time: command, current with what the sheet expects, pressure, machine states, one time axis."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from asleft.sheet.names import LABELS
from asleft.web import palette, units
from asleft.web.evidence.style import CHAR_PX
from asleft.web.figures import Figure, axis, layout, note, numbers, scatter
from asleft.web.views.window import ROW_OF, Envelope, Feature, Line, WindowView
from asleft.web.when import PlantTime

# The curves of the plot over time: lines with the band of the expected current, or envelopes, and the states.

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
    values = line.values * (units.current().pressure(1.0) if channel == "pressure" else 1.0)
    trace = scatter(
        channel, time.plot_times(line.time_ns), numbers(values, decimals), mode,
        yaxis=AXIS_OF[channel],
        connectgaps=False,
        hovertemplate=f"%{{y}} {unit}, {channel}<br>%{{x|%-d %b %Y %H:%M:%S}}<extra></extra>",
        line={"color": color or palette.BAND, "width": width, **({"dash": dash} if dash else {})},
    )  # fmt: skip
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
    return scatter("machine", x, y, yaxis="y4", line={"color": palette.EXPECTED, "width": 8}, hoverinfo="skip")


HEIGHT = 640  # px

_ROWS = {"y": [0.765, 0.9], "y2": [0.435, 0.705], "y3": [0.18, 0.375], "y4": [0.0, 0.13]}
#: Where a valve has no current reading its row is closed up and the pressure gets the room.
_ROWS_WITHOUT_CURRENT = {**_ROWS, "y2": [0.645, 0.655], "y3": [0.18, 0.57]}
#: Above all rows and their titles: lines of words for what began and for revisions, as shares of the plot's height.
_WORDS_AT = (0.944, 0.97, 0.996)
#: Width for which words are kept apart, px: on a narrower screen some may touch.
_USUAL_PX = 760.0


def window_figure(view: WindowView, time: PlantTime, *, live: bool) -> Figure:
    """The whole figure. Raw stretches as lines, long ones as envelopes with their mean."""
    traces = raw_traces(view, time) if not view.envelopes else envelope_traces(view, time)
    return {"data": traces, "layout": {**_layout(view, time, live=live), "meta": _meta(view, time, live=live)}}


def _meta(view: WindowView, time: PlantTime, *, live: bool) -> dict[str, Any]:
    """What the browser needs to turn a place in the plot into a moment: how far ahead of UTC, since which place."""
    return {
        "live": live,
        "ends": [view.from_ns / 1e6, view.to_ns / 1e6],
        "ahead": time.offsets(view.from_ns, view.to_ns),
    }


def window_blank(time: PlantTime, now_ns: int) -> Figure:
    """The same axes without contents, until the figure arrives.

    It must have all of them: a plot that is given more axes while it is still being laid out draws them nowhere.
    """
    figure = window_figure(WindowView(now_ns - 60 * 10**9, now_ns, ""), time, live=False)
    return {**figure, "layout": {**figure["layout"], "annotations": [], "shapes": []}}


def extension(view: WindowView, time: PlantTime) -> dict[str, list[list[Any]]]:
    """New points for each of `RAW_TRACES`, to be appended: {"x": [...], "y": [...]}, one list per trace."""
    traces = raw_traces(view, time)
    return {"x": [t["x"] for t in traces], "y": [t["y"] for t in traces]}


def _layout(view: WindowView, time: PlantTime, *, live: bool) -> dict[str, Any]:
    ends = [time.plot_time(view.from_ns), time.plot_time(view.to_ns)]
    seen = {*(name for name, line in view.lines.items() if line.values.size), *view.envelopes}
    no_current = not view.empty and not seen & {"current", "expected"}
    rows = _ROWS_WITHOUT_CURRENT if no_current else _ROWS
    titles = {
        "y": f"<b>Command</b>, {view.command_unit or 'as sent'}"
        + ("   line: mean of some minutes, shaded: range" if view.envelopes else ""),
        "y2": "<b>Coil current</b>, A" + _current_words(view, none=no_current),
        "y3": f"<b>Pressure</b>, {units.current().unit}"
        + ("   dots: at zero and full" if any(r == "pressure" for r in map(ROW_OF.get, view.features)) else ""),
        "y4": "<b>Machine</b>",
    }
    whole = {"xref": "paper", "yref": "paper"}
    annotations = [
        note(text, **whole, x=0, y=rows[key][1], xanchor="left", yanchor="bottom") for key, text in titles.items()
    ]
    if view.empty:
        annotations.append(note("Nothing was recorded in this stretch.", palette.MUTED, 14, **whole, x=0.5, y=0.62))
    annotations += _words_above(view, time)
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
                {"dtickrange": [None, 1000], "value": "%H:%M:%S.%L"},
                {"dtickrange": [1000, 60_000], "value": "%H:%M:%S"},
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
        shapes=[
            *(_upright(mark.at_ns, time, palette.EXPECTED, "solid") for mark in view.revisions),
            *(_upright(onset.at_ns, time, palette.SHIFT, "dot") for onset in view.onsets),
        ],
        annotations=annotations,
    )


def _at_least(view: WindowView, channel: str) -> dict[str, Any]:
    """The axis of a channel shows the ends of the sheet; without a sheet's ends and without readings, nothing."""
    ends = view.scale.get(channel)
    if ends is not None and channel == "pressure":
        ends = (units.current().pressure(ends[0]), units.current().pressure(ends[1]))
    if ends is not None:
        return {"autorangeoptions": {"include": list(ends)}}
    drawn = any(line.values.size for name, line in view.lines.items() if AXIS_OF[name] == AXIS_OF[channel])
    if drawn or channel in view.envelopes:
        return {}
    return {"range": [0, 1], "showticklabels": False, "showgrid": False}


def _current_words(view: WindowView, *, none: bool) -> str:
    if none:
        return "   not recorded on this valve"
    if any(ROW_OF[quantity] == "current" for quantity in view.features):
        return "   dots: at zero and full"
    return "" if view.envelopes else "   dashed: expected"


def _upright(at_ns: int, time: PlantTime, color: str, dash: str) -> dict[str, Any]:
    at = time.plot_time(at_ns)
    return {
        "type": "line",
        "xref": "x",
        "yref": "paper",
        "x0": at,
        "x1": at,
        "y0": 0,
        "y1": _ROWS["y"][1],
        "line": {"color": color, "width": 1.5 if dash == "dot" else 1.0, "dash": dash},
    }


def _words_above(view: WindowView, time: PlantTime) -> list[dict[str, Any]]:
    """Words of onsets and revisions above their lines, over no title and not over each other.

    Those for which there is no room are left out: their lines stay, and the words under the plot name them all.
    """
    wanted = [(one.at_ns, f"▲ {one.said}{'' if one.until_ns is None else ', now gone'}", palette.SHIFT)
              for one in view.onsets]  # fmt: skip
    wanted += [(mark.at_ns, mark.words, palette.MUTED) for mark in view.revisions]
    taken: list[list[tuple[float, float]]] = [[] for _ in _WORDS_AT]
    out = []
    for at_ns, text, color in sorted(wanted):
        share = (at_ns - view.from_ns) / max(view.to_ns - view.from_ns, 1)
        width = CHAR_PX * len(text) / _USUAL_PX
        late = share + width > 1.0
        start = share - width if late else share
        line = next((k for k, row in enumerate(taken) if all(start > b or start + width < a for a, b in row)), None)
        if line is None:
            continue
        taken[line].append((start - 0.01, start + width + 0.01))
        at = {"xref": "x", "yref": "paper", "x": time.plot_time(at_ns), "y": _WORDS_AT[line]}
        out.append(note(text, color, 11, **at, xanchor="right" if late else "left", yanchor="middle"))
    return out
