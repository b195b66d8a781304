"""The plot over time: command, current with what the sheet expects, pressure, machine states, one time axis."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from asleft.web import palette, units
from asleft.web.evidence.labels import CHAR_PX
from asleft.web.figures.base import Figure, axis, layout
from asleft.web.valve.traces import AXIS_OF, RAW_TRACES, STATE_LEVELS, envelope_traces, raw_traces
from asleft.web.views.features import ROW_OF
from asleft.web.views.window import WindowView
from asleft.web.when import PlantTime

FloatArray = npt.NDArray[np.float64]

__all__ = ["HEIGHT", "RAW_TRACES", "extension", "window_blank", "window_figure"]

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
        out.append({
            "text": text, "xref": "x", "yref": "paper", "x": time.plot_time(at_ns), "y": _WORDS_AT[line],
            "xanchor": "right" if late else "left", "yanchor": "middle", "showarrow": False,
            "font": {"size": 11, "color": color},
        })  # fmt: skip
    return out
