"""Grading a stretch of data in which somebody verified a valve: what was done, step by step, and what is missing.

A person says that this is a verification, so what the judge otherwise works out from production (the machine's
state, whether the valve is in control of the pressure) is taken as said: the pump runs, the valve makes the
pressure. Whether the driver is enabled is still read or inferred. Currents, ramps, dither, coil and supply rest on
the whole stretch; pressures and the characteristic on the graded sweep, and on the conditioning cycle before it,
without which nobody could say on which branch the sweep begins.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from asleft.judge.decide import expanded_uncertainty, verdict
from asleft.judge.drift.points import seen_of
from asleft.judge.driver.ramps import combine
from asleft.judge.driver.systematic import current_systematic, ramp_systematic, stroke_size
from asleft.judge.estimates import Seen
from asleft.judge.judge import state_of_log
from asleft.judge.memory import JudgeState
from asleft.judge.segments.features import Dwell, Stroke
from asleft.judge.summary import summarise
from asleft.judge.types import Coverage, FloatArray, Judgement, QuantityResult, Samples, Verdict
from asleft.judge.valve.pressure import ceiling_bar, pressure_systematic_bar
from asleft.judge.verify.recognise import FullCycle, Motion, motion_of
from asleft.judge.verify.result import Check, Graded, Outcome, RampStep, Range, Step, Sweep
from asleft.judge.verify.traces import traces
from asleft.sheet.model import QUANTITY_UNITS, MadeBy, Sheet, Tolerance

#: Full cycles that must come before a sweep that counts.
CONDITIONING = 2
#: Levels that a graded sweep must give each way, its end included.
LEAST_LEVELS = 4
#: A step of the command that is told as a full stroke (share of the range).
FULL_STROKE = 0.8
_STROKE_SHOWN = 0.3
_CHECK_MODE = 99
_SETTLE_S = 5.0
_SAME_LEVEL = 0.012
_RANGES = (
    ("oil_temperature", "degC"), ("supply", "V"), ("pressure", "bar"), ("current", "A"), ("coil_voltage", "V"),
)  # fmt: skip
_OF_THE_SWEEP = ("pressure_at_zero", "pressure_at_full", "hysteresis")


def check(sheet: Sheet, samples: Samples) -> Check:
    """Grade a stretch as a verification of `sheet`. Never raises for poor data, says what is missing instead.

    Raises:
        ValueError: the stretch has no sample at all.
    """
    if samples.time_s.size == 0:
        raise ValueError("no reading in the stretch")
    motion = motion_of(samples.time_s, demand_of(sheet, samples))
    sweep, before = _chosen(motion)
    sheet_now, said = as_said(sheet, samples)
    state = state_of_log(sheet_now, said)
    whole = summarise(sheet_now, state)
    steps: tuple[Step, ...] = ()
    swept = None
    if sweep is not None:
        first_s, last_s = _part(motion, sweep, float(samples.time_s[-1]))
        part_state = state_of_log(sheet_now, cut(said, first_s, last_s))
        swept = summarise(sheet_now, part_state)
        steps = _steps(sheet, part_state, sweep)
    judgement = _joined(whole, swept)
    ramps = _ramps(sheet, state)
    missing = (*_missing(sheet, samples, sweep, before, ramps), *_too_quick(sweep, steps))
    return Check(
        valve=sheet.valve,
        sheet_revision=sheet.revision.number,
        from_s=float(samples.time_s[0]),
        to_s=float(samples.time_s[-1]),
        conditioning=before,
        cycles=len(motion.cycles),
        sweep=None
        if sweep is None
        else Sweep(sweep.from_s, sweep.top_from_s, sweep.to_s, 100.0 * sweep.up.rate, 100.0 * sweep.down.rate),
        progress=_progress(motion),
        steps=steps,
        ramps=ramps,
        traces=traces(sheet, samples, state.strokes),
        judgement=judgement,
        missing=missing,
        conditions=_ranges(samples),
        outcome=_outcome(judgement, steps, missing),
    )


def demand_of(sheet: Sheet, samples: Samples) -> FloatArray:
    """Demand (1 = full) at each sample, shape (n,), NaN where the command was not read."""
    command = samples.channels.get("command")
    if command is None:
        return np.full(samples.time_s.size, np.nan)
    signal = sheet.signal
    return np.asarray((command - signal.at_zero) / (signal.at_full - signal.at_zero), dtype=np.float64)


def as_said(sheet: Sheet, samples: Samples) -> tuple[Sheet, Samples]:
    """Sheet and samples of a stretch of which a person says that the valve makes the pressure, and the pump runs.

    Where it is recorded whether the pump runs, that counts.
    """
    conditions = replace(sheet.conditions, producing_modes=(_CHECK_MODE,), in_control_modes=(_CHECK_MODE,))
    n = samples.time_s.size
    channels: Mapping[str, FloatArray] = {
        **samples.channels,
        "mode": np.full(n, float(_CHECK_MODE)),
        "pump_running": samples.channels.get("pump_running", np.ones(n)),
    }
    return replace(sheet, conditions=conditions), replace(samples, channels=channels)


def cut(samples: Samples, from_s: float, to_s: float) -> Samples:
    """The readings and bursts of from_s <= time <= to_s."""
    a, b = (int(k) for k in np.searchsorted(samples.time_s, [from_s, np.nextafter(to_s, np.inf)]))
    channels = {name: values[a:b] for name, values in samples.channels.items()}
    return Samples(samples.time_s[a:b], channels, tuple(x for x in samples.bursts if from_s <= x.start_s <= to_s))


def _chosen(motion: Motion) -> tuple[FullCycle | None, int]:
    """The last sweep, which has most cycles before it; and how many those are."""
    for number in range(len(motion.cycles) - 1, -1, -1):
        if motion.cycles[number].sweep:
            return motion.cycles[number], number
    return None, len(motion.cycles)


def _part(motion: Motion, sweep: FullCycle, last_s: float) -> tuple[float, float]:
    """What the sweep's grading rests on: from the cycle before it on, until the command moves on after it."""
    before = [cycle for cycle in motion.cycles if cycle.to_s <= sweep.from_s]
    after = [cycle for cycle in motion.cycles if cycle.from_s >= sweep.to_s]
    first_s = (before[-1] if before else sweep).from_s - _SETTLE_S
    return first_s, min(after[0].from_s if after else last_s, sweep.to_s + _SETTLE_S)


def _joined(whole: Judgement, swept: Judgement | None) -> Judgement:
    """Everything from the whole stretch, pressures and characteristic from the sweep."""
    by_id = {} if swept is None else {q.id: q for q in swept.quantities}
    quantities = tuple(by_id.get(q.id, _not_yet(q)) if q.id in _OF_THE_SWEEP else q for q in whole.quantities)
    return replace(whole, quantities=quantities, characteristic=None if swept is None else swept.characteristic)


def _not_yet(result: QuantityResult) -> QuantityResult:
    return replace(
        result, as_found=None, uncertainty=None, change_uncertainty=None, tolerance_used_pct=None,
        verdict=Verdict.NOT_OBSERVED, reason="no sweep 0-100-0 % yet", bound_below=None, bound_above=None,
        coverage=Coverage(0, None, None, None, None),
    )  # fmt: skip


# ------------------------------------------------------------------------------------------ steps of the sweep


def _steps(sheet: Sheet, state: JudgeState, sweep: FullCycle) -> tuple[Step, ...]:
    inside = [d for d in state.dwells if d.from_s >= sweep.from_s - _SETTLE_S and d.to_s <= sweep.to_s + _SETTLE_S]
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


def _graded(wanted: float | None, found: float, expanded: float, tolerance: Tolerance | None, why: str) -> Graded:
    if wanted is None or tolerance is None:
        return Graded(None, found, expanded, None, None, Verdict.NOT_OBSERVED, why)
    decided = verdict(found - wanted, expanded, tolerance)
    return Graded(wanted, found, expanded, tolerance.below, tolerance.above, decided)


def _unseen(reason: str) -> Graded:
    return Graded(None, None, None, None, None, Verdict.NOT_OBSERVED, reason)


def _current(sheet: Sheet, group: Sequence[Dwell], demand: float, interval_s: float, *, seen: bool) -> Graded:
    found = _mean(group, "current_a") if seen else math.nan
    if not math.isfinite(found):
        return _unseen("no current reading on this valve" if not seen else "the current was not read here")
    names = ("current_at_zero", "current_at_full")
    zero, full = (sheet.as_left.get(name) for name in names)
    span = full - zero if zero is not None and full is not None else 0.0
    n = len(group)
    se = math.sqrt(sum(d.current_se_a**2 + (span * d.demand_se) ** 2 for d in group)) / n
    expanded = expanded_uncertainty(se, max(_mean(group, "n") * n - 1.0, 1.0), current_systematic(
        sheet, span, group, interval_s))  # fmt: skip
    if sheet.signal.off_below_pct > 0.0 and 100.0 * demand < sheet.signal.off_below_pct:
        return _unseen(f"the driver is off below {sheet.signal.off_below_pct:g} % command")
    wanted = None if zero is None or full is None else zero + min(max(demand, 0.0), 1.0) * span
    return _graded(wanted, found, expanded, _between(sheet, names, demand), "the sheet gives no currents")


def _pressure(sheet: Sheet, group: Sequence[Dwell], demand: float, arrival: float, *, seen: bool) -> Graded:
    """Against the commissioned branch; without a recorded characteristic only at the ends."""
    if not seen:
        return _unseen("no pressure reading on this valve")
    if sheet.controls != "pressure":
        return _unseen("the valve controls flow: pressure is not its doing")
    last = group[-1]
    if not math.isfinite(last.pressure_bar):
        return _unseen("the pressure was not read here")
    names = ("pressure_at_zero", "pressure_at_full")
    full = sheet.as_left.get(names[1]) or 0.0
    if abs(last.pressure_moves_bar) > max(0.003 * full, 0.2, 4.0 * last.pressure_se_bar):
        return _unseen("the pressure did not settle on this step")
    window = sheet.conditions.oil_temperature_degc
    if window and math.isfinite(last.oil_degc) and not window[0] <= last.oil_degc <= window[1]:
        return _unseen("oil outside its temperature window")
    systematic = pressure_systematic_bar(sheet, last.pressure_bar, last.oil_degc)
    expanded = expanded_uncertainty(last.pressure_se_bar, max(0.4 * last.n - 1.0, 1.0), systematic)
    at_end = (demand > 0.97 and arrival > 0.0) or (demand < 0.03 and arrival < 0.0)
    if sheet.characteristic is None and not at_end:
        why = "no characteristic was recorded at commissioning: only the ends are graded"
        return _graded(None, last.pressure_bar, expanded, None, why)
    wanted = ceiling_bar(sheet, min(max(demand, 0.0), 1.0), arrival)
    tolerance = _between(sheet, names, demand)
    return _graded(wanted, last.pressure_bar, expanded, tolerance, "the sheet gives no pressures")


# --------------------------------------------------------------------------------------------- ramp steps


def _ramps(sheet: Sheet, state: JudgeState) -> tuple[RampStep, ...]:
    seen = seen_of(state, state.dwells, state.strokes, state.bursts)
    out = []
    for stroke in state.strokes:
        if stroke.aside > 0.5 or stroke.h00 != stroke.h00:
            continue
        for way, name, k in (("up", "ramp_up", 0), ("down", "ramp_down", 1)):
            size = stroke_size(stroke, rising=k == 0)
            if size < _STROKE_SHOWN or (stroke.active_up_s, stroke.active_down_s)[k] <= 0.0:
                continue
            out.append(
                RampStep(
                    way,
                    100.0 * (stroke.low_demand if k == 0 else stroke.high_demand),
                    100.0 * (stroke.high_demand if k == 0 else stroke.low_demand),
                    stroke.from_s,
                    _ramp(sheet, seen, stroke, name, k),
                )
            )
    return tuple(out)


def _ramp(sheet: Sheet, seen: Seen, stroke: Stroke, name: str, k: int) -> Graded:
    combined = combine([stroke])
    if combined is None:
        return _unseen("too little of the ramp was seen")
    value = float(combined.theta[k])
    sd = math.sqrt(max(float(combined.covariance[k, k]), 0.0))
    if not math.isfinite(sd) or sd > max(0.3 * abs(value), 0.1):
        return _unseen("too little of the ramp was seen")
    systematic = ramp_systematic(sheet, seen, max(value, 0.0), [stroke], rising=k == 0)
    expanded = expanded_uncertainty(sd, math.inf, systematic)
    wanted = sheet.as_left.get(name)
    return _graded(wanted, max(value, 0.0), expanded, sheet.tolerance.get(name), "not in the sheet")


# ------------------------------------------------------------------------------------------------ the whole


def _missing(
    sheet: Sheet,
    samples: Samples,
    sweep: FullCycle | None,
    before: int,
    ramps: Sequence[RampStep],
) -> tuple[str, ...]:
    """What has not been done yet, each in a sentence that says what to do."""
    out = []
    if "command" not in samples.channels:
        return ("The command is not recorded on this valve: no sweep can be recognised.",)
    if before < CONDITIONING:
        done = "none" if before == 0 else "one"
        out.append(
            f"Two conditioning cycles 0-100-0 % before the sweep: {done} yet."
            if sweep is None
            else f"Two conditioning cycles 0-100-0 % before the sweep: {done} came before it; sweep once more."
        )
    if sweep is None:
        out.append(
            "A sweep 0-100-0 %: each way in five steps or more with a rest of three seconds on each, without turning "
            "back."
        )
    # Where the controller makes its own ramps no stroke shows the driver's: not observed, with a bound.
    if "current" in samples.channels and sheet.signal.made_by is MadeBy.FIXED_STEPS:
        for way, name in (("up", "ramp_up"), ("down", "ramp_down")):
            done_full = any(
                r.way == way and abs(r.to_pct - r.from_pct) >= 100.0 * FULL_STROKE and r.ramp.found is not None
                for r in ramps
            )
            if sheet.as_left.get(name) and not done_full:
                out.append(f"A full stroke {way}: the command in one step over four fifths of its range or more.")
    return tuple(out)


def _too_quick(sweep: FullCycle | None, steps: Sequence[Step]) -> tuple[str, ...]:
    """A sweep that hardly rested, or crept, leaves too few levels to say anything of its way."""
    if sweep is None:
        return ()
    out = []
    for way in ("up", "down"):
        count = sum(step.way == way for step in steps)
        if count < LEAST_LEVELS:
            levels = "no level" if count == 0 else "one level" if count == 1 else f"{count} levels"
            out.append(f"The sweep gave {levels} on the way {way}: rest three seconds or more on each of its steps.")
    return tuple(out)


def _progress(motion: Motion) -> str:
    if not motion.under_way:
        return ""
    reached = round(100.0 * min(max(motion.reached, 0.0), 1.0))
    if motion.under_way == "up":
        return f"On the way up, {reached} % reached."
    return f"On the way down, {reached} % reached."


def _ranges(samples: Samples) -> tuple[Range, ...]:
    out = []
    for channel, unit in _RANGES:
        values = samples.channels.get(channel)
        finite = values[np.isfinite(values)] if values is not None else np.zeros(0)
        if finite.size:
            out.append(Range(channel, unit, float(finite.min()), float(finite.mean()), float(finite.max())))
    return tuple(out)


def _outcome(judgement: Judgement, steps: Sequence[Step], missing: Sequence[str]) -> Outcome:
    """Out before incomplete: what was seen to be out is no less so for what was not done."""
    graded = [
        *(q.verdict for q in judgement.quantities if q.id in QUANTITY_UNITS),
        *itertools.chain.from_iterable((s.current.verdict, s.pressure.verdict) for s in steps),
    ]
    if Verdict.OUT in graded:
        return Outcome.NOT_AS_LEFT
    if missing:
        return Outcome.INCOMPLETE
    return Outcome.UNDECIDED if Verdict.UNDECIDED in graded else Outcome.AS_LEFT
