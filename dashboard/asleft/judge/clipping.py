"""Does the current stop short of what is demanded? A plateau at the top while lower levels and the slope are right.

A changed full-command current moves every level in proportion; a limit (supply, hot coil, driver) cuts only the top
off. With two or more levels below, the line through them tells the two apart; the top levels then fall short of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from asleft.judge.currents import Level, current_line


@dataclass(frozen=True, slots=True)
class Clip:
    """Current limited at `limit_a` where `demanded_a` was expected; `from_s` is the first sight of it."""

    limit_a: float
    demanded_a: float
    demand: float
    from_s: float
    dwells: int


def split_clipped(
    levels: Sequence[Level], span_a: float, tolerance_a: float, demand_se: float
) -> tuple[list[Level], Clip | None]:
    """Levels that lie on the line, and the clip if the top ones fall short of it.

    A top level is cut off when it lies below the line through the lower ones by more than half a tolerance, five
    standard uncertainties and 0.5 % of span; all levels above a cut one are cut too.
    """
    kept = list(levels)
    clip: Clip | None = None
    while len(kept) >= 3:
        top, below = kept[-1], kept[:-1]
        line = current_line(below, demand_se)
        if line is None or top.demand < 0.5:
            break
        u = min(top.demand, 1.0)
        expected = line.at_zero_a + u * (line.at_full_a - line.at_zero_a)
        se = ((1 - u) ** 2 * line.se_zero_a**2 + u**2 * line.se_full_a**2 + top.current_se_a**2) ** 0.5
        short = expected - top.current_a
        if short <= max(0.5 * tolerance_a, 5.0 * se, 0.005 * span_a):
            break
        previous = clip
        clip = Clip(
            limit_a=top.current_a if previous is None else max(previous.limit_a, top.current_a),
            demanded_a=expected if previous is None else previous.demanded_a,
            demand=top.demand,
            from_s=top.from_s if previous is None else min(top.from_s, previous.from_s),
            dwells=top.dwells + (0 if previous is None else previous.dwells),
        )
        kept = below
    if clip is not None and len(kept) < 2:
        return list(levels), None
    return kept, clip
