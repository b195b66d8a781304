"""The history of one quantity as a small SVG picture: dots, as-left line, tolerance, onset."""

from __future__ import annotations

import numpy as np
from asleft.web import units
from asleft.web.markup import Markup, el
from asleft.web.views.history import HistoryView
from asleft.web.when import PlantTime

WIDTH, HEIGHT = 320.0, 138.0
LEFT, RIGHT, TOP, BOTTOM = 50.0, 8.0, 12.0, 22.0
WEEK_NS = 7 * 86_400 * 10**9


def history_svg(view: HistoryView, time: PlantTime) -> Markup:
    """The picture; its words are its accessible name."""
    low, high = _limits(view)
    right, bottom = WIDTH - RIGHT, HEIGHT - BOTTOM

    def at_x(at_ns: float) -> float:
        return LEFT + (at_ns - view.from_ns) / (view.to_ns - view.from_ns) * (right - LEFT)

    def at_y(value: float) -> float:
        return bottom - (min(max(value, low), high) - low) / (high - low) * (bottom - TOP)

    band = None
    if view.low is not None or view.high is not None:
        top = at_y(view.high) if view.high is not None else TOP
        base = at_y(view.low) if view.low is not None else bottom
        band = el("path", d=f"M{LEFT} {top:.1f}H{right}V{base:.1f}H{LEFT}Z", class_="band")
    left = None
    labels: list[Markup] = []
    taken: list[float] = []
    for value, strong in ((view.as_left, True), (view.high, False), (view.low, False)):
        if value is None:
            continue
        y = at_y(value)
        if all(abs(y - other) > 12 for other in taken):
            taken.append(y)
            text = units.current().number(view.quantity, value)
            labels.append(
                el("text", text, x=LEFT - 6, y=y + 4, text_anchor="end", class_="strong" if strong else None)
            )
    if view.as_left is not None:
        left = el("path", d=f"M{LEFT} {at_y(view.as_left):.1f}H{right}", class_="left")
    xs = [at_x(float(t)) for t in view.time_ns]
    dots = "".join(f"M{x:.1f} {at_y(v):.1f}h0" for x, v in zip(xs, view.values.tolist(), strict=True))
    whiskers = "".join(
        f"M{x:.1f} {at_y(v + 2 * s):.1f}V{at_y(v - 2 * s):.1f}"
        for x, v, s in zip(xs, view.values.tolist(), view.spread.tolist(), strict=True)
        if np.isfinite(s) and at_y(v - 2 * s) - at_y(v + 2 * s) > 4
    )
    onset = None
    if view.onset_ns is not None and view.from_ns <= view.onset_ns <= view.to_ns:
        x = at_x(view.onset_ns)
        onset = el("path", d=f"M{x:.1f} {TOP - 2}V{bottom}M{x - 4:.1f} {bottom + 7:.1f}l4 -6l4 6Z", class_="onset")
    ticks = [
        el(
            "text",
            time.day(view.to_ns - weeks * WEEK_NS),
            x=at_x(view.to_ns - weeks * WEEK_NS),
            y=HEIGHT - 4,
            text_anchor="end" if weeks == 0 else "middle" if weeks < 3 else "start",
        )
        for weeks in (3, 2, 1, 0)
    ]
    return el(
        "svg",
        band,
        left,
        el("path", d=whiskers, class_="whisker") if whiskers else None,
        el("path", d=dots, class_="dot out" if view.verdict == "out" else "dot"),
        onset,
        *labels,
        *ticks,
        viewBox=f"0 0 {WIDTH:.0f} {HEIGHT:.0f}",
        class_="history",
        role="img",
        aria_label=view.words,
    )


def _limits(view: HistoryView) -> tuple[float, float]:
    """Of the vertical axis: all points, and the whole tolerance, with a little room."""
    ends = [float(np.min(view.values)), float(np.max(view.values))]
    ends += [value for value in (view.as_left, view.low, view.high) if value is not None]
    low, high = min(ends), max(ends)
    room = (high - low) * 0.12 or max(abs(high) * 0.05, 1e-6)
    return low - room, high + room
