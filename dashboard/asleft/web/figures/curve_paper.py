"""Pressure against current on paper: dots of production over the commissioned curve and its tolerance."""

from __future__ import annotations

import numpy as np
from asleft.web import units
from asleft.web.figures.axes import Axes, picture_of
from asleft.web.markup import Markup, el
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
    axes = Axes(
        float(currents.min()) - room_a,
        float(currents.max()) + room_a,
        min(0.0, bars.pressure(float(pressures.min()))),
        bars.pressure(max(top * 1.06, 1.0)),
    )

    def path(at_a: np.ndarray, at_bar: np.ndarray) -> str:
        return axes.line(at_a.tolist(), [bars.pressure(value) for value in at_bar.tolist()])

    band = rising = falling = None
    if view.left_a.size:
        rising = el("path", d=path(view.left_a, view.left_rising_bar), class_="left")
        falling = el("path", d=path(view.left_a, view.left_falling_bar), class_="left falling")
        if view.band_bar is not None:
            low, high = view.band_bar
            back = path(view.left_a[::-1], low[::-1]).replace("M", "L", 1)
            band = el("path", d=f"{path(view.left_a, high)}{back}Z", class_="band")
    up = _marks(axes, view.rising_a, [bars.pressure(v) for v in view.rising_bar.tolist()], up=True)
    down = _marks(axes, view.falling_a, [bars.pressure(v) for v in view.falling_bar.tolist()], up=False)
    return picture_of(
        axes,
        "coil current, A",
        f"pressure, {bars.unit}",
        curve_words(view),
        band,
        rising,
        falling,
        el("path", d=up, class_="up") if up else None,
        el("path", d=down, class_="down") if down else None,
    )


def curve_words(view: CurveView) -> str:
    """The picture in words."""
    return (
        f"Pressure against coil current. {view.seen} {view.basis} {view.rising_a.size} dots rising (filled), "
        f"{view.falling_a.size} falling (open)."
    )


def _marks(axes: Axes, at_a: np.ndarray, pressures: list[float], *, up: bool) -> str:
    tip = -3.0 if up else 3.0
    return "".join(
        f"M{axes.x(a):.1f} {axes.y(p) + tip:.1f}l2.6 {-1.6 * tip:.1f}h-5.2Z"
        for a, p in zip(at_a.tolist(), pressures, strict=True)
    )
