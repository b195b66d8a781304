"""How straight a characteristic is, and where it begins: linearity against three lines, and the dead band.

Linearity is the largest departure of pressure from a straight line over the currents seen, in % of the pressure span
over the same range. The line is said with the number: terminal (through the two ends), least squares, or minimax
(the one whose largest departure is smallest; Chebyshev). A bow y = x + c x (1 - x) has c/4, c/6 and c/8.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from asleft.judge.types import FloatArray
from asleft.judge.valve.branches import BranchLevel

KINDS = ("terminal", "least squares", "minimax")
#: A branch must span this share of the current span, with this many levels, before its straightness is a number.
_LEAST_SPAN = 0.5
_LEAST_LEVELS = 3
#: The pressure has begun to move when it is this share of its span above that at zero command.
_MOVED = 0.02
#: The lowest level at which it has moved must lie below this share of the span, or the way down to it is a guess.
_LOWEST_MOVED = 0.30


@dataclass(frozen=True, slots=True)
class Linearity:
    """Largest departure from a line of `kind`, % of the pressure span seen; standard uncertainty likewise."""

    kind: str
    value_pct: float
    standard_pct: float


@dataclass(frozen=True, slots=True)
class DeadBand:
    """Current at which the pressure begins to move, as a share of the span, and its standard uncertainty."""

    share: float
    standard: float


def departure_from_line(x: FloatArray, y: FloatArray, kind: str) -> float:
    """Largest |y - line(x)| for the line of `kind` (one of `KINDS`), in units of y. x ascending, n >= 2."""
    if kind == "terminal":
        slope = (y[-1] - y[0]) / (x[-1] - x[0])
        return float(np.abs(y - y[0] - slope * (x - x[0])).max())
    if kind == "least squares":
        return float(np.abs(y - np.polyval(np.polyfit(x, y, 1), x)).max())
    if kind == "minimax":
        return _strip(x, y)
    raise ValueError(f"kind of line must be one of {', '.join(KINDS)}, not {kind!r}")


def _strip(x: FloatArray, y: FloatArray) -> float:
    """Half the height of the lowest strip that holds all points; one side lies along an edge of their hull."""
    best = np.inf
    for hull in (_chain(x, y, 1.0), _chain(x, y, -1.0)):
        for a, b in itertools.pairwise(hull):
            slope = (y[b] - y[a]) / (x[b] - x[a])
            best = min(best, float(np.ptp(y - slope * x)))
    return 0.5 * best


def _chain(x: FloatArray, y: FloatArray, side: float) -> list[int]:
    """Indices of the upper (+1) or lower (-1) convex hull (Andrew's monotone chain)."""
    out: list[int] = []
    for k in range(x.size):
        while len(out) >= 2:
            a, b = out[-2], out[-1]
            turn = (x[b] - x[a]) * (y[k] - y[a]) - (y[b] - y[a]) * (x[k] - x[a])
            if side * turn < 0.0:
                break
            out.pop()
        out.append(k)
    return out


def linearity_of(levels: Sequence[BranchLevel]) -> tuple[Linearity, ...] | str:
    """All three kinds over the levels of one branch (ascending current), or why not."""
    if len(levels) < _LEAST_LEVELS or levels[-1].share - levels[0].share < _LEAST_SPAN:
        return f"fewer than {_LEAST_LEVELS} levels over at least half of the span on one branch"
    x = np.array([level.current_a for level in levels])
    y = np.array([level.pressure_bar for level in levels])
    se = np.array([level.pressure_se_bar for level in levels])
    span = float(y[-1] - y[0])
    if span <= 0.0 or np.any(np.diff(x) <= 0.0):
        return "the pressure does not rise with the current"
    worst = float(np.sqrt(se.max() ** 2 + 0.5 * (se[0] ** 2 + se[-1] ** 2)))
    return tuple(
        Linearity(kind, 100.0 * departure_from_line(x, y, kind) / span, 100.0 * worst / span) for kind in KINDS
    )


def dead_band_of(rising: Sequence[BranchLevel], at_zero_bar: float, span_bar: float) -> DeadBand | float | None:
    """Where the rising branch leaves the pressure at zero: the line through its two lowest moved levels, run down.

    Returns the lowest share of the span at which it has moved where that lies too high to tell more (a bound: the
    dead band ends below it), None if it was never seen to move. The bend between the levels counts as uncertainty: a
    tenth of the distance run.
    """
    moved = [level for level in rising if level.pressure_bar > at_zero_bar + _MOVED * span_bar]
    if not moved:
        return None
    lowest = moved[0]
    if len(moved) < 2 or lowest.share > _LOWEST_MOVED:
        return lowest.share
    second = moved[1]
    slope = (second.pressure_bar - lowest.pressure_bar) / (second.share - lowest.share)
    if slope <= 0.0:
        return lowest.share
    run = (lowest.pressure_bar - at_zero_bar) / slope
    noise = lowest.pressure_se_bar / slope * (1.0 + run / (second.share - lowest.share))
    noise = float(np.hypot(noise, second.pressure_se_bar / slope * run / (second.share - lowest.share)))
    return DeadBand(max(lowest.share - run, 0.0), float(np.hypot(noise, 0.1 * run)))
