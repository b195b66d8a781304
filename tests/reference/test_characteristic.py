"""Hysteresis and linearity against closed forms. What they are called is from memory of ISO 10770-3."""

from __future__ import annotations

import numpy as np
import pytest
from asleft.judge.valve.branches import BranchLevel
from asleft.judge.valve.characteristic_report import departure_from_line
from asleft.judge.valve.curve import Curve
from asleft.judge.valve.hysteresis import NoWidth, largest_width, loop_width


def play(x: np.ndarray, half: float, start: float) -> np.ndarray:
    """The play (backlash) operator: the output follows once the input leaves the band round it."""
    out = np.empty_like(x)
    y = start
    for k, value in enumerate(x.tolist()):
        y = min(max(y, value - half), value + half)
        out[k] = y
    return out


def test_play_of_half_width_03_is_a_loop_06_wide() -> None:
    """Closed form: width 2 r = .06 along the input, area 2 r (1 - 2 r) = .0564 over a span of 1."""
    up = np.linspace(0.0, 1.0, 20_001)
    y_up = play(up, 0.03, 0.03)
    y_down = play(up[::-1], 0.03, y_up[-1])[::-1]
    assert largest_width(up, y_up, up, y_down) == pytest.approx(0.06, abs=1e-4)
    assert np.trapezoid(y_down - y_up, up) == pytest.approx(0.0564, abs=1e-6)


def test_play_through_a_bowed_curve_is_as_wide_along_the_input_but_not_along_the_output() -> None:
    """Closed form: whatever the curve behind it, equal output needs inputs 2 r apart; so the axis is part of it."""
    up = np.linspace(0.0, 1.0, 20_001)
    bow = lambda s: 0.6 * s + 0.4 * s**2  # noqa: E731
    y_up = play(up, 0.03, 0.03)
    y_down = play(up[::-1], 0.03, y_up[-1])[::-1]
    assert largest_width(up, bow(y_up), up, bow(y_down)) == pytest.approx(0.06, abs=1e-4)
    assert np.max(bow(y_down) - bow(y_up)) > 0.07


def test_a_phase_of_ten_degrees_is_an_ellipse_of_width_173648() -> None:
    """Closed form (Lissajous): width along the input / peak to peak = sin(10 deg)."""
    t = np.radians(np.linspace(0.0, 360.0, 72_001))
    x, y = np.sin(t), np.sin(t - np.radians(10.0))
    rises = np.gradient(y, t) > 0.0
    up, down = np.flatnonzero(rises), np.flatnonzero(~rises)
    # At equal output the rising branch needs the larger input: it lags.
    width = largest_width(x[up], y[up], x[down], y[down])
    assert width / np.ptp(x) == pytest.approx(0.173648, abs=1e-5)


@pytest.mark.parametrize(
    ("kind", "percent", "tolerance"),
    [("terminal", 4.0, 1e-9), ("least squares", 2.6664, 1e-4), ("minimax", 2.0, 1e-6)],
)
def test_linearity_of_a_bow(kind: str, percent: float, tolerance: float) -> None:
    """Closed form: y = x + .16 x (1 - x) departs by c/4, c/6 (10,001 points: 2.6664 %) and c/8."""
    x = np.linspace(0.0, 1.0, 10_001)
    y = x + 0.16 * x * (1.0 - x)
    assert 100.0 * departure_from_line(x, y, kind) / (y[-1] - y[0]) == pytest.approx(percent, abs=tolerance)


def test_minimax_is_no_worse_than_any_other_line() -> None:
    """Closed form for three points: half the distance of the middle one from the chord."""
    x, y = np.array([0.0, 0.3, 1.0]), np.array([0.0, 0.5, 1.0])
    assert departure_from_line(x, y, "minimax") == pytest.approx(0.1)
    rng = np.random.default_rng(4)
    for _ in range(50):
        x, y = np.sort(rng.random(9)), rng.random(9)
        best = departure_from_line(x, y, "minimax")
        slopes = rng.normal(size=200) * 3.0
        assert min(0.5 * np.ptp(y - s * x) for s in slopes) >= best - 1e-12
        assert departure_from_line(x, y, "least squares") >= best - 1e-12
        assert departure_from_line(x, y, "terminal") >= best - 1e-12
    with pytest.raises(ValueError, match="kind of line must be one of"):
        departure_from_line(x, y, "by eye")


def test_levels_of_a_play_give_its_width() -> None:
    """Closed form: nine levels of a loop through a straight line, read without noise."""
    curve = Curve(np.array([0.23, 0.97]), np.array([10.0, 200.0]), 0.0, 0.2, 1.0, recorded=False)
    levels = []
    for way in (1.0, -1.0):
        for share in np.arange(0.1, 0.95, 0.1).tolist():
            current = 0.2 + 0.8 * share
            bar = float(curve.pressure_at(np.array([current - way * 0.024]))[0])
            levels.append(BranchLevel(way, share, share, current, 1e-6, bar, 1e-4, 0.0, 9, 0.0, 1.0, np.nan))
    width = loop_width(levels, curve, 0.8)
    assert not isinstance(width, NoWidth)
    assert width.share == pytest.approx(0.06, abs=1e-5)
    assert width.pairs == 9
    assert width.widest_at is None
