"""Whether a wider loop explains why the pressures at its ends moved: lower arriving from below, higher from above."""

from __future__ import annotations

import numpy as np
from asleft.judge.finding.context import FindingContext, moved
from asleft.judge.valve.curve import curve_of


def widening_explains(context: FindingContext) -> bool:
    """True if each pressure end that moved did so by half the loop's widening along the curve, to half of it.

    At full command, reached from below, the pressure falls by that much; at zero, reached from above, it rises.
    """
    result = context.results.get("hysteresis")
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
