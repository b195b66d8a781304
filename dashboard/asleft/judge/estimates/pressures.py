"""Pressures as found, from dwells, or why they are not observed."""

from __future__ import annotations

from collections.abc import Sequence

from asleft.judge.driver.systematic import (
    instrument_u,
)
from asleft.judge.estimates.as_found import DEAD, AsFound, NotObserved, Seen, not_seen
from asleft.judge.features import Dwell
from asleft.judge.held import held, held_end, judged, learn_held, still_pairs
from asleft.judge.ramp_fit.ramps import overshoot_share
from asleft.judge.valve.creep import creep_of
from asleft.judge.valve.end_pressure import FARTHEST, end_estimate
from asleft.judge.valve.hysteresis import low_pass_hz, noise_loop_correction
from asleft.judge.valve.pressure import (
    ACCEPT_LOG,
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

#: Tolerances below the characteristic from which a pressure is not what was left.
_FAR = 1.5
#: Commands that are high where full is never reached, how near to the highest they lie (share of full), in how many
#: stays, and which share of what a straight characteristic makes there is hardly any.
_HIGH, _ONE_LEVEL, _LEAST_STAYS, _HARDLY = 0.5, 0.02, 3, 0.1


def estimate_pressures(sheet: Sheet, seen: Seen, out: AsFound) -> None:
    """Put the pressures at both ends into `out`, with the dwells that count for them."""
    names = ("pressure_at_zero", "pressure_at_full")
    if sheet.controls != "pressure":
        not_seen(out, names, NotObserved("the valve controls flow: pressure is not its doing"))
        return
    if not seen.has_pressure:
        not_seen(out, names, NotObserved("no pressure reading on this valve"))
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
            swing=overshoot_share(out.combined, 0 if at_full else 1, low_pass_hz(sheet)),
            creep=out.creep,
            noise=noise,
        )
        out.quantities[name] = (
            found if found is not None else _no_pressure(sheet, seen, settled, out, at_full=at_full)
        )


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
    rose = [d for d in settled if d.arrival > 0.0 and not at_end_of_range(d, end)]
    reached = [d for d in rose if d.demand >= 1.0 - FARTHEST]
    expected = ((d, expected_bar(d, sheet)) for d in reached)
    short = [d for d, bar in expected if bar is not None and d.pressure_bar < bar - _FAR * tolerance.below]
    return NotObserved(why, doubt=True) if short else _never_rose(sheet, rose) or NotObserved(why)


def _never_rose(sheet: Sheet, rose: Sequence[Dwell]) -> NotObserved | None:
    """In doubt, where full command was never reached: a pressure that no high command ever raised; None if one did.

    `rose`: settled dwells arrived at from below. Of the way between, the sheet need not say anything.
    """
    zero = sheet.as_left.get("pressure_at_zero", 0.0)
    top = max((d.demand for d in rose), default=0.0)
    high = [d for d in rose if d.demand >= max(top - _ONE_LEVEL, _HIGH)]
    expected = [expected_bar(d, sheet) or 0.0 for d in high]
    if stays(high) < _LEAST_STAYS or any(
        d.pressure_bar > zero + _HARDLY * (bar - zero) for d, bar in zip(high, expected, strict=True)
    ):
        return None
    bars = sorted(d.pressure_bar for d in high)
    why = f"at {100.0 * top:.0f} % command, the highest reached from below, the pressure came to {bars[-1]:.0f} bar"
    return NotObserved(why, doubt=True)


def _why_no_pressure(sheet: Sheet, seen: Seen, settled: Sequence[Dwell], out: AsFound, *, at_full: bool) -> str:
    producing = [d for d in seen.dwells if d.producing > 0.5]
    if not producing:
        return "not producing"
    if oil_outside(producing, sheet):
        return "oil outside its temperature window"
    if seen.oil_may_be_cold:
        return "less than two hours of production since a stop, and the oil's temperature is not recorded"
    if not settled:
        return DEAD if "pressure" in seen.dead else "pressure never settled"
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
