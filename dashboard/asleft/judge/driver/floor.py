"""A current that never falls below a floor: what levels there say is no law of the driver.

Two things tell a floor from a law that bends or a current at zero that was turned: levels of clearly different
commands have one current, and what was left has less there. The current at zero is then the floor; that at full rests
on the levels above it, and where these are too few it is not known.

It misses a floor that only one level stands on: then the line through the others tells the driver's setting.
"""

from __future__ import annotations

from collections.abc import Sequence

from asleft.judge.driver.currents import Level

#: How far apart in command two levels of one current are, and the share of what was left between them that is none.
_APART, _FLAT = 0.05, 0.1
#: Standard errors within which two currents are one.
_ONE = 6.0


def floored(levels: Sequence[Level], left_a: tuple[float, float], tolerance_a: float) -> int:
    """How many of the lowest levels (ascending) stand on a floor above what was left there; 0: none do.

    `left_a`: current at zero and full as left; `tolerance_a`: of the current at zero, upwards.
    """
    if not levels:
        return 0
    zero, full = left_a
    lowest = levels[0]
    if lowest.current_a - (zero + lowest.demand * (full - zero)) <= tolerance_a:
        return 0
    count = 1
    for level in levels[1:]:
        asked = (level.demand - lowest.demand) * (full - zero)
        own = _ONE * (level.current_se_a + lowest.current_se_a)
        if abs(level.current_a - lowest.current_a) > max(_FLAT * asked, own) or asked <= own:
            break
        count += 1
    return count if levels[count - 1].demand - lowest.demand > _APART else 0
