"""Grading a stretch of data in which somebody verified a valve: what was done, step by step, and what is missing.

A person says that this is a verification, so what the judge otherwise works out from production (the machine's
state, whether the valve is in control of the pressure) is taken as said: the pump runs, the valve makes the
pressure. Whether the driver is enabled is still read or inferred. Currents, ramps, dither, coil and supply rest on
the whole stretch; pressures and the characteristic on the graded sweep, and on the conditioning cycle before it,
without which nobody could say on which branch the sweep begins.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from asleft.judge.judge import state_of_log
from asleft.judge.steps.summary import summarise
from asleft.judge.types import Coverage, FloatArray, Judgement, QuantityResult, Samples, Verdict
from asleft.judge.verify.recognise import FullCycle, Motion, motion_of
from asleft.judge.verify.result import Check, Outcome, RampStep, Range, Step, Sweep, courses, traces
from asleft.judge.verify.steps import SETTLE_S, ramp_steps_of, steps_of
from asleft.sheet.model import QUANTITY_UNITS, MadeBy, Sheet

#: Full cycles that must come before a sweep that counts.
CONDITIONING = 2
#: Levels that a graded sweep must give each way, its end included.
LEAST_LEVELS = 4
#: A step of the command that is told as a full stroke (share of the range).
FULL_STROKE = 0.8
#: In the judge's reason for a hysteresis that was not observed.
ONE_BRANCH = "one branch only"
_CHECK_MODE = 99
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
    demand = demand_of(sheet, samples)
    motion = motion_of(samples.time_s, demand)
    sweep, before = _chosen(motion)
    sheet_now, said = as_said(sheet, samples)
    state = state_of_log(sheet_now, said)
    whole = summarise(sheet_now, state, stated=True)
    steps: tuple[Step, ...] = ()
    swept = None
    if sweep is not None:
        first_s, last_s = _part(motion, sweep, float(samples.time_s[-1]))
        part_state = state_of_log(sheet_now, cut(said, first_s, last_s))
        swept = summarise(sheet_now, part_state, stated=True)
        steps = () if whole.fit.fits is False else steps_of(sheet, part_state, sweep)
    judgement = _joined(whole, swept, steps, before)
    ramps = ramp_steps_of(sheet, state, samples, demand, whole.quantities)
    missing = (*_misread(whole), *_missing(sheet, samples, sweep, before, ramps), *_too_quick(sweep, steps))
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
        courses=courses(sheet, samples),
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
    first_s = (before[-1] if before else sweep).from_s - SETTLE_S
    return first_s, min(after[0].from_s if after else last_s, sweep.to_s + SETTLE_S)


def _joined(whole: Judgement, swept: Judgement | None, steps: Sequence[Step], before: int) -> Judgement:
    """Everything from the whole stretch, pressures and characteristic from the sweep."""
    if whole.fit.fits is False:
        return whole
    by_id = {} if swept is None else {q.id: _beside_steps(q, steps, before) for q in swept.quantities}
    quantities = tuple(by_id.get(q.id, _not_yet(q)) if q.id in _OF_THE_SWEEP else q for q in whole.quantities)
    return replace(whole, quantities=quantities, characteristic=None if swept is None else swept.characteristic)


def _beside_steps(result: QuantityResult, steps: Sequence[Step], before: int) -> QuantityResult:
    """A width not observed, in words that agree with a table of steps in which both ways stand."""
    ways = {step.way for step in steps if step.pressure.found is not None}
    if result.verdict is not Verdict.NOT_OBSERVED or ONE_BRANCH not in result.reason or len(ways) < 2:
        return result
    why = (
        "the way up begins on a branch that nobody knows without a full cycle 0-100-0 % just before it"
        if before == 0
        else "too few levels were reached both ways to lay one over the other"
    )
    return replace(result, reason=f"both ways were swept, but {why}")


def _not_yet(result: QuantityResult) -> QuantityResult:
    return replace(
        result, as_found=None, uncertainty=None, change_uncertainty=None, tolerance_used_pct=None,
        verdict=Verdict.NOT_OBSERVED, reason="no sweep 0-100-0 % yet", bound_below=None, bound_above=None,
        coverage=Coverage(0, None, None, None, None),
    )  # fmt: skip


def _misread(whole: Judgement) -> tuple[str, ...]:
    """What must be mended before anything can be graded."""
    fit = whole.fit
    return () if fit.fits is not False else (f"Readings that fit the sheet: {fit.evidence} {fit.remedy}",)


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
            tried = [r for r in ramps if r.way == way and abs(r.to_pct - r.from_pct) >= 100.0 * FULL_STROKE]
            if sheet.as_left.get(name) and not any(r.whole and r.ramp.found is not None for r in tried):
                out.append(_full_stroke(way, tried))
    return tuple(out)


def _full_stroke(way: str, tried: Sequence[RampStep]) -> str:
    """That a whole stroke is missing, what it takes, and why the last one that was tried was none."""
    words = (
        f"A full stroke {way}: the command in one step over four fifths of its range or more, and a rest there until "
        "the ramp is through and two seconds more."
    )
    if not tried:
        return words
    last = tried[-1]
    if last.ramp.found is None:
        return f"{words} The last one was {last.ramp.reason}."
    size = abs(last.to_pct - last.from_pct)
    seen = 100.0 * last.seen_pct / size
    return (
        f"{words} Of the last one only {seen:.0f} % of the ramp was seen: the command stayed {last.stayed_s:.1f} s."
    )


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
