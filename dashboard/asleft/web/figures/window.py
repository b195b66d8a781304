"""The plot over time: command, current with what the sheet expects, pressure, machine states, one time axis."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from asleft.web import palette, units
from asleft.web.figures.base import Figure, axis, layout
from asleft.web.figures.traces import AXIS_OF, RAW_TRACES, STATE_LEVELS, envelope_traces, raw_traces
from asleft.web.views.features import ROW_OF
from asleft.web.views.onsets import Onset
from asleft.web.views.revisions import RevisionMark
from asleft.web.views.window import WindowView
from asleft.web.when import PlantTime

FloatArray = npt.NDArray[np.float64]

__all__ = ["HEIGHT", "RAW_TRACES", "extension", "window_blank", "window_figure"]

HEIGHT = 600  # px

_ROWS = {"y": [0.83, 0.98], "y2": [0.475, 0.765], "y3": [0.195, 0.41], "y4": [0.0, 0.145]}
#: Where a valve has no current reading its row is closed up and the pressure gets the room.
_ROWS_WITHOUT_CURRENT = {**_ROWS, "y2": [0.70, 0.71], "y3": [0.195, 0.62]}


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
    ends = time.plot_ms(np.array([view.from_ns, view.to_ns], dtype=np.int64)).tolist()
    seen = {*(name for name, line in view.lines.items() if line.values.size), *view.envelopes}
    no_current = not view.empty and not seen & {"current", "expected"}
    rows = _ROWS_WITHOUT_CURRENT if no_current else _ROWS
    titles = {
        "y": f"<b>Command</b>, {view.command_unit or 'as sent'}"
        + ("   line: mean, shaded: range" if view.envelopes else ""),
        "y2": "<b>Coil current</b>, A" + _current_words(view, none=no_current),
        "y3": f"<b>Pressure</b>, {units.current().unit}"
        + ("   dots: at zero and full" if any(r == "pressure" for r in map(ROW_OF.get, view.features)) else ""),
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
    annotations += [_onset_words(onset, view, time, place) for place, onset in enumerate(view.onsets)]
    annotations += [_revision_words(mark, time) for mark in view.revisions]
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
    at = time.plot_ms_one(at_ns)
    return {
        "type": "line",
        "xref": "x",
        "yref": "paper",
        "x0": at,
        "x1": at,
        "y0": 0,
        "y1": 0.98,
        "line": {"color": color, "width": 1.5 if dash == "dot" else 1.0, "dash": dash},
    }


def _onset_words(onset: Onset, view: WindowView, time: PlantTime, place: int) -> dict[str, Any]:
    """One above the other in turn, so that neighbours can be read."""
    late = onset.at_ns - view.from_ns > 0.6 * (view.to_ns - view.from_ns)  # the words would leave the plot
    words = onset.said if onset.until_ns is None else f"{onset.said}, now gone"
    return {
        **_words_at(f"▲ {words}" if not late else f"{words} ▲", onset.at_ns, time, palette.SHIFT),
        "y": 0.42 + 0.027 * (place % 4),
        "xanchor": "right" if late else "left",
    }


def _revision_words(mark: RevisionMark, time: PlantTime) -> dict[str, Any]:
    return {**_words_at(mark.words, mark.at_ns, time, palette.MUTED), "y": 0.985, "xanchor": "left"}


def _words_at(text: str, at_ns: int, time: PlantTime, color: str) -> dict[str, Any]:
    return {
        "text": text,
        "xref": "x",
        "yref": "paper",
        "x": time.plot_ms_one(at_ns),
        "yanchor": "bottom",
        "showarrow": False,
        "font": {"size": 11, "color": color},
        "bgcolor": "rgba(255,255,255,0.85)",
    }
