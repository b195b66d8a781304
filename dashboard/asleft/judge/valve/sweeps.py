"""Branches from a slow sweep: settled levels are missing, but the pieces of a command that creeps tell as much.

A command under about 4 % of its range a second counts as resting, and is cut into pieces of five seconds that are not
flat. A piece's current is its mean over all of it, its pressure that of its last two fifths, which lies 0.3 of its
length later; along a steady slope the current there follows from the neighbouring pieces. The pressure lags the
current (oil, pipes and gauge: 0.1 s, give or take 0.06 s, common practice), which widens the loop by twice the slope
times the lag: corrected, with its doubt. Faster sweeps are no use: at 4 % a second the doubt alone is half a percent.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

from asleft.judge.features import NAN, Dwell
from asleft.judge.valve.branches import Axis, Visit
from asleft.sheet.model import Sheet

LAG_S, LAG_U_S = 0.10, 0.06
#: Slope below which a piece is not sweeping (share of the span per second).
_LEAST_SLOPE = 1e-3
#: Change of slope from piece to piece, as a share of it, that still counts as steady.
_STEADY = 0.1
#: Distance of the middle of the last two fifths of a piece from its own middle, as a share of its length.
_LATE = 0.3
#: Pieces follow each other at once; where the sweep turns or begins, the half of one that is not flat may be missing.
_NEXT_S, _HALF_PIECE_S = 0.25, 2.8
#: Standard uncertainty of a piece's pressure: where the level lies, as a share of the change over its end, and bar.
_PLACE, _READ_BAR = 0.02, 0.05


def moving_visits(dwells: Sequence[Dwell], sheet: Sheet, axis: Axis) -> list[Visit]:
    """Pieces of slow sweeps as visits of both branches, current corrected for the lag; oldest first.

    What comes before both turning points have been seen is set aside, as for settled levels.
    """
    window = sheet.conditions.oil_temperature_degc
    out: list[Visit] = []
    share = [_share(d, axis) for d in dwells]
    way, low, high = 0.0, NAN, NAN
    top, bottom = -math.inf, math.inf  # of the leg under way
    for k in range(1, len(dwells)):
        if not _joined(dwells[k - 1], dwells[k], _HALF_PIECE_S):
            way, low, high, top, bottom = 0.0, NAN, NAN, -math.inf, math.inf
            continue
        step = share[k] - share[k - 1]
        top, bottom = max(top, share[k - 1], share[k]), min(bottom, share[k - 1], share[k])
        if abs(step) > _LEAST_SLOPE * (dwells[k].to_s - dwells[k].from_s):
            now = math.copysign(1.0, step)
            if way != 0.0 and now != way:
                low, high = (low, top) if now < 0.0 else (bottom, high)
                top, bottom = max(share[k - 1], share[k]), min(share[k - 1], share[k])
            way = now
        if k + 1 >= len(dwells) or low != low or high != high:
            continue
        slope = _slope(dwells[k - 1 : k + 2], share[k - 1 : k + 2])
        if slope is None or math.copysign(1.0, slope) != way:
            continue
        dwell = dwells[k]
        if window and dwell.oil_degc == dwell.oil_degc and not window[0] <= dwell.oil_degc <= window[1]:
            continue
        at = share[k] + slope * (_LATE * (dwell.to_s - dwell.from_s) - LAG_S)
        out.append(
            Visit(
                at_s=dwell.from_s,
                to_s=dwell.to_s,
                demand=dwell.demand + at - share[k],
                share=at,
                current_a=axis.zero + at * axis.span,
                current_se_a=2e-4 * axis.span,
                pressure_bar=dwell.pressure_bar,
                pressure_se_bar=math.hypot(_READ_BAR, _PLACE * dwell.pressure_moves_bar),
                arrival=way,
                low=low,
                high=high,
                oil_degc=dwell.oil_degc,
            )
        )
    return out


def lag_doubt(visits: Sequence[Visit]) -> float:
    """Standard uncertainty of the loop's width (share of the span) by the lag's: twice the mean slope times it."""
    slopes = []
    for before, after in itertools.pairwise(visits):
        if after.arrival == before.arrival and after.at_s - before.to_s < 1.0:
            slopes.append(abs(after.share - before.share) / (after.at_s - before.at_s))
    return 2.0 * LAG_U_S * sum(slopes) / len(slopes) if slopes else 0.0


def _share(dwell: Dwell, axis: Axis) -> float:
    if axis.by_command or dwell.current_a != dwell.current_a:
        return dwell.demand
    return (dwell.current_a - axis.zero) / axis.span


def _joined(before: Dwell, after: Dwell, gap_s: float) -> bool:
    """Whether one piece follows the other within `gap_s` and without a stop between them."""
    return after.from_s - before.to_s < gap_s and before.producing > 0.5 and after.producing > 0.5


def _slope(dwells: Sequence[Dwell], share: Sequence[float]) -> float | None:
    """Share per second in the middle one of three pieces, None if they do not lie on one steady slope."""
    before, now, after = dwells
    if not (_joined(before, now, _NEXT_S) and _joined(now, after, _NEXT_S)) or any(d.flat > 0.5 for d in dwells):
        return None
    if not (dwells[1].pressure_bar == dwells[1].pressure_bar and dwells[1].pressure_moves_bar != 0.0):
        return None
    middle = [0.5 * (d.from_s + d.to_s) for d in dwells]
    first = (share[1] - share[0]) / (middle[1] - middle[0])
    second = (share[2] - share[1]) / (middle[2] - middle[1])
    slope = (share[2] - share[0]) / (middle[2] - middle[0])
    if abs(slope) < _LEAST_SLOPE or abs(second - first) > _STEADY * abs(slope):
        return None
    return slope
