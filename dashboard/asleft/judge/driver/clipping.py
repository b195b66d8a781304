"""Does the current stop short of what is demanded? A plateau at the top while lower levels and the slope are right.

A changed full-command current moves every level in proportion; a limit (supply, hot coil, driver) cuts only the top
off. With two or more levels below, the line through them tells the two apart; the top levels then fall short of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from asleft.judge.driver.currents import CurrentLine, Level, current_line
from asleft.judge.segments.features import Dwell

_AT_FULL = 0.99
#: Levels are a plateau where the current rises by less than this share of what it did below.
_FLAT = 0.2


@dataclass(frozen=True, slots=True)
class Clip:
    """Current limited at `limit_a` where `demanded_a` was expected; `from_s` is the first sight of it."""

    limit_a: float
    demanded_a: float
    demand: float
    from_s: float
    dwells: int


def split_clipped(
    levels: Sequence[Level], span_a: float, tolerance_a: float, demand_se: float, left_full_a: float | None = None
) -> tuple[list[Level], Clip | None]:
    """Levels that lie on the line, and the clip if the top ones fall short of it.

    A top level is cut off when it lies below the line through the lower ones by more than half a tolerance, five
    standard uncertainties, twice what the law may bend by, and 0.5 % of span; all levels above a cut one are cut too.
    One at full command that still has the current it was left with (`left_full_a`) is not: the law bends.
    """
    kept = list(levels)
    clip: Clip | None = None
    while len(kept) >= 3:
        top, below = kept[-1], _below_plateau(kept)
        line = current_line(below, demand_se)
        if line is None or top.demand < 0.5:
            break
        u = min(top.demand, 1.0)
        expected = line.at_zero_a + u * (line.at_full_a - line.at_zero_a)
        se = ((1 - u) ** 2 * line.se_zero_a**2 + u**2 * line.se_full_a**2 + top.current_se_a**2) ** 0.5
        short = expected - top.current_a
        law = ((1 - u) ** 2 * line.law_zero_a**2 + u**2 * line.law_full_a**2) ** 0.5
        if short <= max(0.5 * tolerance_a, 5.0 * se, 2.0 * law, 0.005 * span_a):
            break
        if left_full_a is not None and u > _AT_FULL and top.current_a > left_full_a - 0.5 * tolerance_a:
            break
        previous = clip
        cut = kept[len(below) :]
        limit_a, from_s = max(level.current_a for level in cut), min(level.from_s for level in cut)
        clip = Clip(
            limit_a=limit_a if previous is None else max(previous.limit_a, limit_a),
            demanded_a=expected if previous is None else previous.demanded_a,
            demand=cut[0].demand,
            from_s=from_s if previous is None else min(from_s, previous.from_s),
            dwells=sum(level.dwells for level in cut) + (0 if previous is None else previous.dwells),
        )
        kept = below
    if clip is not None and len(kept) < 2:
        return list(levels), None
    return kept, clip


def _below_plateau(levels: Sequence[Level]) -> list[Level]:
    """Levels below those that all have the current of the top one: at least two, all but the top if none has."""
    top = levels[-1]
    first = len(levels) - 1
    while first > 2:
        level, bottom = levels[first - 1], levels[0]
        slope = (level.current_a - bottom.current_a) / max(level.demand - bottom.demand, 1e-9)
        if top.current_a - level.current_a > _FLAT * slope * (top.demand - level.demand):
            break
        first -= 1
    return list(levels[:first])


def on_dwells(clip: Clip, line: CurrentLine, dwells: Sequence[Dwell]) -> Clip:
    """The clip as single dwells show it: those short by at least half of it, not healthy ones before."""
    least = 0.5 * (clip.demanded_a - clip.limit_a)
    short = [
        d
        for d in dwells
        if d.demand >= clip.demand - 0.02
        and line.at_zero_a + min(d.demand, 1.0) * (line.at_full_a - line.at_zero_a) - d.current_a > least
    ]
    if not short:
        return clip
    currents = sorted(d.current_a for d in short)
    return replace(clip, limit_a=currents[len(currents) // 2], from_s=min(d.from_s for d in short), dwells=len(short))
