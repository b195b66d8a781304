"""The characteristic told: branches beside the commissioned ones, dead band, linearity, hysteresis with its basis.

The commissioned curve is the sheet's; where it has none, the levels measured in the first adequate production after
the revision, stored once and never learnt again. Branches of a closed loop meet at both ends: the lowest level of the
falling branch begins the rising one, and the highest of the rising one begins the falling one.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from asleft.judge.decide import expanded_uncertainty
from asleft.judge.types import BranchResult, CharacteristicResult, Departure, Figure, FloatArray, LevelResult
from asleft.judge.valve.branches import SAME_END, SAME_LEVEL, BranchLevel
from asleft.judge.valve.characteristic import Measured
from asleft.judge.valve.curve import Curve
from asleft.judge.valve.end_pressure import pressure_systematic_bar
from asleft.sheet.model import Sheet

# How straight a characteristic is, and where it begins: linearity against three lines, and the dead band.
#
# Linearity is the largest departure of pressure from a straight line over the currents seen, in % of the pressure
# span over the same range. The line is said with the number: terminal (through the two ends), least squares, or
# minimax (the one whose largest departure is smallest; Chebyshev). A bow y = x + c x (1 - x) has c/4, c/6 and c/8.

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


#: Rows stored of the levels measured when left: arrival, share of the span, current (A), pressure (bar), standard
#: uncertainty of the pressure (bar).
Row = tuple[float, ...]
_LEAST_VISITS = 3


def left_rows(measured: Measured) -> list[Row]:
    """Levels to be stored as measured when left; empty while too few (3 on both branches, 3 visits)."""
    levels = measured.levels
    if len(levels) < _LEAST_LEVELS or len({level.arrival for level in levels}) < 2:
        return []
    if min(level.visits for level in levels) < _LEAST_VISITS:
        return []
    return [(x.arrival, x.share, x.current_a, x.pressure_bar, x.pressure_se_bar) for x in levels]


def report_of(sheet: Sheet, measured: Measured, left: Sequence[Row]) -> CharacteristicResult:
    """What is said of the characteristic. `left`: levels measured when left, for a sheet without a recorded curve."""
    rising, falling = closed_branches(measured)
    curve = measured.curve
    recorded = curve is not None and curve.recorded
    against = (
        "recorded at commissioning" if recorded else "measured when left" if left and (rising or falling) else ""
    )
    return CharacteristicResult(
        reason="" if measured.levels else measured.reason,
        compared_with=against if measured.levels else "",
        rising=_branch(sheet, rising, 1.0, measured, () if recorded else left),
        falling=_branch(sheet, falling, -1.0, measured, () if recorded else left),
        hysteresis=_hysteresis(measured),
        dead_band=_dead_band(sheet, rising),
        linearity=_linearity(rising, falling, by_command=measured.by_command),
        stick_slip_bar=measured.stick_slip_bar,
    )


def closed_branches(measured: Measured) -> tuple[list[BranchLevel], list[BranchLevel]]:
    """Rising and falling branch by ascending current, each with the end level it shares with the other."""
    rising = [level for level in measured.levels if level.arrival > 0]
    falling = [level for level in measured.levels if level.arrival < 0]
    low, high = measured.loop
    begin = [level for level in falling[:1] if level.share <= low + SAME_END]
    end = [level for level in rising[-1:] if level.share >= high - SAME_END]
    return [*begin, *rising], [*falling, *end]


def _branch(
    sheet: Sheet, levels: Sequence[BranchLevel], arrival: float, measured: Measured, left: Sequence[Row]
) -> BranchResult:
    rows: list[LevelResult] = []
    worst: Departure | None = None
    for level in levels:
        systematic = pressure_systematic_bar(sheet, level.pressure_bar, level.oil_degc)
        own = expanded_uncertainty(level.pressure_se_bar, max(level.visits - 1, 1), systematic)
        then, then_se = _then(level, arrival, measured.curve, left)
        departure = None if then is None else level.pressure_bar - then
        rows.append(
            LevelResult(
                current_a=None if measured.by_command else level.current_a,
                command_pct=100.0 * level.demand,
                pressure_bar=level.pressure_bar,
                uncertainty_bar=own,
                n=level.visits,
                commissioned_bar=then,
                departure_bar=departure,
            )
        )
        if departure is not None and (worst is None or abs(departure) > abs(worst.bar)):
            # What was measured by the same chain when left shares its systematic part.
            u = (
                expanded_uncertainty(math.hypot(level.pressure_se_bar, then_se), max(level.visits - 1, 1), 0.0)
                if then_se > 0.0
                else own
            )
            worst = Departure(departure, u, 100.0 * level.demand, None if measured.by_command else level.current_a)
    ends = (rows[0].current_a, rows[-1].current_a) if rows else (None, None)
    return BranchResult(tuple(rows), worst, *ends)


def _then(level: BranchLevel, arrival: float, curve: Curve | None, left: Sequence[Row]) -> tuple[float | None, float]:
    """Commissioned pressure at a level's current on a branch, and its standard uncertainty; None where not seen then.

    A level that both branches share is the one by which it was reached.
    """
    if curve is not None and curve.recorded:
        reach = SAME_END * (curve.high_a - curve.low_a)
        if not curve.low_a - reach <= level.current_a <= curve.high_a + reach:
            return None, 0.0
        at = np.array([min(max(level.current_a, curve.low_a), curve.high_a)])
        return float(curve.branch_at(at, arrival)[0]), 0.0
    for way, share, current_a, pressure_bar, se_bar in left:
        if way == level.arrival and abs(share - level.share) <= SAME_LEVEL:
            carried = 0.0
            if curve is not None:
                both = curve.pressure_at(np.array([level.current_a, current_a]))
                carried = float(both[0] - both[1])
            return pressure_bar + carried, se_bar
    return None, 0.0


def _hysteresis(measured: Measured) -> Figure:
    found = measured.hysteresis
    if found is None:
        return Figure(
            None, None, "%", measured.basis, measured.reason, below=measured.below_pct, above=measured.above_pct
        )
    return Figure(found.value, found.expanded(), "%", measured.basis)


def _dead_band(sheet: Sheet, rising: Sequence[BranchLevel]) -> Figure:
    basis = "current above that at zero command at which the pressure begins to rise, % of the current span"
    if not rising or rising[0].arrival > 0.0:
        return Figure(None, None, "%", basis, "zero command not visited from above")
    zero = rising[0]
    full = sheet.as_left.get("pressure_at_full", rising[-1].pressure_bar)
    found = dead_band_of(rising[1:], zero.pressure_bar, full - zero.pressure_bar)
    if found is None:
        return Figure(None, None, "%", basis, "pressure was not seen to rise")
    if isinstance(found, DeadBand):
        share = max(found.share - zero.share, 0.0)
        return Figure(100.0 * share, 200.0 * found.standard, "%", basis)
    reason = "the lowest level on the rising branch lies too high above it"
    return Figure(None, None, "%", basis, reason, below=100.0 * (found - zero.share))


def _linearity(
    rising: Sequence[BranchLevel], falling: Sequence[BranchLevel], *, by_command: bool
) -> tuple[Figure, ...]:
    """On the branch with more levels, the rising one if even; the end that belongs to the other branch left out."""
    up, down = [x for x in rising if x.arrival > 0], [x for x in falling if x.arrival < 0]
    name, levels = ("rising", up) if len(up) >= len(down) else ("falling", down)
    found = linearity_of(levels)
    if isinstance(found, str):
        return tuple(Figure(None, None, "%", f"{kind} line, {name} branch", found) for kind in KINDS)
    first, last = levels[0], levels[-1]
    seen = f"{first.current_a:.3f} to {last.current_a:.3f} A"
    if by_command:
        seen = f"{100.0 * first.demand:.0f} to {100.0 * last.demand:.0f} % command"
    return tuple(
        Figure(x.value_pct, 2.0 * x.standard_pct, "%", f"{x.kind} line, {name} branch, {seen}, % of its pressures")
        for x in found
    )
