"""Does the current stop short of what is demanded? A plateau at the top while lower levels and the slope are right.

A changed full-command current moves every level in proportion; a limit (supply, hot coil, driver) cuts only the top
off. With two or more levels below, the line through them tells the two apart; the top levels then fall short of it.

A law that bends falls short of that line too. Three things tell a cut from a bend: levels of clearly different
commands have one current; strokes to and from the top take as much less of the ramp as is cut off, since the current
stands at its limit while the demand goes on; and, where strokes are silent, the lower levels point at the full
current that was left, which the top has lost. A bend was there when the valve was left, and its sheet holds it.
"""

from __future__ import annotations

import itertools
import math
from bisect import bisect_left
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from asleft.judge.driver.currents import AT_ZERO, CurrentLine, Level, current_line
from asleft.judge.driver.systematic import stroke_size
from asleft.judge.features import Dwell, Stroke
from asleft.judge.medians import median_of
from asleft.judge.types import FloatArray

_AT_FULL, _BEYOND = 0.99, 1.02
#: Levels are a plateau where the current rises by less than this share of what it did below.
_FLAT = 0.2
#: Strokes to and from the top, and others, that must tell how much of the ramp they take; least size of either.
_FEWEST, _LEAST_SIZE = 3, 0.1
#: Dwells this close in command are one level; quantiles of their currents that its best and its good visits have; by
#: which share of the span, and how many times the distance of the two, a current is short of the best (the distance
#: is 0.76 of a standard deviation of normal noise).
_ONE_LEVEL, _BEST, _GOOD, _SHORT, _SCATTERS = 0.02, 0.9, 0.7, 0.01, 6.0
#: Lower levels within this tell whether they were cut too; a rest begins this near to the end of its stroke (s).
_NEARBY_S, _ARRIVES_S = 60.0, 2.0
#: Lower levels short by less than this share of what a turned setting makes of them are not short.
_NO_SHARE = 0.3
#: Standard uncertainties by which they must tell a cut from none, and how near to a cut's they must be to show one.
_TELLING, _NEAR = 4.0, 0.35
#: Share of the span to which levels have moved by one shift or one factor.
_AS_ONE = 0.005
#: Levels of a plateau that lack less than this share of what the top lacks lie on the line.
_ON_LINE = 0.1
#: Of a cut that has come lately: lowest command that may be cut, dwells above it, commands that are one, and the
#: reduced chi-square of a stroke that is explained.
_LOWEST_TOP, _LEAST_SEEN, _SAME_COMMAND, _WELL = 0.3, 4, 0.015, 3.0
#: How many standard deviations of what a level's current wanders by a cut must be, and by how many tolerances a limit
#: may creep from one sight of it to the next.
_TIMES_WANDER, _CREEPS = 6.0, 2.0


@dataclass(frozen=True, slots=True)
class Clip:
    """Current limited at `limit_a` where `demanded_a` was expected; `from_s` is the first sight of it.

    `demand`: from which command on; `top`: the highest that was cut off.
    """

    limit_a: float
    demanded_a: float
    demand: float
    from_s: float
    dwells: int
    top: float = 1.0


def split_clipped(
    levels: Sequence[Level],
    span_a: float,
    tolerance_a: float,
    demand_se: float,
    left_a: tuple[float | None, float | None] = (None, None),
    strokes: Sequence[Stroke] = (),
) -> tuple[list[Level], Clip | None]:
    """Levels that lie on the line, and the clip if the top ones fall short of it.

    A top level is cut off when it lies below the line through the lower ones by more than half a tolerance, five
    standard uncertainties, twice what the law may bend by (unless it is shown to be no bend), and 0.5 % of span; all
    levels above a cut one are cut too. One at full command that still has the current it was left with (`left_a`: at
    zero and full) is not, as the law bends; but it is where all below moved by one shift or factor (`_moved_as_one`).
    """
    left_full_a = left_a[1]
    kept = list(levels)
    several = [level.scatter_a for level in levels if level.dwells > 2]
    wander_a = median_of(several) if several else 0.0  # a level met once does not show its own
    clip: Clip | None = None
    while len(kept) >= 3:
        top, below = kept[-1], _below_plateau(kept)
        line = current_line(below, demand_se)
        if line is None or top.demand < 0.5:
            break
        u = min(top.demand, 1.0)
        expected = line.at_zero_a + u * (line.at_full_a - line.at_zero_a)
        own_a2 = top.current_se_a**2 + wander_a**2 / top.dwells
        se = ((1 - u) ** 2 * line.se_zero_a**2 + u**2 * line.se_full_a**2 + own_a2) ** 0.5
        short = expected - top.current_a
        law = ((1 - u) ** 2 * line.law_zero_a**2 + u**2 * line.law_full_a**2) ** 0.5
        if short <= max(0.5 * tolerance_a, 5.0 * se, 0.005 * span_a):
            break
        if short <= 2.0 * law and not (
            len(kept) - len(below) > 1 or _is_cut(line, top, 0.5 * tolerance_a, left_full_a, strokes)
        ):
            break
        at_left = left_full_a is not None and u > _AT_FULL and top.current_a > left_full_a - 0.5 * tolerance_a
        if at_left and not _moved_as_one(line, below, left_a):
            break
        previous = clip
        cut = kept[len(below) :]
        while len(cut) > 1 and _at(line, cut[0].demand) - cut[0].current_a < _ON_LINE * short:
            below.append(cut.pop(0))  # as high as the limit, and not cut off itself
        limit_a, from_s = max(level.current_a for level in cut), min(level.from_s for level in cut)
        clip = Clip(
            limit_a=limit_a if previous is None else max(previous.limit_a, limit_a),
            demanded_a=expected if previous is None else previous.demanded_a,
            demand=cut[0].demand,
            from_s=from_s if previous is None else min(from_s, previous.from_s),
            dwells=sum(level.dwells for level in cut) + (0 if previous is None else previous.dwells),
            top=u if previous is None else previous.top,
        )
        kept = below
    if clip is not None and len(kept) < 2:
        return list(levels), None
    return kept, clip


def _moved_as_one(line: CurrentLine, levels: Sequence[Level], left_a: tuple[float | None, float | None]) -> bool:
    """Whether three levels or more lie on the line as left, all shifted by one amount or all changed by one factor.

    A law that bends above them points elsewhere than at its end, and would not come to lie so by a change.
    """
    zero, full = left_a
    if zero is None or full is None or len(levels) < _FEWEST:
        return False
    alike_a = _AS_ONE * (full - zero)
    shifted = abs(line.at_full_a - line.at_zero_a - (full - zero)) < alike_a
    carried_se_a = math.hypot(line.se_full_a, line.se_zero_a * full / zero) if zero > 0.0 else math.inf
    return shifted or (2.0 * carried_se_a < alike_a and abs(line.at_full_a - line.at_zero_a * full / zero) < alike_a)


def _is_cut(
    line: CurrentLine, top: Level, near_a: float, left_full_a: float | None, strokes: Sequence[Stroke]
) -> bool:
    """Whether what the top level lacks is cut off, and no bend of the law as it was left."""
    if left_full_a is None or top.demand <= _AT_FULL:
        return False
    at = (top.current_a - line.at_zero_a) / (line.at_full_a - line.at_zero_a)
    shown = _cut_by_strokes(strokes, at)
    if shown is not None:
        return shown
    return abs(line.at_full_a - left_full_a) <= near_a + 2.0 * line.se_full_a


def _cut_by_strokes(strokes: Sequence[Stroke], cut: float) -> bool | None:
    """Whether strokes to and from full command stop short of it at demand `cut`; None if they do not tell.

    A stroke from u to full whose current stops at the cut looks like one with a ramp shorter by (cut - u) / (1 - u).
    """
    shares = []
    for k in (0, 1):
        top, others = _to_full_and_others(strokes, cut, k)
        if min(len(top), len(others)) < _FEWEST:
            continue
        short, whole = (np.array([(s.own_up_s, s.own_down_s)[k] for s in group]) for group in (top, others))
        usual = median_of(whole)
        if usual <= 0.0:
            continue
        less = 1.0 - median_of([(cut - s.low_demand) / (1.0 - s.low_demand) for s in top])
        u = math.hypot(*(_median_u(group) for group in (short, whole))) / usual
        if less > _TELLING * u:
            shares.append((1.0 - median_of(short) / usual) / less)
    if not shares:
        return None
    return all(abs(share - 1.0) < _NEAR for share in shares)


def _to_full_and_others(strokes: Sequence[Stroke], cut: float, k: int) -> tuple[list[Stroke], list[Stroke]]:
    """Strokes up (`k` = 0) to full or down (1) from it, and those that stay below demand `cut`."""
    top, others = [], []
    for s in strokes:
        if s.excluded > 0.5 or (s.identifiable_up_s, s.identifiable_down_s)[k] == math.inf:
            continue
        if s.high_demand > _BEYOND:
            continue  # some drivers stop at full, others go on
        if (s.from_demand, s.to_demand)[1 - k] > _AT_FULL and s.low_demand < cut - _LEAST_SIZE:
            top.append(s)
        elif s.high_demand < cut - 0.02 and stroke_size(s, rising=k == 0) > _LEAST_SIZE:
            others.append(s)
    return top, others


def _median_u(values: FloatArray) -> float:
    """Standard uncertainty of the median of values (n,), from their own scatter."""
    scatter = 1.4826 * median_of(np.abs(values - median_of(values)))
    return 1.2533 * scatter / math.sqrt(values.size)


def _at(line: CurrentLine, demand: float) -> float:
    """Current of the line at a demand, no further than full (A)."""
    return line.at_zero_a + min(demand, 1.0) * (line.at_full_a - line.at_zero_a)


def cut_lately(
    dwells: Sequence[Dwell], left_a: tuple[float, float], tolerance_a: float, strokes: Sequence[Stroke]
) -> tuple[Clip, frozenset[float]] | None:
    """A cut that has come within the readings and is there at their end, and when the dwells began that are cut.

    Levels that were right until then hide it in their means. None where it was whole again since (`cuts_of`).
    """
    cuts = cuts_of(dwells, left_a, tolerance_a, strokes)
    if not cuts:
        return None
    since_s, limit_a = cuts[0].dwell.from_s, max(cut.dwell.current_a for cut in cuts)
    cut_s = frozenset(cut.dwell.from_s for cut in cuts)
    slope, asked = left_a[1] - left_a[0], limit_a + 0.5 * tolerance_a
    for d in dwells:
        if d.from_s > since_s and d.from_s not in cut_s and left_a[0] + min(d.demand, 1.0) * slope > asked:
            return None
    demands = [min(cut.dwell.demand, 1.0) for cut in cuts]
    should_a = max(cut.should_a for cut in cuts)
    return Clip(cuts[-1].dwell.current_a, should_a, min(demands), since_s, len(cuts), max(demands)), cut_s


class Cut(NamedTuple):
    """A dwell that is cut off, and the current that should have flowed (A)."""

    dwell: Dwell
    should_a: float


def cuts_of(
    dwells: Sequence[Dwell], left_a: tuple[float, float], tolerance_a: float, strokes: Sequence[Stroke]
) -> list[Cut]:
    """Dwells whose current was cut off, oldest first; none where nothing tells a cut, or none by a tolerance.

    A dwell is short of what dwells of its level had that are not short of `left_a` (current at zero and full),
    carried along the line between them. That something cuts it off, and no gain has changed, is told by neighbours in
    time that have one current at two commands, by a stroke that stops on its way just where the current does, or by
    lower levels that stayed.
    """
    zero, full = left_a
    rows = sorted((d for d in dwells if d.demand > AT_ZERO), key=lambda d: d.from_s)
    if len(rows) < _LEAST_SEEN or full <= zero:
        return []
    u = np.array([min(max(d.demand, 0.0), 1.0) for d in rows])
    current = np.array([d.current_a for d in rows])
    off = current - (zero + u * (full - zero))
    home = off > -0.5 * tolerance_a
    if np.count_nonzero(home) < _LEAST_SEEN - 1:
        return []
    order = np.argsort(u[home])
    should = zero + u * (full - zero) + np.interp(u, u[home][order], off[home][order])
    short = (should - current > 0.5 * tolerance_a) & (u > _LOWEST_TOP)
    if not np.any(short & ~home):
        return []  # none lacks anything of what the sheet has: what had more at other times has risen
    cuts = [Cut(row, bar) for row, bar, so in zip(rows, should.tolist(), short.tolist(), strict=True) if so]
    least_a = max(tolerance_a, _TIMES_WANDER * _wander_a(u[home], off[home]))
    if max((cut.should_a - cut.dwell.current_a for cut in cuts), default=0.0) <= least_a:
        return []
    for a, b in itertools.pairwise(cuts):  # a limit may creep, but has one current for all commands
        apart_a = abs(b.should_a - a.should_a)
        if apart_a > 0.5 * tolerance_a and abs(b.dwell.current_a - a.dwell.current_a) > max(
            _CREEPS * tolerance_a, 0.5 * apart_a
        ):
            return []
    told = (
        _one_current(cuts, full - zero, tolerance_a)
        or _stopped_on_the_way(cuts, left_a, strokes)
        or _lower_stayed(cuts, rows, left_a, u[home])
    )
    return cuts if told else []


def _lower_stayed(cuts: Sequence[Cut], rows: Sequence[Dwell], left_a: tuple[float, float], home: FloatArray) -> bool:
    """Whether at two stays of those cut, lower levels just before and just after had all that a gain takes from them.

    `rows` in order of time; a lower level is held against itself beside stays that are whole. `home`: commands that
    had all their current at some visit; of others a bent law may make what seems cut.
    """
    lowest = min(cut.dwell.demand for cut in cuts) - _ONE_LEVEL
    cut_s = {cut.dwell.from_s for cut in cuts}
    lower = _lacking([row for row in rows if row.from_s not in cut_s], rows, lowest, cut_s, left_a)
    stays: set[int] = set()  # by how many lower ones came before
    for dwell, should in cuts:
        k = bisect_left(lower, dwell.from_s, key=_first)
        if not np.any(np.abs(home - min(dwell.demand, 1.0)) < _ONE_LEVEL):
            continue
        sides = (lower[:k], lower[k:])
        near = [[row for row in side if abs(row[0] - dwell.from_s) < _NEARBY_S] for side in sides]
        if all(_most_share(rows_there, should - dwell.current_a) < _NO_SHARE for rows_there in near):
            stays.add(k)
    return len(stays) > 1


def _lacking(
    whole: Sequence[Dwell],
    rows: Sequence[Dwell],
    lowest: float,
    cut_s: Collection[float],
    left_a: tuple[float, float],
) -> list[tuple[float, float, Dwell]]:
    """Of dwells below `lowest`: when, by how much less than their level beside whole stays above it, and which."""
    tops = [row for row in rows if row.demand >= lowest]
    at_s = [row.from_s for row in tops]
    levels: dict[int, list[tuple[Dwell, float, bool]]] = {}
    for row in whole:
        if row.demand < lowest:
            k = bisect_left(at_s, row.from_s)
            beside = any(top.from_s in cut_s for top in tops[max(k - 1, 0) : k + 1])
            off_a = row.current_a - left_a[0] - row.demand * (left_a[1] - left_a[0])
            levels.setdefault(round(row.demand / _SAME_COMMAND), []).append((row, off_a, beside))
    out = []
    for group in levels.values():
        usual = [off_a for _, off_a, beside in group if not beside]
        if usual:
            out += [(row.from_s, float(np.median(usual)) - off_a, row) for row, off_a, _ in group]
    return sorted(out, key=_first)


def _most_share(lower: Sequence[tuple[float, float, Dwell]], short_a: float) -> float:
    """Share that lower dwells lack at most of what a gain takes from each that takes `short_a` from full.

    By least squares over all of them, and three standard errors more; a gain takes no less than as the command is.
    """
    if not lower:
        return math.inf
    u, lack, se = np.array([(row.demand, a, row.current_se_a) for _, a, row in lower]).T
    power = float(np.sum((u / se) ** 2))
    return (float(np.sum(u * lack / se**2)) / power + 3.0 / math.sqrt(power)) / short_a


def _first(row: tuple[float, float, Dwell]) -> float:
    return row[0]


def _wander_a(demand: FloatArray, off_a: FloatArray) -> float:
    """How far currents of one level differ from visit to visit (A, standard deviation), as where a dither beats."""
    levels = np.round(demand / _SAME_COMMAND)
    rest = [off_a[levels == level] - median_of(off_a[levels == level]) for level in np.unique(levels)]
    seen = [part for part in rest if part.size > 2]
    return 1.4826 * median_of(np.abs(np.concatenate(seen))) if seen else 0.0


def _one_current(cuts: Sequence[Cut], span_a: float, tolerance_a: float) -> bool:
    """Whether of neighbours in time two of clearly different commands have one current."""
    for (a, should_a), (b, should_b) in itertools.pairwise(cuts):
        apart = should_b - should_a
        own = math.hypot(a.current_se_a, b.current_se_a)
        if abs(b.demand - a.demand) < _SAME_COMMAND or abs(apart) < max(0.25 * tolerance_a, 6.0 * own):
            continue
        if abs(b.current_a - a.current_a) < _NEAR * abs(apart) + 3.0 * own and abs(apart) < 0.5 * span_a:
            return True
    return False


def _stopped_on_the_way(cuts: Sequence[Cut], left_a: tuple[float, float], strokes: Sequence[Stroke]) -> bool:
    """Whether the stroke to a dwell took as much less of the ramp as of its way was cut off."""
    for dwell, should in cuts:
        stroke = next((s for s in reversed(strokes) if s.from_s < dwell.from_s and s.excluded < 0.5), None)
        if stroke is None or dwell.from_s - stroke.to_s > 1.0 or abs(stroke.to_demand - dwell.demand) > 0.01:
            continue
        at = dwell.demand - (should - dwell.current_a) / (left_a[1] - left_a[0])
        before_s = cuts[0][0].from_s - 1.0
        whole = np.array([s.own_up_s for s in strokes if s is not stroke and _rises_whole(s, at, before_s)])
        if whole.size < _FEWEST or at - stroke.low_demand < _LEAST_SIZE:
            continue
        usual, less = median_of(whole), (stroke.to_demand - at) / (stroke.to_demand - stroke.low_demand)
        # A limit that creeps bends the end of the stroke, whose own ramp is then less sure (Birge's ratio).
        u = math.hypot(_median_u(whole), math.sqrt(max(stroke.chi2, 1.0) / max(stroke.h00, 1e-12)))
        if usual > 0.0 and less > _TELLING * u / usual and abs((1.0 - stroke.own_up_s / usual) / less - 1.0) < _NEAR:
            return True
    return False


def _rises_whole(stroke: Stroke, at: float, before_s: float) -> bool:
    """Whether a stroke tells a ramp up that nothing cut off: to below `at`, or over before `before_s`."""
    rises = stroke_size(stroke, rising=True) > _LEAST_SIZE and stroke.identifiable_up_s < math.inf
    whole = stroke.high_demand < at or stroke.to_s < before_s
    return rises and whole and stroke.excluded < 0.5 and stroke.chi2 < _WELL


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


def cut_strokes(strokes: Sequence[Stroke], dwells: Sequence[Dwell], span_a: float) -> list[Stroke]:
    """Strokes that begin or end at a rest whose current is cut off at that time, though not on other visits.

    A stay is cut where its current is short of what the level has on its best visits, and lower levels at that time
    are not short in proportion: a turned setting moves them too. It misses a level that is cut on every visit, and a
    cut of which no lower level tells.
    """
    rests = sorted(dwells, key=lambda d: d.from_s)
    short = _short_a(rests, span_a)
    limits = {d.from_s for d in rests if d.from_s in short and _alone(d, rests, short, span_a)}
    floor_a = min((d.current_a for d in rests if d.from_s in limits), default=math.inf)
    # A lower level that is short and stands at a limit is cut off too, though no other level is below it.
    cut = limits | {d.from_s for d in rests if d.from_s in short and d.current_a > floor_a - _SHORT * span_a}
    return strokes_at(strokes, rests, cut)


def strokes_at(strokes: Sequence[Stroke], dwells: Sequence[Dwell], from_s: Collection[float]) -> list[Stroke]:
    """Strokes that begin or end at a dwell which began at one of `from_s` (unix s)."""
    rests = sorted(dwells, key=_begins)
    return [s for s in strokes if from_s and any(d.from_s in from_s for d in _rests_of(s, rests))]


def _short_a(dwells: Sequence[Dwell], span_a: float) -> dict[float, float]:
    """Beginning of a dwell (unix s) -> by how much its current is short of that of its level's best visits (A).

    Only of those that are clearly short: by a share of the span, and beyond how the best visits themselves scatter.
    """
    out: dict[float, float] = {}
    group: list[Dwell] = []
    for dwell in [*sorted(dwells, key=lambda d: d.demand), None]:
        if len(group) >= _FEWEST and (dwell is None or dwell.demand - group[0].demand > _ONE_LEVEL):
            rest = np.array([d.current_a - span_a * d.demand for d in group])
            best, good = np.quantile(rest, (_BEST, _GOOD)).tolist()
            least = max(_SHORT * span_a, _SCATTERS * (best - good))
            out.update((d.from_s, best - a) for d, a in zip(group, rest.tolist(), strict=True) if best - a > least)
        if dwell is not None:
            group = group if group and dwell.demand - group[0].demand <= _ONE_LEVEL else []
            group.append(dwell)
    return out


def _alone(dwell: Dwell, rests: Sequence[Dwell], short_a: Mapping[float, float], span_a: float) -> bool:
    """Whether levels below, visited just before and just after, were not short in proportion; false if not seen.

    A level clearly below that has the very same current at that time is cut off by the same limit, which settles it.
    `rests`: in order of time.
    """
    missing = short_a[dwell.from_s]
    first = bisect_left(rests, dwell.from_s - _NEARBY_S, key=_begins)
    last = bisect_left(rests, dwell.from_s + _NEARBY_S, key=_begins)
    near = [d for d in rests[first:last] if _LEAST_SIZE * dwell.demand < d.demand < 0.9 * dwell.demand]
    if any(d.from_s in short_a and d.current_a > dwell.current_a - _SHORT * span_a for d in near):
        return True
    lower = {
        d.from_s - dwell.from_s: short_a.get(d.from_s, 0.0) / (missing * d.demand / dwell.demand)
        for d in near
        if missing * d.demand / dwell.demand > 5.0 * d.current_se_a
    }
    sides = [at for at in lower if at < 0.0], [at for at in lower if at > 0.0]
    nearest = [min(side, key=abs) for side in sides if side]
    return bool(nearest) and max(lower[at] for at in nearest) < _NO_SHARE


def _begins(dwell: Dwell) -> float:
    return dwell.from_s


def _rests_of(stroke: Stroke, rests: Sequence[Dwell]) -> list[Dwell]:
    """Rests from which a stroke came and to which it went; `rests` in order of time."""
    before = bisect_left(rests, stroke.from_s, key=_begins) - 1
    after = bisect_left(rests, stroke.to_s - _ARRIVES_S, key=_begins)
    out = [rests[before]] if before >= 0 and rests[before].to_s > stroke.from_s - _ARRIVES_S else []
    return [*out, rests[after]] if after < len(rests) and rests[after].from_s < stroke.to_s + _ARRIVES_S else out


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
