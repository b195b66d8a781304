"""The levels of a graded sweep: current and pressure of each against what the sheet wants of it there."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from asleft.judge.decide import expanded_uncertainty, verdict
from asleft.judge.driver.systematic import current_systematic
from asleft.judge.features import Dwell
from asleft.judge.state import JudgeState
from asleft.judge.steps.points import seen_of
from asleft.judge.types import Verdict
from asleft.judge.valve.end_pressure import pressure_systematic_bar
from asleft.judge.valve.pressure import ceiling_bar, still
from asleft.judge.verify.recognise import FullCycle
from asleft.judge.verify.result import Graded, Step
from asleft.sheet.model import Sheet, Tolerance

#: How long before and after a sweep its first and last level may lie (s).
SETTLE_S = 5.0
_SAME_LEVEL = 0.012


def steps_of(sheet: Sheet, state: JudgeState, sweep: FullCycle) -> tuple[Step, ...]:
    """Every level of the sweep, in the order of its way."""
    inside = [d for d in state.dwells if d.from_s >= sweep.from_s - SETTLE_S and d.to_s <= sweep.to_s + SETTLE_S]
    up = [d for d in inside if d.to_s <= sweep.top_to_s + 0.5 and d.arrival >= 0.0 and d.from_s >= sweep.from_s - 0.5]
    down = [d for d in inside if d.from_s > sweep.top_to_s and d.arrival <= 0.0]
    noise = seen_of(state, state.dwells, state.strokes, state.bursts)
    out = []
    for way, dwells, arrival in (("up", up, 1.0), ("down", down, -1.0)):
        for group in _levels(dwells):
            demand = _mean(group, "demand")
            out.append(
                Step(
                    way=way,
                    command_pct=100.0 * demand,
                    at_s=group[0].from_s,
                    current=_current(sheet, group, demand, noise.interval_s, seen=noise.has_current),
                    pressure=_pressure(sheet, group, demand, arrival, seen=noise.has_pressure),
                )
            )
    return tuple(out)


def _levels(dwells: Sequence[Dwell]) -> list[list[Dwell]]:
    """Dwells that follow each other at one level, together."""
    out: list[list[Dwell]] = []
    for dwell in dwells:
        if out and abs(out[-1][-1].demand - dwell.demand) <= _SAME_LEVEL:
            out[-1].append(dwell)
        else:
            out.append([dwell])
    return out


def _mean(group: Sequence[Dwell], name: str) -> float:
    weights = np.array([d.n for d in group])
    values = np.array([getattr(d, name) for d in group])
    return float(np.sum(weights * values) / np.sum(weights))


def _between(sheet: Sheet, names: tuple[str, str], demand: float) -> Tolerance | None:
    """Tolerance at a demand, between those at zero and at full; None where the sheet lacks one."""
    ends = [sheet.tolerance.get(name) for name in names if name in sheet.as_left]
    if len(ends) < 2 or ends[0] is None or ends[1] is None:
        return None
    share = min(max(demand, 0.0), 1.0)
    low, high = ends[0], ends[1]
    return Tolerance(low.below + share * (high.below - low.below), low.above + share * (high.above - low.above))


def graded(wanted: float | None, found: float, expanded: float, tolerance: Tolerance | None, why: str) -> Graded:
    """A number against what is wanted of it; `why`: the reason where nothing is."""
    if wanted is None or tolerance is None:
        return Graded(None, found, expanded, None, None, Verdict.NOT_OBSERVED, why)
    decided = verdict(found - wanted, expanded, tolerance)
    return Graded(wanted, found, expanded, tolerance.below, tolerance.above, decided)


def unseen(reason: str) -> Graded:
    """Nothing was read here, and why."""
    return Graded(None, None, None, None, None, Verdict.NOT_OBSERVED, reason)


def _current(sheet: Sheet, group: Sequence[Dwell], demand: float, interval_s: float, *, seen: bool) -> Graded:
    found = _mean(group, "current_a") if seen else math.nan
    if not math.isfinite(found):
        return unseen("no current reading on this valve" if not seen else "the current was not read here")
    names = ("current_at_zero", "current_at_full")
    zero, full = (sheet.as_left.get(name) for name in names)
    span = full - zero if zero is not None and full is not None else 0.0
    n = len(group)
    se = math.sqrt(sum(d.current_se_a**2 + (span * d.demand_se) ** 2 for d in group)) / n
    expanded = expanded_uncertainty(se, max(_mean(group, "n") * n - 1.0, 1.0), current_systematic(
        sheet, span, group, interval_s))  # fmt: skip
    if sheet.signal.off_below_pct > 0.0 and 100.0 * demand < sheet.signal.off_below_pct:
        return unseen(f"the driver is off below {sheet.signal.off_below_pct:g} % command")
    wanted = None if zero is None or full is None else zero + min(max(demand, 0.0), 1.0) * span
    return graded(wanted, found, expanded, _between(sheet, names, demand), "the sheet gives no currents")


def _pressure(sheet: Sheet, group: Sequence[Dwell], demand: float, arrival: float, *, seen: bool) -> Graded:
    """Against the commissioned branch; without a recorded characteristic only at the ends."""
    if not seen:
        return unseen("no pressure reading on this valve")
    if sheet.controls != "pressure":
        return unseen("the valve controls flow: pressure is not its doing")
    last = group[-1]
    if not math.isfinite(last.pressure_bar):
        return unseen("the pressure was not read here")
    names = ("pressure_at_zero", "pressure_at_full")
    if not still(last, sheet):
        return unseen("the pressure did not settle on this step")
    window = sheet.conditions.oil_temperature_degc
    if window and math.isfinite(last.oil_degc) and not window[0] <= last.oil_degc <= window[1]:
        return unseen("oil outside its temperature window")
    systematic = pressure_systematic_bar(sheet, last.pressure_bar, last.oil_degc)
    expanded = expanded_uncertainty(last.pressure_se_bar, max(0.4 * last.n - 1.0, 1.0), systematic)
    at_end = (demand > 0.97 and arrival > 0.0) or (demand < 0.03 and arrival < 0.0)
    if sheet.characteristic is None and not at_end:
        why = "no characteristic was recorded at commissioning: only the ends are graded"
        return graded(None, last.pressure_bar, expanded, None, why)
    wanted = ceiling_bar(sheet, min(max(demand, 0.0), 1.0), arrival)
    tolerance = _between(sheet, names, demand)
    return graded(wanted, last.pressure_bar, expanded, tolerance, "the sheet gives no pressures")
