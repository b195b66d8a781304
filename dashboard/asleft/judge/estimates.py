"""As found: every quantity of the sheet from dwells, strokes and bursts, or why it is not observed."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from asleft.judge.coil.coil import ColdCoil
from asleft.judge.coil.coldsoak import cold_estimate
from asleft.judge.decide import Estimate
from asleft.judge.dither.dither import DitherBurst
from asleft.judge.dither.dither_found import dither_found
from asleft.judge.driver.clipping import Clip, on_dwells, split_clipped
from asleft.judge.driver.currents import CurrentLine, Level, alive, current_line, levels_of, usable
from asleft.judge.driver.one_ramp import UNEXPLAINED, at_times, not_straight, own_ramps
from asleft.judge.driver.supply import supply_estimate
from asleft.judge.driver.systematic import current_systematic, instrument_u, ramp_systematic, stroke_size
from asleft.judge.features import Dwell, Stroke
from asleft.judge.noise.command_noise import QUIET_WIRE, WireNoise
from asleft.judge.outer.held import Held, held, judged
from asleft.judge.outer.held_ends import held_end
from asleft.judge.outer.held_levels import HeldLevel, learn_held, still_pairs
from asleft.judge.outer.outer import FLOOR, slow_line
from asleft.judge.ramp_fit.descent import LAG
from asleft.judge.ramp_fit.ramp_estimate import ramp_estimate
from asleft.judge.ramp_fit.ramps import Combined, combine
from asleft.judge.valve.characteristic import Measured, measure
from asleft.judge.valve.pressure import (
    ACCEPT_LOG,
    FARTHEST,
    LevelKey,
    LevelPressure,
    at_end_of_range,
    end_estimate,
    end_of_range_bar,
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


Found = Estimate | NotObserved


@dataclass(slots=True)
class AsFound:
    """Everything estimated from one set of features."""

    quantities: dict[str, Found] = field(default_factory=dict)
    line: CurrentLine | None = None
    levels: list[Level] = field(default_factory=list)
    clip: Clip | None = None
    combined: Combined | None = None
    control: Mapping[LevelKey, LevelPressure] = field(default_factory=dict)
    judged_pressure: list[Dwell] = field(default_factory=list)  # steady and in control
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
    oil_may_be_cold: bool = False  # not long at work since a stop, and no reading of the oil's temperature


#: What a command that does not step, or creeps around its steps, leaves open of a ramp: standard uncertainty, s and
#: share.
_OUTRUN_S, _OUTRUN_SHARE = 0.002, 0.0015


#: A lag longer than this, and than this share of the ramp as left, stands in the place of a ramp that does not show.
_LONG_LAG_S, _LAG_SHARE = 0.1, 0.1
#: A ramp that is known worse than this share of itself, and than twice its tolerance, is not told.
_WIDEST_SHARE = 0.6
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
    told = cold_estimate(sheet, seen.cold, seen.dwells, out.clip)
    out.quantities["coil_resistance"] = told if isinstance(told, Estimate) else NotObserved(told)
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
        _both(out, names, NotObserved("no settled stretches of the current"))
        return
    span = (left1 - left0) if left0 is not None and left1 is not None else out.levels[-1].current_a
    tolerance = sheet.tolerance[names[1]].below if names[1] in sheet.tolerance else 0.02 * span
    demand_se = 0.0  # a level knows its own
    why = "the command did not rest at two separated levels"
    outer = sheet.signal.made_by is MadeBy.CLOSED_LOOP
    if outer:
        slow = slow_line(good, span, tolerance, seen.resolution_a, seen.demand_noise)
        kept, out.clip, line, why = slow.levels, slow.clip, slow.line, slow.reason
        out.slow, out.followed = True, slow.followed
    else:
        kept, out.clip = split_clipped(out.levels, span, tolerance, demand_se, left1, seen.strokes)
        line = current_line(kept, demand_se, seen.wire.u)
    out.line = line
    if line is None:
        _both(out, names, NotObserved(why))
        return
    if out.clip is not None:
        out.clip = on_dwells(out.clip, line, good)
    systematic = math.hypot(current_systematic(sheet, span, good, seen.interval_s), FLOOR * span if outer else 0.0)
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
            value=value,
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


def _ramps(sheet: Sheet, seen: Seen, out: AsFound) -> None:
    names = ("ramp_up", "ramp_down")
    if not seen.has_current:
        _both(out, names, NotObserved("no current reading on this valve"))
        return
    clip_demand = out.clip.demand - 0.02 if out.clip is not None else math.inf
    strokes = [
        s
        for s in seen.strokes
        if s.aside < 0.5 and s.high_demand < clip_demand and s.chi2 < UNEXPLAINED and s.h00 == s.h00
    ]
    out.combined = combined = combine(strokes)
    every = [s for s in seen.strokes if s.aside < 0.5 and s.high_demand < clip_demand]
    crooked = [not_straight(_moves(every, k), _moves(strokes, k), combined, k) for k in (0, 1)]
    for k, name in enumerate(names):  # one circuit makes both: where one is no straight ramp, the other is none
        out.quantities[name] = _ramp(seen, sheet, name, k, strokes, combined, out.line, crooked[k] or crooked[1 - k])


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
    value, sd, carriers = found.value_s, found.sd_s, found.carriers
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
    told = Estimate(
        value=max(value, 0.0),
        repeatability=sd,
        dof=float(max(2 * len(carriers) - 4, 1)),
        systematic=math.hypot(
            ramp_systematic(sheet, seen, value, carriers, rising=k == 0),
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
    if told.expanded() > max(_WIDEST_SHARE * told.value, 2.0 * (tolerance.above if tolerance else 0.1)):
        return NotObserved("the command hardly outruns it")
    return told


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
    settled = [] if seen.oil_may_be_cold else steady(seen.dwells, sheet)
    tolerance = max((sheet.tolerance[n].below for n in names if n in sheet.tolerance), default=0.0)
    control = (
        seen.control if seen.control is not None else learn_control(settled, sheet, tolerance, accept=ACCEPT_LOG)
    )
    out.control = control
    out.judged_pressure = [d for d in settled if in_control(d, sheet, control)]
    systematic = instrument_u(sheet, "pressure")
    for name, at_full in zip(names, (False, True), strict=True):
        found = end_estimate(
            out.judged_pressure,
            sheet,
            at_full=at_full,
            instrument_u_bar=systematic,
            resolution_bar=seen.resolution_bar,
        )
        out.quantities[name] = (
            found if found is not None else NotObserved(_no_pressure(sheet, seen, settled, out, at_full=at_full))
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
            plain = end if out.judged_pressure else _no_pressure(sheet, seen, pairs, out, at_full=at_full)
            out.quantities[name] = NotObserved(plain)
        else:
            out.quantities[name] = end


def _no_pressure(sheet: Sheet, seen: Seen, settled: Sequence[Dwell], out: AsFound, *, at_full: bool) -> str:
    producing = [d for d in seen.dwells if d.producing > 0.5]
    if not producing:
        return "not producing"
    if oil_outside(producing, sheet):
        return "oil outside its temperature window"
    if seen.oil_may_be_cold:
        return "less than two hours of production since a stop, and the oil's temperature is not recorded"
    if not settled:
        return "pressure never settled"
    if not out.judged_pressure:
        return "the valve was not in control of the pressure"
    if sheet.signal.off_below_pct > 0.0 and not at_full:
        return f"the driver is off below {sheet.signal.off_below_pct:g} % command"
    if not at_full:
        return "zero command not visited from above, with the valve in control"
    reached = [d for d in producing if d.arrival > 0.0 and d.demand >= 1.0 - FARTHEST]
    if not reached:
        return "full command not visited from below"
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
        why_none=why,
    )
    out.quantities["hysteresis"] = (
        NotObserved(found.reason, below=found.below_pct, above=found.above_pct)
        if found.hysteresis is None
        else found.hysteresis
    )


def _dither(sheet: Sheet, seen: Seen, out: AsFound) -> None:
    names = ("dither_frequency", "dither_amplitude")
    for name, told in zip(names, dither_found(seen.bursts, sheet), strict=True):
        out.quantities[name] = told if isinstance(told, Estimate) else NotObserved(told)
