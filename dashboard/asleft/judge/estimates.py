"""As found: every quantity of the sheet from dwells, strokes and bursts, or why it is not observed."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from asleft.judge.coil.coil import ColdCoil
from asleft.judge.coil.coldsoak import cold_estimate
from asleft.judge.decide import Estimate
from asleft.judge.dither import DitherBurst, dither_found
from asleft.judge.driver.answer import UNEXPLAINED, at_times, not_straight, own_ramps, shape_shows
from asleft.judge.driver.clipping import Clip, cut_lately, cut_strokes, cuts_of, on_dwells, split_clipped, strokes_at
from asleft.judge.driver.currents import CurrentLine, Level, alive, current_line, floored, levels_of, usable
from asleft.judge.driver.supply import cut_by_supply, supply_estimate
from asleft.judge.driver.systematic import (
    clipped_share,
    current_systematic,
    hidden_dither_a,
    instrument_u,
    ramp_systematic,
    stroke_size,
    unequal_ramps,
)
from asleft.judge.features import Dwell, Stroke
from asleft.judge.held import Held, HeldLevel, held, held_end, judged, learn_held, still_pairs
from asleft.judge.noise import QUIET_WIRE, WireNoise
from asleft.judge.outer import FLOOR, slow_line
from asleft.judge.ramp_fit.descent import DELAY, LAG
from asleft.judge.ramp_fit.ramps import Combined, combine, overshoot_share, ramp_estimate
from asleft.judge.valve.characteristic import Measured, measure
from asleft.judge.valve.creep import Creep, creep_of
from asleft.judge.valve.end_pressure import FARTHEST, end_estimate
from asleft.judge.valve.hysteresis import low_pass_hz, noise_loop_correction
from asleft.judge.valve.living import LATE
from asleft.judge.valve.pressure import (
    ACCEPT_LOG,
    BEYOND,
    LevelKey,
    LevelPressure,
    at_end_of_range,
    end_of_range_bar,
    expected_bar,
    in_control,
    learn_control,
    oil_outside,
    stays,
    steady,
)
from asleft.sheet.model import MadeBy, Sheet
from asleft.sheet.names import counted


@dataclass(frozen=True, slots=True)
class NotObserved:
    """Why a quantity cannot be seen, and what is known of it all the same."""

    reason: str
    below: float | None = None  # known to be below this
    above: float | None = None
    doubt: bool = False  # what was seen in its place is not what was left, though it may be another's doing


Found = Estimate | NotObserved


@dataclass(slots=True)
class AsFound:
    """Everything estimated from one set of features."""

    quantities: dict[str, Found] = field(default_factory=dict)
    line: CurrentLine | None = None
    levels: list[Level] = field(default_factory=list)
    clip: Clip | None = None
    cut_s: frozenset[float] = frozenset()  # beginnings of dwells whose current was cut off at times
    combined: Combined | None = None
    control: Mapping[LevelKey, LevelPressure] = field(default_factory=dict)
    judged_pressure: list[Dwell] = field(default_factory=list)  # steady and in control
    creep: Creep = field(default_factory=Creep)  # of the pressure
    held: Held | None = None  # of an outer loop
    slow: bool = False  # currents are from slowly moving data
    followed: tuple[float, float] = (0.0, 0.0)  # rise and fall of its command (1/s) that the current followed
    characteristic: Measured = field(default_factory=Measured)
    stepped_s: float = -math.inf  # since when the last quantity that stepped stands on its new value


@dataclass(frozen=True, slots=True)
class Seen:
    """What the estimates rest on: features, the valve's scale, and which channels exist."""

    dwells: Sequence[Dwell]
    strokes: Sequence[Stroke]
    bursts: Sequence[DitherBurst]
    has_current: bool
    has_pressure: bool
    has_supply: bool
    resolution_a: float
    demand_noise: float
    interval_s: float
    control: Mapping[LevelKey, LevelPressure] | None  # learnt when left; None: judge by this data itself
    held_left: Sequence[HeldLevel] = ()  # of an outer loop, learnt when left; none: judge by this data itself
    cold: ColdCoil | None = None  # the last start with a cold coil
    wire: WireNoise = QUIET_WIRE  # noise of the command that the driver gets
    demand_step: float = 0.0  # of the command's converter, share of full
    current_noise_a: float = 0.0  # of one current sample
    control_until_s: float | None = None  # `control` was learnt from dwells up to here; None: from these here
    resolution_bar: float = 0.0  # the pressure converter's step, 0 while not known
    dead: frozenset[str] = frozenset()  # channels whose reading stood still for a stretch, which is left out
    end_a: float = math.inf  # where the reading of current ends
    no_tone: bool = False  # no tone of aliased dither in the current
    oil_may_be_cold: bool = False  # not long at work since a stop, and no reading of the oil's temperature


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
#: Tolerances below the characteristic from which a pressure is not what was left.
_FAR = 1.5
#: Why nothing is told of what a dead channel measures.
_DEAD = "its reading stood still"
#: Standard deviations of the command's noise that a move does not go beyond.
_NOISE_SDS = 5.0
#: Strokes within the range that are enough without the others; readings that tell whether a current stands still.
_FEWEST_WHOLE, _FEW_READINGS = 6, 10
#: A law off its line by this share of the span is bent.
_BENT = 0.002


def estimate(sheet: Sheet, seen: Seen) -> AsFound:
    """As found for every quantity the sheet gives; never raises for poor data, says what is missing instead."""
    out = AsFound()
    _currents(sheet, seen, out)
    _ramps(sheet, seen, out)
    _followed(out)
    _pressures(sheet, seen, out)
    supply = supply_estimate(seen.dwells, recorded=seen.has_supply, instrument_u_v=instrument_u(sheet, "supply"))
    out.quantities["supply_voltage"] = supply if isinstance(supply, Estimate) else NotObserved(supply)
    _dither(sheet, seen, out)
    _characteristic(sheet, seen, out)
    cold = cold_estimate(sheet, seen.cold, seen.dwells, out.clip)
    out.quantities["coil_resistance"] = cold if isinstance(cold, Estimate) else NotObserved(cold)
    return out


def _both(out: AsFound, names: tuple[str, str], found: NotObserved) -> None:
    for name in names:
        out.quantities[name] = found


def _currents(sheet: Sheet, seen: Seen, out: AsFound) -> None:
    names = ("current_at_zero", "current_at_full")
    if not seen.has_current:
        _both(out, names, NotObserved("no current reading on this valve"))
        return
    good = alive([d for d in seen.dwells if usable(d, sheet)])
    out.levels = levels_of(
        good, seen.resolution_a, demand_step=seen.demand_step, wire_sd=seen.wire.sd, wire_u=seen.wire.u
    )
    left0, left1 = sheet.as_left.get(names[0]), sheet.as_left.get(names[1])
    if not out.levels:
        dead = "current" in seen.dead
        _both(out, names, NotObserved(_DEAD if dead else "no settled stretches of the current"))
        return
    span = (left1 - left0) if left0 is not None and left1 is not None else out.levels[-1].current_a
    tolerance = sheet.tolerance[names[1]].below if names[1] in sheet.tolerance else 0.02 * span
    why = "the command did not rest at two separated levels"
    outer = sheet.signal.made_by is MadeBy.CLOSED_LOOP
    if outer:
        slow = slow_line(good, span, tolerance, seen.resolution_a, seen.demand_noise)
        kept, out.clip, line, why = slow.levels, slow.clip, slow.line, slow.reason
        if out.clip is not None and line is not None:
            out.clip = on_dwells(out.clip, line, good)
        out.slow, out.followed = True, slow.followed
    else:
        kept, line = _open_loop_line(sheet, seen, out, good, span, tolerance, (left0, left1))
    raised = 0
    if not outer and left0 is not None and left1 is not None and names[0] in sheet.tolerance:
        raised = floored(kept, (left0, left1), sheet.tolerance[names[0]].above)
    floor = kept[:raised]
    if raised:
        kept = kept[raised:]
        line = current_line(kept, 0.0, seen.wire.u, seen.wire.sd)
        if line is None:
            why = f"the current never falls below {floor[0].current_a:.3f} A, and too few levels lie above"
    out.line = line
    if line is None:
        _both(out, names, NotObserved(why))
    else:
        _ends(sheet, seen, out, line, kept, good, span)
    _at_floor(sheet, floor, out)


def _open_loop_line(
    sheet: Sheet,
    seen: Seen,
    out: AsFound,
    good: Sequence[Dwell],
    span: float,
    tolerance: float,
    left_a: tuple[float | None, float | None],
) -> tuple[list[Level], CurrentLine | None]:
    """The levels that a straight law makes, and the line through them; what is cut off is set in `out`."""
    zero, full = left_a
    demand_se = 0.0  # a level knows its own
    # What lies beyond the range should have full current at least; how much more, no two drivers agree.
    beyond = _beyond(seen.dwells) if out.levels[-1].demand < 1.0 - BEYOND else []
    top = levels_of(beyond, seen.resolution_a, demand_step=seen.demand_step)
    kept, out.clip = split_clipped([*out.levels, *top], span, tolerance, demand_se, left_a, seen.strokes)
    kept = [level for level in kept if level not in top]
    line = current_line(kept, demand_se, seen.wire.u, seen.wire.sd)
    if out.clip is not None and line is not None:
        out.clip = on_dwells(out.clip, line, good)
    if out.clip is None and zero is not None and full is not None:
        cut_s = _cut_within(sheet, seen, good, (zero, full), tolerance, out)
        whole = [d for d in good if d.from_s not in cut_s]
        again = levels_of(
            whole, seen.resolution_a, demand_step=seen.demand_step, wire_sd=seen.wire.sd, wire_u=seen.wire.u
        )
        if cut_s:
            kept, line = again, current_line(again, demand_se, seen.wire.u, seen.wire.sd)
    return kept, line


def _ends(
    sheet: Sheet,
    seen: Seen,
    out: AsFound,
    line: CurrentLine,
    kept: Sequence[Level],
    good: Sequence[Dwell],
    span: float,
) -> None:
    """The currents at both ends of the line through the levels `kept`; `span`: as left (A)."""
    names = ("current_at_zero", "current_at_full")
    outer = sheet.signal.made_by is MadeBy.CLOSED_LOOP
    loop_shift, loop_shift_u = (0.0, 0.0) if outer else unequal_ramps(sheet, seen.wire)
    systematic = math.hypot(
        current_systematic(sheet, span, good, seen.interval_s),
        FLOOR * span if outer else 0.0,
        span * loop_shift_u,
        hidden_dither_a(sheet, line, span) if seen.no_tone else 0.0,
    )
    for name, value, se, same in (
        (names[0], line.at_zero_a, line.se_zero_a, math.hypot(line.clipped_zero_a, line.law_zero_a)),
        (names[1], line.at_full_a, line.se_full_a, math.hypot(line.clipped_full_a, line.law_full_a)),
    ):
        if name == names[1] and out.clip is not None:
            start = f"clipped at {out.clip.limit_a:.3f} A from {100 * out.clip.demand:.0f} % command"
            note = f"{start}; taken from lower levels"
        else:
            note = ""
        out.quantities[name] = Estimate(
            value=value - span * loop_shift,
            repeatability=se,
            dof=line.dof,
            systematic=math.hypot(systematic, same),
            segments=sum(level.dwells for level in kept),
            from_s=min(level.from_s for level in kept),
            to_s=max(level.to_s for level in kept),
            command_min_pct=100.0 * kept[0].demand,
            command_max_pct=100.0 * kept[-1].demand,
            note=note,
        )


def _at_floor(sheet: Sheet, floor: Sequence[Level], out: AsFound) -> None:
    """The current at zero where levels stand on a floor: theirs."""
    if not floor:
        return
    weight = [level.dwells for level in floor]
    out.quantities["current_at_zero"] = Estimate(
        value=float(np.average([level.current_a for level in floor], weights=weight)),
        repeatability=max(max(level.current_se_a for level in floor), float(np.ptp([x.current_a for x in floor]))),
        dof=float(max(sum(weight) - 1, 1)),
        systematic=instrument_u(sheet, "current"),
        segments=sum(weight),
        from_s=min(level.from_s for level in floor),
        to_s=max(level.to_s for level in floor),
        command_min_pct=100.0 * floor[0].demand,
        command_max_pct=100.0 * floor[-1].demand,
        note="the current falls no lower",
    )


def _cut_within(
    sheet: Sheet, seen: Seen, good: Sequence[Dwell], left_a: tuple[float, float], tolerance_a: float, out: AsFound
) -> frozenset[float]:
    """When the dwells began whose current was cut off within the readings: what they read is no setting.

    A cut that is still there is the clip; one that went again is known by its dwells alone.
    """
    lately = cut_lately(good, left_a, tolerance_a, seen.strokes)
    if lately is not None:
        out.clip, cut_s = lately
        return cut_s
    out.cut_s = frozenset(cut.dwell.from_s for cut in cuts_of(good, left_a, tolerance_a, seen.strokes))
    volts, width = sheet.as_left.get("supply_voltage"), sheet.tolerance.get("supply_voltage")
    if volts is not None and width is not None:
        out.cut_s |= cut_by_supply(good, volts - width.below, tolerance_a, left_a[1] - left_a[0])
    return out.cut_s


def _beyond(dwells: Sequence[Dwell]) -> list[Dwell]:
    """Settled dwells whose command lies beyond full."""
    return [d for d in dwells if d.flat > 0.5 and d.demand > 1.0 + BEYOND and math.isfinite(d.current_a)]


def _ramps(sheet: Sheet, seen: Seen, out: AsFound) -> None:
    names = ("ramp_up", "ramp_down")
    if not seen.has_current:
        _both(out, names, NotObserved("no current reading on this valve"))
        return
    if LATE in seen.dead:
        _both(out, names, NotObserved("the command is read late"))
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


def _pressures(sheet: Sheet, seen: Seen, out: AsFound) -> None:
    names = ("pressure_at_zero", "pressure_at_full")
    if sheet.controls != "pressure":
        _both(out, names, NotObserved("the valve controls flow: pressure is not its doing"))
        return
    if not seen.has_pressure:
        _both(out, names, NotObserved("no pressure reading on this valve"))
        return
    if sheet.signal.made_by is MadeBy.CLOSED_LOOP:
        _held(sheet, seen, out)
        return
    out.creep = creep_of(seen.dwells)
    settled = [] if seen.oil_may_be_cold else steady(seen.dwells, sheet, out.creep)
    tolerance = max((sheet.tolerance[n].below for n in names if n in sheet.tolerance), default=0.0)
    control = (
        seen.control if seen.control is not None else learn_control(settled, sheet, tolerance, accept=ACCEPT_LOG)
    )
    out.control = control
    out.judged_pressure = [d for d in settled if in_control(d, sheet, control)]
    systematic = instrument_u(sheet, "pressure")
    rests_s = [d.to_s - d.from_s for d in out.judged_pressure]
    noise = noise_loop_correction(seen.wire.density, rests_s, low_pass_hz(sheet))
    for name, at_full in zip(names, (False, True), strict=True):
        found = end_estimate(
            [d for d in out.judged_pressure if d.from_s not in out.cut_s],
            sheet,
            at_full=at_full,
            instrument_u_bar=systematic,
            resolution_bar=seen.resolution_bar,
            swing=overshoot_share(out.combined, 0 if at_full else 1),
            creep=out.creep,
            noise=noise,
        )
        out.quantities[name] = (
            found if found is not None else _no_pressure(sheet, seen, settled, out, at_full=at_full)
        )


def _followed(out: AsFound) -> None:
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


def _held(sheet: Sheet, seen: Seen, out: AsFound) -> None:
    """Pressures of a valve under an outer loop: the command needed, and the ends where the loop goes near them."""
    tolerance = sheet.tolerance["pressure_at_full"].below if "pressure_at_full" in sheet.tolerance else 0.0
    pairs = [] if seen.oil_may_be_cold else still_pairs(seen.dwells, sheet)
    left = seen.held_left or learn_held(pairs, sheet, tolerance)
    out.held = held(pairs, sheet, left, tolerance)
    out.judged_pressure = [pair for pair, _ in judged(pairs, sheet, left)]
    for name, at_full in (("pressure_at_zero", False), ("pressure_at_full", True)):
        end = held_end(out.judged_pressure, sheet, at_full=at_full, instrument_u_bar=instrument_u(sheet, "pressure"))
        if isinstance(end, str):
            plain = end if out.judged_pressure else _why_no_pressure(sheet, seen, pairs, out, at_full=at_full)
            out.quantities[name] = NotObserved(plain)
        else:
            out.quantities[name] = end


def _no_pressure(sheet: Sheet, seen: Seen, settled: Sequence[Dwell], out: AsFound, *, at_full: bool) -> NotObserved:
    """Why there is no pressure at an end. In doubt where full command was reached and the pressure did not come.

    That may be a load's doing or the valve's; nothing else tells which before the valve's own levels are known.
    """
    why = _why_no_pressure(sheet, seen, settled, out, at_full=at_full)
    left, tolerance = sheet.as_left.get("pressure_at_full"), sheet.tolerance.get("pressure_at_full")
    if not at_full or left is None or tolerance is None or seen.oil_may_be_cold:
        return NotObserved(why)
    end = end_of_range_bar(seen.dwells)
    reached = [d for d in settled if d.arrival > 0.0 and d.demand >= 1.0 - FARTHEST and not at_end_of_range(d, end)]
    expected = ((d, expected_bar(d, sheet)) for d in reached)
    short = [d for d, bar in expected if bar is not None and d.pressure_bar < bar - _FAR * tolerance.below]
    return NotObserved(why, doubt=bool(short))


def _why_no_pressure(sheet: Sheet, seen: Seen, settled: Sequence[Dwell], out: AsFound, *, at_full: bool) -> str:
    producing = [d for d in seen.dwells if d.producing > 0.5]
    if not producing:
        return "not producing"
    if oil_outside(producing, sheet):
        return "oil outside its temperature window"
    if seen.oil_may_be_cold:
        return "less than two hours of production since a stop, and the oil's temperature is not recorded"
    if not settled:
        return _DEAD if "pressure" in seen.dead else "pressure never settled"
    if not out.judged_pressure:
        return "the valve was not in control of the pressure"
    if sheet.signal.off_below_pct > 0.0 and not at_full:
        return f"the driver is off below {sheet.signal.off_below_pct:g} % command"
    if not at_full:
        return "zero command not visited from above, with the valve in control"
    reached = [d for d in producing if d.arrival > 0.0 and d.demand >= 1.0 - FARTHEST]
    if not reached:
        return "full command not visited from below"
    return _why_not_at_full(seen, settled, reached)


def _why_not_at_full(seen: Seen, settled: Sequence[Dwell], reached: Sequence[Dwell]) -> str:
    """Why full command, which was reached from below, gave no pressure."""
    end = end_of_range_bar(seen.dwells)
    if any(at_end_of_range(d, end) for d in reached):
        return f"the pressure reading ends at {end:.0f} bar"
    times, bars = (
        counted(stays(reached), "time"),
        sorted(d.pressure_bar for d in settled if d.arrival > 0.0 and d.demand >= 1.0 - FARTHEST),
    )
    if not bars:
        return f"full command was reached {times}, the pressure never settled there"
    at = (
        f"stayed at {bars[-1]:.0f} bar"
        if bars[-1] - bars[0] < 1.0
        else f"came to {bars[0]:.0f} to {bars[-1]:.0f} bar"
    )
    return f"full command was reached {times}, the pressure {at}"


def _characteristic(sheet: Sheet, seen: Seen, out: AsFound) -> None:
    """Hysteresis, and what else branches say; without judged pressure for the reason pressure itself gave."""
    if sheet.signal.made_by is MadeBy.CLOSED_LOOP:
        out.quantities["hysteresis"] = NotObserved("only moving data: a controller outside makes the command")
        return
    pressure = out.quantities["pressure_at_full"]
    why = pressure.reason if isinstance(pressure, NotObserved) and not out.judged_pressure else ""
    at_rest = {d.from_s: d for d in out.judged_pressure}
    out.characteristic = found = measure(
        sheet,
        [at_rest.get(d.from_s, d) for d in seen.dwells],
        out.judged_pressure,
        wire=seen.wire,
        current_u_a=instrument_u(sheet, "current"),
        steps=(seen.resolution_a, seen.resolution_bar),
        swing=overshoot_share(out.combined, 0) + overshoot_share(out.combined, 1),
        creep=out.creep,
        why_none=why,
    )
    out.quantities["hysteresis"] = (
        NotObserved(found.reason, below=found.below_pct, above=found.above_pct)
        if found.hysteresis is None
        else found.hysteresis
    )


def _dither(sheet: Sheet, seen: Seen, out: AsFound) -> None:
    names = ("dither_frequency", "dither_amplitude")
    for name, found in zip(names, dither_found(seen.bursts, sheet), strict=True):
        out.quantities[name] = found if isinstance(found, Estimate) else NotObserved(found)
