"""Pressure against current on paper: dots of production over the commissioned curve and its tolerance."""

from __future__ import annotations

import numpy as np
from asleft.web import units
from asleft.web.figures.chart import Chart
from asleft.web.markup import Markup
from asleft.web.views.curve import CurveView


def curve_svg(view: CurveView) -> Markup | None:
    """The picture; None where there are neither dots nor a curve. Rising: filled, up; falling: open, down."""
    currents = np.concatenate([view.rising_a, view.falling_a, view.left_a])
    if currents.size == 0:
        return None
    bars = units.current()
    left = np.concatenate([view.left_rising_bar, view.left_falling_bar])
    pressures = np.concatenate([view.rising_bar, view.falling_bar, left])
    top = float(pressures.max()) + (view.tolerance_bar[1] if view.tolerance_bar is not None else 0.0)
    room_a = max(float(np.ptp(currents)) * 0.04, 0.005)
    chart = Chart(
        (float(currents.min()) - room_a, float(currents.max()) + room_a),
        (min(0.0, bars.pressure(float(pressures.min()))), bars.pressure(max(top * 1.06, 1.0))),
        "coil current, A",
        f"pressure, {bars.unit}",
    )

    def shown(at_bar: np.ndarray) -> list[float]:
        return [bars.pressure(value) for value in at_bar.tolist()]

    if view.left_a.size:
        at_a = view.left_a.tolist()
        if view.band_bar is not None:
            low, high = view.band_bar
            chart.area(at_a, shown(low), shown(high))
        chart.line(at_a, shown(view.left_rising_bar), "left")
        chart.line(at_a, shown(view.left_falling_bar), "left")
    chart.dots(view.rising_a.tolist(), shown(view.rising_bar), "up")
    chart.dots(view.falling_a.tolist(), shown(view.falling_bar), "before down")
    return chart.svg(curve_words(view))


def curve_words(view: CurveView) -> str:
    """The picture in words."""
    return (
        f"Pressure against coil current. {view.seen} {view.basis} {view.rising_a.size} dots rising (filled), "
        f"{view.falling_a.size} falling (open)."
    )
