"""Recent ramps, up above and down below, over the straight line of the sheet and its tolerance."""

from __future__ import annotations

from typing import Any

from asleft.sheet.names import LABELS, format_quantity
from asleft.web import palette
from asleft.web.figures.base import Figure, axis, layout, numbers
from asleft.web.hrefs import csv_of_stretch
from asleft.web.markup import Markup
from asleft.web.templates import macro
from asleft.web.views.ramps import RampsView
from asleft.web.when import PlantTime

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
        traces += [
            {
                "type": "scatter",
                "mode": "lines",
                "name": "as found",
                "x": numbers(stroke.time_s, 3),
                "y": numbers(stroke.way, 3),
                "xaxis": x,
                "yaxis": y,
                "line": {"color": palette.TEXT, "width": 1.2},
                "opacity": 0.6,
            }
            for stroke in strokes
        ]
        axes[f"xaxis{x[1:]}"] = axis(anchor=y, range=[-0.06 * longest, longest], nticks=7, rangemode="normal")
        axes[f"yaxis{y[1:]}"] = axis(anchor=x, domain=domain, range=[-0.08, 1.12], tickvals=[0, 0.5, 1])
        words = f"<b>{LABELS[quantity].capitalize()}</b>, part of the way" + ("" if strokes else "   none seen")
        annotations.append(_words(words, 0, domain[1], "left", palette.TEXT))
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
    place = {"type": "scatter", "mode": "lines", "xaxis": x, "yaxis": y, "hoverinfo": "skip"}
    return [
        {
            **place,
            "name": "tolerance",
            "x": [0.0, early, late, 0.0],
            "y": [0.0, 1.0, 1.0, 0.0],
            "fill": "toself",
            "fillcolor": palette.PLOT_BAND,
            "line": {"width": 0},
        },
        {
            **place,
            "name": "as left",
            "x": [0.0, left, longest],
            "y": [0.0, 1.0, 1.0],
            "line": {"color": palette.EXPECTED, "width": 1.6, "dash": "4px,3px"},
        },
    ]


def _words(text: str, x: float, y: float, anchor: str, color: str) -> dict[str, Any]:
    return {
        "text": text,
        "xref": "paper",
        "yref": "paper",
        "x": x,
        "y": y,
        "xanchor": anchor,
        "yanchor": "bottom",
        "showarrow": False,
        "font": {"size": 12, "color": color},
    }


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
