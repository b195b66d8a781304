"""Does the current stop short of what is demanded? A plateau at the top while lower levels and the slope are right.

A changed full-command current moves every level in proportion; a limit (supply, hot coil, driver) cuts only the top
off. With two or more levels below, the line through them tells the two apart; the top levels then fall short of it.

A law that bends falls short of that line too. Three things tell a cut from a bend: levels of clearly different
commands have one current; strokes to and from the top take as much less of the ramp as is cut off, since the current
stands at its limit while the demand goes on; and, where strokes are silent, the lower levels point at the full
current that was left, which the top has lost. A bend was there when the valve was left, and its sheet holds it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from asleft.judge.driver.currents import CurrentLine, Level, current_line
from asleft.judge.driver.systematic import stroke_size
from asleft.judge.features import Dwell, Stroke
from asleft.judge.types import FloatArray

_AT_FULL = 0.99
#: Levels are a plateau where the current rises by less than this share of what it did below.
_FLAT = 0.2
#: Strokes to and from the top, and others, that must tell how much of the ramp they take; least size of either.
_FEWEST, _LEAST_SIZE = 3, 0.1
#: Standard uncertainties by which they must tell a cut from none, and how near to a cut's they must be to show one.
_TELLING, _NEAR = 4.0, 0.35


@dataclass(frozen=True, slots=True)
class Clip:
    """Current limited at `limit_a` where `demanded_a` was expected; `from_s` is the first sight of it."""

    limit_a: float
    demanded_a: float
    demand: float
    from_s: float
    dwells: int


def split_clipped(
    levels: Sequence[Level],
    span_a: float,
    tolerance_a: float,
    demand_se: float,
    left_full_a: float | None = None,
    strokes: Sequence[Stroke] = (),
) -> tuple[list[Level], Clip | None]:
    """Levels that lie on the line, and the clip if the top ones fall short of it.

    A top level is cut off when it lies below the line through the lower ones by more than half a tolerance, five
    standard uncertainties, twice what the law may bend by (unless it is shown to be no bend), and 0.5 % of span; all
    levels above a cut one are cut too. One at full command that still has the current it was left with
    (`left_full_a`) is not: the law bends.
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
        if short <= max(0.5 * tolerance_a, 5.0 * se, 0.005 * span_a):
            break
        if short <= 2.0 * law and not (
            len(kept) - len(below) > 1 or _is_cut(line, top, 0.5 * tolerance_a, left_full_a, strokes)
        ):
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


def _is_cut(
    line: CurrentLine, top: Level, near_a: float, left_full_a: float | None, strokes: Sequence[Stroke]
) -> bool:
    """Whether what the top level lacks is cut off, and no bend of the law as it was left."""
    if left_full_a is None or top.demand <= _AT_FULL:
        return False
    at = (top.current_a - line.at_zero_a) / (line.at_full_a - line.at_zero_a)
    told = _told_by_strokes(strokes, at)
    if told is not None:
        return told
    return abs(line.at_full_a - left_full_a) <= near_a + 2.0 * line.se_full_a


def _told_by_strokes(strokes: Sequence[Stroke], cut: float) -> bool | None:
    """Whether strokes to and from full command stop short of it at demand `cut`; None if they do not tell.

    A stroke from u to full whose current stops at the cut looks like one with a ramp shorter by (cut - u) / (1 - u).
    """
    told = []
    for k in (0, 1):
        top, others = [], []
        for s in strokes:
            if s.aside > 0.5 or (s.identifiable_up_s, s.identifiable_down_s)[k] == math.inf:
                continue
            if (s.from_demand, s.to_demand)[1 - k] > _AT_FULL and s.low_demand < cut - _LEAST_SIZE:
                top.append(s)
            elif s.high_demand < cut - 0.02 and stroke_size(s, rising=k == 0) > _LEAST_SIZE:
                others.append(s)
        if min(len(top), len(others)) < _FEWEST:
            continue
        short, whole = (np.array([(s.own_up_s, s.own_down_s)[k] for s in group]) for group in (top, others))
        usual = float(np.median(whole))
        if usual <= 0.0:
            continue
        less = 1.0 - float(np.median([(cut - s.low_demand) / (1.0 - s.low_demand) for s in top]))
        u = math.hypot(*(_median_u(group) for group in (short, whole))) / usual
        if less > _TELLING * u:
            told.append((1.0 - float(np.median(short)) / usual) / less)
    if not told:
        return None
    return all(abs(share - 1.0) < _NEAR for share in told)


def _median_u(values: FloatArray) -> float:
    """Standard uncertainty of the median of values (n,), from their own scatter."""
    scatter = 1.4826 * float(np.median(np.abs(values - np.median(values))))
    return 1.2533 * scatter / math.sqrt(values.size)


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
