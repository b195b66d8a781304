"""Pressure against current: dots of production over the commissioned curve and its tolerance."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from asleft.web import palette, units
from asleft.web.figures.base import Figure, axis, layout, numbers
from asleft.web.markup import Markup
from asleft.web.templates import macro
from asleft.web.views.curve import CurveView

CURVE_HEIGHT = 400  # px

FloatArray = npt.NDArray[np.float64]


def curve_figure(view: CurveView) -> Figure:
    """The figure; rising and falling differ in shape, in fill and in the words beside them."""
    traces: list[dict[str, Any]] = []
    if view.left_a.size:
        if view.band_bar is not None:
            low, high = view.band_bar
            edge = {"width": 0}
            traces.append(_trace(view.left_a, low, "lines", "tolerance", line=edge, hoverinfo="skip"))
            traces.append(
                _trace(
                    view.left_a,
                    high,
                    "lines",
                    "tolerance",
                    line=edge,
                    fill="tonexty",
                    fillcolor=palette.PLOT_BAND,
                    hoverinfo="skip",
                )
            )
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
            {
                "x": round(x, 4),
                "y": round(units.current().pressure(float(np.interp(x, at_a[order], at_bar[order]))), 3),
                "text": f"{word}: {',<br>'.join(said)}",
                "showarrow": False,
                "xanchor": "left" if side > 0 else "right",
                "yanchor": "top" if side > 0 else "bottom",
                "xshift": 10 * side,
                "yshift": -6 * side,
                "font": {"size": 12, "color": palette.TEXT},
            }
        )
    return labels


def _trace(x: FloatArray, y: FloatArray, mode: str, name: str, **more: object) -> dict[str, Any]:
    return {
        "type": "scatter",
        "mode": mode,
        "name": name,
        "x": numbers(x, 4),
        "y": numbers(y * units.current().pressure(1.0), 3),
        **more,
    }


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
