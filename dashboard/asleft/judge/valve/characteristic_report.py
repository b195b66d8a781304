"""The characteristic told: branches beside the commissioned ones, dead band, linearity, hysteresis with its basis.

The commissioned curve is the sheet's; where it has none, the levels measured in the first adequate production after
the revision, stored once and never learnt again. Branches of a closed loop meet at both ends: the lowest level of the
falling branch begins the rising one, and the highest of the rising one begins the falling one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from asleft.judge.characteristic_result import (
    BranchResult,
    CharacteristicResult,
    Departure,
    Figure,
    LevelResult,
)
from asleft.judge.decide import expanded_uncertainty
from asleft.judge.valve.branches import SAME_END, SAME_LEVEL, BranchLevel
from asleft.judge.valve.characteristic import Measured
from asleft.judge.valve.curve import Curve
from asleft.judge.valve.end_pressure import pressure_systematic_bar
from asleft.judge.valve.linearity import KINDS, DeadBand, dead_band_of, linearity_of
from asleft.sheet.model import Sheet

#: Rows stored of the levels measured when left: arrival, share of the span, current (A), pressure (bar), standard
#: uncertainty of the pressure (bar).
Row = tuple[float, ...]
_LEAST_LEVELS = 3
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
