"""Whether a wider loop explains why the pressures at its ends moved: lower arriving from below, higher from above."""

from __future__ import annotations

import numpy as np
from asleft.judge.finding.change_from_baseline import moved_by
from asleft.judge.finding.context import FindingContext, moved
from asleft.judge.finding.loop_within import loop_within
from asleft.judge.valve.curve import curve_of


def _outward(context: FindingContext) -> bool:
    """Whether the pressures at the ends, as far as they moved, moved as a loop does that grew within the readings."""
    ways = (("pressure_at_full", -1.0), ("pressure_at_zero", 1.0))
    changes = [(moved_by(context.results.get(name)), way) for name, way in ways if moved(context, name)]
    return all(change is not None and change[0] * way > 0.0 for change, way in changes)


def widening_explains(context: FindingContext) -> bool:
    """True if each pressure end that moved did so by half the loop's widening along the curve, to half of it.

    At full command, reached from below, the pressure falls by that much; at zero, reached from above, it rises.
    """
    result = context.results.get("hysteresis")
    if loop_within(context) is not None:
        return _outward(context)
    curve = curve_of(context.sheet)
    zero, full = context.sheet.as_left.get("current_at_zero"), context.sheet.as_left.get("current_at_full")
    if result is None or result.as_found is None or result.as_left is None:
        return False
    if curve is None or zero is None or full is None:
        return False
    half_a = 0.005 * (result.as_found - result.as_left) * (full - zero)
    for name, end_a, way in (("pressure_at_full", full, -1.0), ("pressure_at_zero", zero, 1.0)):
        end = context.results.get(name)
        if not moved(context, name) or end is None or end.as_found is None or end.as_left is None:
            continue
        # From where friction left the spool then to where it leaves it now.
        inside = end_a + way * curve.half_width_a
        here, there = curve.pressure_at(np.array([inside, inside + way * half_a])).tolist()
        change = end.as_found - end.as_left
        if abs(change - (there - here)) > 0.5 * abs(change):
            return False
    return True
