"""The rows of a graded stretch: levels of a sweep against what the sheet wants, and steps that a ramp held back."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence

import numpy as np
from asleft.judge.decide import expanded_uncertainty, verdict
from asleft.judge.driver.systematic import current_systematic, ramp_systematic, stroke_size
from asleft.judge.estimates.as_found import Seen
from asleft.judge.features import Dwell, Stroke
from asleft.judge.ramp_fit.ramps import combine
from asleft.judge.state import JudgeState
from asleft.judge.steps.points import seen_of
from asleft.judge.types import FloatArray, QuantityResult, Samples, Verdict
from asleft.judge.valve.end_pressure import pressure_systematic_bar
from asleft.judge.valve.pressure import ceiling_bar, still
from asleft.judge.verify.recognise import FullCycle, Move, limited, moves_of
from asleft.judge.verify.result import Graded, RampStep, Step
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


# Steps of the command that a ramp held back: the ramp of each, how much was seen, and why one does not count.

_STROKE_SHOWN = 0.3  # share of the range
_NAMES = {True: ("up", "ramp_up", 0), False: ("down", "ramp_down", 1)}
#: A share of readings below which their lack is the reason why a stroke is not counted.
_ENOUGH_READINGS = 0.9
FIRST_AFTER = (
    "not counted: the first move after the driver was enabled or after a gap in the readings, so where it began is "
    "not known"
)


def ramp_steps_of(
    sheet: Sheet, state: JudgeState, samples: Samples, demand: FloatArray, quantities: Sequence[QuantityResult]
) -> tuple[RampStep, ...]:
    """Every step of the command that a ramp should have held back, oldest first; those not counted say why.

    `demand`: of the samples, shape (n,). `quantities`: as judged over the whole stretch; a ramp that was found there
    says how long the limiter needs, else the sheet does.
    """
    seen = seen_of(state, state.dwells, state.strokes, state.bursts)
    if not seen.has_current:
        return ()
    ramps_s = [_ramp_s(sheet, quantities, name) for name in ("ramp_up", "ramp_down")]
    moves = [move for move in limited(moves_of(samples.time_s, demand), *ramps_s) if move.size >= _STROKE_SHOWN]
    taken: set[tuple[float, int]] = set()
    out = []
    for move in moves:
        way, name, k = _NAMES[move.rising]
        share = _readings_share(samples, move, ramps_s[k])
        over = [s for s in state.strokes if s.from_s <= move.at_s <= s.to_s]
        stroke = max(over, key=lambda s: s.from_s, default=None)
        ramp = _counted(sheet, seen, stroke, move, share, name, k)
        if stroke is not None:
            taken.add((stroke.from_s, k))
        if not sheet.as_left.get(name) and ramp.found is None:
            continue  # there is no ramp to be seen
        out.append(
            RampStep(
                way, 100.0 * move.from_level, 100.0 * move.to_level, move.at_s, ramp,
                move.stayed_s, min(100.0 * move.run, 100.0), 100.0 * share,
            )
        )  # fmt: skip
    out += [step for s in state.strokes for step in _others(sheet, seen, s, taken, ramps_s)]
    return tuple(sorted(out, key=lambda step: step.at_s))


def _ramp_s(sheet: Sheet, quantities: Sequence[QuantityResult], name: str) -> float:
    found = next((q.as_found for q in quantities if q.id == name), None)
    return max(sheet.as_left.get(name, 0.0) if found is None else found, 0.0)


def _readings_share(samples: Samples, move: Move, ramp_s: float) -> float:
    """How much of the readings of the current came while the ramp ran."""
    a, b = np.searchsorted(samples.time_s, [move.at_s, move.at_s + max(move.run * ramp_s, 0.2)])
    interval_s = float(np.median(np.diff(samples.time_s))) if samples.time_s.size > 1 else math.inf
    expected = max(move.run * ramp_s, 0.2) / interval_s
    return min(float(np.count_nonzero(np.isfinite(samples.channels["current"][a:b]))) / max(expected, 1.0), 1.0)


def _counted(sheet: Sheet, seen: Seen, stroke: Stroke | None, move: Move, share: float, name: str, k: int) -> Graded:
    """The ramp of a step, or why the step does not count."""
    if stroke is not None and stroke.excluded <= 0.5 and math.isfinite(stroke.h00) and _held_s(stroke, k) > 0.0:
        ramp = _ramp(sheet, seen, stroke, name, k)
        if ramp.found is not None:
            return ramp
    if share < _ENOUGH_READINGS:
        return unseen(f"not counted: {100.0 * (1.0 - share):.0f} % of the readings failed while it ran")
    if move.begun_early:
        return unseen(f"not counted: the ramp before it had not finished, so it began at {100.0 * move.start:.0f} %")
    if not move.whole and move.moves_on:
        run = 100.0 * move.run / move.size
        return unseen(
            f"not counted: the command moved on after {move.stayed_s:.1f} s, with {run:.0f} % of the ramp run"
        )
    if not move.whole:
        return unseen(f"not counted: the readings end {move.stayed_s:.1f} s after it, before the ramp was through")
    if stroke is None:
        return unseen("not counted: the current did not rest before and after it")
    if stroke.excluded > 0.5:
        return unseen(FIRST_AFTER)
    if _held_s(stroke, k) <= 0.0:
        return unseen("not counted: no ramp held the current back")
    return unseen("not counted: too little of the ramp was seen")


def _held_s(stroke: Stroke, k: int) -> float:
    return (stroke.active_up_s, stroke.active_down_s)[k]


def _others(
    sheet: Sheet, seen: Seen, stroke: Stroke, taken: Collection[tuple[float, int]], ramps_s: Sequence[float]
) -> list[RampStep]:
    """Ways of a stroke that no single step of the command made, and that a ramp held back all the same."""
    out: list[RampStep] = []
    if stroke.excluded > 0.5 or not math.isfinite(stroke.h00):
        return out
    for rising, (way, name, k) in _NAMES.items():
        size, held_s = stroke_size(stroke, rising=rising), _held_s(stroke, k)
        if size < _STROKE_SHOWN or held_s <= 0.0 or (stroke.from_s, k) in taken:
            continue
        ends = (stroke.low_demand, stroke.high_demand) if rising else (stroke.high_demand, stroke.low_demand)
        run = min(held_s / ramps_s[k], size) if ramps_s[k] > 0.0 else size
        graded_ramp = _ramp(sheet, seen, stroke, name, k)
        out.append(
            RampStep(way, 100.0 * ends[0], 100.0 * ends[1], stroke.from_s, graded_ramp, math.nan, 100.0 * run, 100.0)
        )
    return out


def _ramp(sheet: Sheet, seen: Seen, stroke: Stroke, name: str, k: int) -> Graded:
    combined = combine([stroke])
    if combined is None:
        return unseen("too little of the ramp was seen")
    value = float(combined.theta[k])
    sd = math.sqrt(max(float(combined.covariance[k, k]), 0.0))
    if not math.isfinite(sd) or sd > max(0.3 * abs(value), 0.1):
        return unseen("too little of the ramp was seen")
    systematic = ramp_systematic(sheet, seen, max(value, 0.0), [stroke], rising=k == 0)
    expanded = expanded_uncertainty(sd, math.inf, systematic)
    wanted = sheet.as_left.get(name)
    return graded(wanted, max(value, 0.0), expanded, sheet.tolerance.get(name), "not in the sheet")
