"""Ramps as found, from strokes, or why they are not observed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from asleft.judge.decide import Estimate
from asleft.judge.driver.answer import UNEXPLAINED, at_times, not_straight, own_ramps, shape_shows
from asleft.judge.driver.clipping import Clip, cut_strokes, strokes_at
from asleft.judge.driver.currents import CurrentLine, alive, usable
from asleft.judge.driver.systematic import (
    clipped_share,
    ramp_systematic,
    stroke_size,
)
from asleft.judge.estimates.as_found import AsFound, Found, NotObserved, Seen, not_seen
from asleft.judge.features import Stroke
from asleft.judge.ramp_fit.descent import DELAY, LAG
from asleft.judge.ramp_fit.ramps import Combined, combine, ramp_estimate
from asleft.judge.valve.living import LATE
from asleft.judge.valve.pressure import (
    BEYOND,
)
from asleft.sheet.model import MadeBy, Sheet

#: What a command that does not step, or creeps around its steps, leaves open of a ramp: standard uncertainty, s and
#: share.
_OUTRUN_S, _OUTRUN_SHARE = 0.002, 0.0015


#: A lag longer than this, and than this share of the ramp as left, stands in the place of a ramp that does not show.
_LONG_LAG_S, _LAG_SHARE = 0.1, 0.1


#: A ramp that is known worse than this share of itself, and than twice its tolerance, is not told.
_WIDEST_SHARE = 0.6


#: Intervals of readings that a stroke must take, for its length to be told.
_READ_INTERVALS = 1.5


#: Strokes from which a ramp of no one length is known to be far off.
_LEAST_OUT = 6


#: Share of the command over which strokes must reach, so that they tell of all of a ramp that is not straight.
_REACH = 0.8


#: Standard deviations of the command's noise that a move does not go beyond.
_NOISE_SDS = 5.0


#: Strokes within the range that are enough without the others; readings that tell whether a current stands still.
_FEWEST_WHOLE, _FEW_READINGS = 6, 10


#: A law off its line by this share of the span is bent.
_BENT = 0.002


def estimate_ramps(sheet: Sheet, seen: Seen, out: AsFound) -> None:
    """Put both ramps into `out`. Asks for the currents first."""
    names = ("ramp_up", "ramp_down")
    if not seen.has_current:
        not_seen(out, names, NotObserved("no current reading on this valve"))
        return
    if LATE in seen.dead:
        not_seen(out, names, NotObserved("the command is read late"))
        return
    every = _whole([s for s in seen.strokes if s.excluded < 0.5], sheet, seen, out.clip, out.cut_s)
    strokes = [s for s in every if s.chi2 < UNEXPLAINED and s.h00 == s.h00]
    out.combined = combined = combine(strokes)
    crooked = [not_straight(_moves(every, k), _moves(strokes, k), combined, k) for k in (0, 1)]
    for k, name in enumerate(names):  # one circuit makes both: where one is no straight ramp, the other is none
        found = (
            _surely_out(sheet, name, k, _moves(every, k), _moves(strokes, k), combined) if crooked[k] else None
        ) or _ramp(seen, sheet, name, k, strokes, combined, out.line, crooked[k] or crooked[1 - k])
        out.quantities[name] = _read_often_enough(found, _moves(every, k), k, seen.interval_s)


def _read_often_enough(found: Found, moves: Sequence[Stroke], k: int, interval_s: float) -> Found:
    """A ramp, or that it is too short for the readings.

    A stroke that is over within one interval of readings looks as if it had taken about that interval, whatever it
    took, and the same in every stroke: nothing scatters. So below `_READ_INTERVALS` there is only a bound.
    """
    if not isinstance(found, Estimate) or not moves:
        return found
    size = float(np.median([stroke_size(s, rising=k == 0) for s in moves]))
    shortest_s = _READ_INTERVALS * interval_s / size
    if found.value >= shortest_s:
        return found
    bound_s = max(shortest_s, found.value + found.expanded())
    return NotObserved(
        f"too few readings, {1.0 / interval_s:.2g} a second; not slower than {_rounded_up(bound_s)} s", below=bound_s
    )


def _whole(
    strokes: Sequence[Stroke], sheet: Sheet, seen: Seen, clip: Clip | None, cut_s: frozenset[float]
) -> list[Stroke]:
    """Strokes all of whose current a straight law makes of the demand and is read.

    Not so beyond the current's limit, beyond what its reading can show, and clearly beyond the command's range, where
    some drivers stop and others go on. Where the driver is off, and just beyond the range, only if there are others.
    """
    top = clip.demand - 0.02 if clip is not None else math.inf
    dwells = [d for d in seen.dwells if usable(d, sheet) and d.n >= _FEW_READINGS]
    lively = {d.from_s for d in alive(dwells)}
    stuck = [d.demand for d in dwells if d.from_s not in lively]
    if stuck and len(stuck) < len(dwells):
        shown = max((d.demand for d in dwells if d.from_s in lively), default=1.0)
        top = min(top, min(stuck) - 0.02) if min(stuck) > shown else top
    beyond, noise = BEYOND + _NOISE_SDS * seen.demand_noise, 4.0 * seen.demand_noise + 0.005
    kept = [s for s in strokes if s.high_demand < min(top, 1.0 + beyond) and s.low_demand > -beyond]
    zero, full = sheet.as_left.get("current_at_zero"), sheet.as_left.get("current_at_full")
    if zero is not None and full is not None:
        cut = {s.from_s for s in (*cut_strokes(kept, dwells, full - zero), *strokes_at(kept, dwells, cut_s))}
        kept = [s for s in kept if s.from_s not in cut]
    off = sheet.signal.off_below_pct / 100.0
    within = [
        s
        for s in kept
        if s.high_demand < 1.0 + noise and s.low_demand > -noise and (off <= 0.0 or s.low_demand > off)
    ]
    return within if len(within) >= _FEWEST_WHOLE and all(_moves(within, k) for k in (0, 1)) else kept


def _moves(strokes: Sequence[Stroke], k: int) -> list[Stroke]:
    """Strokes that go clearly up (`k` = 0) or down (1), and not slower than any ramp."""
    return [
        s
        for s in strokes
        if stroke_size(s, rising=k == 0) > 0.1 and (s.identifiable_up_s, s.identifiable_down_s)[k] < math.inf
    ]


def _ramp(
    seen: Seen,
    sheet: Sheet,
    name: str,
    k: int,
    strokes: Sequence[Stroke],
    combined: Combined | None,
    line: CurrentLine | None,
    crooked: str,
) -> Found:
    """One ramp. Not observed, with a bound, when the command itself is the slower one."""
    way = "rises" if k == 0 else "falls"
    moves = _moves(strokes, k)
    if crooked:
        return NotObserved(crooked)
    if combined is None or not moves:
        return NotObserved(f"no settled stroke in which the command {way}")
    note = ""
    limits, left = sheet.tolerance.get(name), sheet.as_left.get(name)
    if limits is not None and left is not None:
        odd = at_times(moves, k, left, max(limits.above if math.isfinite(limits.above) else 0.0, limits.below))
        again = combine(odd)
        if again is not None:
            others = float(np.median(own_ramps([s for s in moves if s not in odd], k)))
            note = f"in {len(odd)} of {len(moves)} strokes; {_rounded_up(others)} s in the others"
            strokes, moves, combined = odd, odd, again
    found = ramp_estimate(strokes, moves, combined, k)
    lag_s = float(combined.theta[LAG])
    if left is not None and found.value_s < lag_s and lag_s > max(_LONG_LAG_S, _LAG_SHARE * left):
        return NotObserved(f"the current {way} along no straight ramp: as behind a lag of {lag_s:.2g} s")
    carriers = found.carriers
    # Strokes take noise on the wire for clipped by half at the ends; the levels tell how much more it was.
    clipped = clipped_share(carriers, line.more_clipped if line is not None else 0.0, rising=k == 0)
    value, sd = found.value_s * (1.0 + clipped), found.sd_s
    tolerance = sheet.tolerance.get(name)
    wide = max(0.3 * max(value, 0.0), 2.0 * tolerance.above if tolerance else 0.1)
    stepped = any((s.identifiable_up_s, s.identifiable_down_s)[k] <= 0.0 for s in moves)
    if (not carriers or sd > wide) and not stepped:
        who = (
            "the controller makes its own"
            if sheet.signal.made_by is MadeBy.CONTROLLER_RAMPS
            else "the command never outruns it"
        )
        return NotObserved(f"{who}; not slower than {_rounded_up(found.below_s)} s", below=found.below_s)
    if sd > wide or not carriers:
        return NotObserved("stretches too short against the lag")
    return _ramp_of(sheet, seen, name, k, carriers, line, (value, sd), stepped=stepped, note=note)


def _ramp_of(
    sheet: Sheet,
    seen: Seen,
    name: str,
    k: int,
    carriers: Sequence[Stroke],
    line: CurrentLine | None,
    value_sd: tuple[float, float],
    *,
    stepped: bool,
    note: str,
) -> Found:
    """A ramp of a value and standard deviation (s) from the strokes that tell it; not observed where it is vague."""
    value, sd = value_sd
    tolerance = sheet.tolerance.get(name)
    found = Estimate(
        value=max(value, 0.0),
        repeatability=sd,
        dof=float(max(2 * len(carriers) - 4, 1)),
        systematic=math.hypot(
            ramp_systematic(sheet, seen, value, carriers, line, rising=k == 0),
            0.0 if stepped else _outrun_u_s(value),
            _bent_u_s(line, carriers, k),
        ),
        segments=len(carriers),
        from_s=min(s.from_s for s in carriers),
        to_s=max(s.to_s for s in carriers),
        command_min_pct=100.0 * max(min(s.low_demand for s in carriers), 0.0),
        command_max_pct=100.0 * max(s.high_demand for s in carriers),
        note=note,
    )
    if found.expanded() > max(_WIDEST_SHARE * found.value, 2.0 * (tolerance.above if tolerance else 0.1)):
        return NotObserved("the command hardly outruns it")
    return found


def _surely_out(
    sheet: Sheet, name: str, k: int, every: Sequence[Stroke], moves: Sequence[Stroke], combined: Combined | None
) -> Estimate | None:
    """A ramp of no one length that every stroke shows far off as left: by twice what all strokes lie apart.

    What is no straight line takes strokes of other length or place other times; how far they lie apart says how far
    that goes. Its value is then that of the middle stroke, as uncertain as strokes differ. None where one may be as
    left, or where strokes are alike or not explained, so that this is not known; where those that are explained leave
    a part of the command out, in which the ramp may take all the time that they do not; nor where a lag takes much of
    what was left as a ramp, or more than the ramp itself: something else than a limiter makes such strokes.
    """
    left, tolerance = sheet.as_left.get(name), sheet.tolerance.get(name)
    if left is None or tolerance is None or len(moves) < _LEAST_OUT or not shape_shows(every, moves):
        return None
    own = np.array([(s.own_up_s, s.own_down_s)[k] for s in moves])
    value, apart = float(np.median(own)), float(np.ptp(own))
    late_s = float(combined.theta[LAG] + combined.theta[DELAY]) if combined is not None else math.inf
    if late_s > max(_LONG_LAG_S, _LAG_SHARE * left) or late_s > value:
        return None
    if max(s.high_demand for s in moves) - min(s.low_demand for s in moves) < _REACH:
        return None
    if float(np.median([(s.identifiable_up_s, s.identifiable_down_s)[k] for s in moves])) > value:
        return None  # the command itself is the slower one
    limit = tolerance.above if value > left else tolerance.below
    if not abs(value - left) > limit + 2.0 * apart:
        return None
    return Estimate(
        value=value,
        repeatability=0.0,
        dof=math.inf,
        systematic=apart,
        segments=len(moves),
        from_s=min(s.from_s for s in moves),
        to_s=max(s.to_s for s in moves),
        command_min_pct=100.0 * max(min(s.low_demand for s in moves), 0.0),
        command_max_pct=100.0 * max(s.high_demand for s in moves),
        note="strokes of different size or place take different times",
    )


def _bent_u_s(line: CurrentLine | None, carriers: Sequence[Stroke], k: int) -> float:
    """What a bent law leaves open of a ramp: how far single strokes scatter, for each lies elsewhere on it."""
    if line is None or len(carriers) < 2:
        return 0.0
    if float(np.abs(line.residual_a).max()) < _BENT * abs(line.at_full_a - line.at_zero_a):
        return 0.0
    own = np.array([(s.own_up_s, s.own_down_s)[k] for s in carriers])
    return 1.4826 * float(np.median(np.abs(own - np.median(own))))


def _rounded_up(value: float) -> str:
    """To two digits, and never below the value: for a bound."""
    step = 10.0 ** (math.floor(math.log10(value)) - 1)
    return f"{math.ceil(value / step - 1e-9) * step:.2g}"


def _outrun_u_s(ramp_s: float) -> float:
    return _OUTRUN_S + _OUTRUN_SHARE * ramp_s


def bound_by_followed(out: AsFound) -> None:
    """Bound ramps that an outer loop never outruns by the fastest moves the current followed."""
    if not out.slow:
        return
    for name, rate in zip(("ramp_up", "ramp_down"), out.followed, strict=True):
        found = out.quantities[name]
        if isinstance(found, Estimate):
            out.quantities[name] = replace(found, systematic=math.hypot(found.systematic, _outrun_u_s(found.value)))
        elif rate > 0.0:
            why = f"the controller outside never outruns it; not slower than {1.0 / rate:.2g} s"
            out.quantities[name] = NotObserved(why, below=1.0 / rate)
        else:
            out.quantities[name] = NotObserved("the controller outside never clearly outran it")
