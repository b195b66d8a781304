"""Valves under a controller that closes the pressure loop: currents, ramps, command needed, faults of the valve.

Every log is a simulated press under a PI controller of its own (gains, sample time, feed-forward, load, gauge noise
and output steps at random) with random set points, partly ramped. Healthy logs tell errors, coverage of the intervals
for 95 % and false findings; in as many more the valve gives way by twice its tolerance once its levels are learnt.
"""

from __future__ import annotations

import concurrent.futures
import math
import random
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from asleft.catalogue.parts import Part
from asleft.judge.judge import begin, step
from asleft.judge.types import Judgement, Verdict
from asleft.sheet.model import MadeBy
from asleft.sim.cycles import RIGID_BAR, CyclePlan, Step
from asleft.sim.faults import Fault, FaultKind
from asleft.sim.model import Sensor, ValveModel, default_valve
from asleft.sim.outer_loop import OuterLoop

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parent.parent / "judge"))

from lanes import START_S, Lane, part, record
from report import Goal, Report, main, share_interval

#: Levels are learnt at the first whole minute after ten of production, a call later.
_LEARNT_S, _LOG_S, _FAULT_S = 690.0, 600.0, 990.0
ONSET_S = START_S + _LEARNT_S
_LEARNT, _ALL = round(100 * _LEARNT_S), round(100 * _FAULT_S)  # samples
_QUANTITIES = ("current_at_zero", "current_at_full", "ramp_up", "ramp_down", "pressure_at_zero", "pressure_at_full")
_MOST = {"current": 0.02, "ramp": 0.1, "pressure": 0.02}


def random_loop(rng: random.Random) -> ValveModel:
    """A healthy valve under a controller, all of it at random within what the trade does."""
    zero, span = rng.uniform(0.08, 0.4), rng.uniform(0.5, 1.1)
    top = rng.choice((rng.uniform(0.6, 0.85), rng.uniform(0.9, 0.96)))
    levels = [rng.uniform(0.04, 0.12), rng.uniform(0.3, 0.45), top, rng.uniform(0.4, 0.55)]
    cycle = CyclePlan(
        (
            Step(0.3, rng.uniform(1.0, 2.0), 18.0),
            *(Step(level, rng.uniform(2.5, 6.0), RIGID_BAR, pressing=True) for level in levels),
        )
    )
    full = rng.uniform(150.0, 240.0)
    loop = OuterLoop(
        gain_pct_per_bar=rng.uniform(0.05, 0.25) * 200.0 / full,
        integral_s=rng.uniform(0.3, 1.5),
        sample_s=rng.choice((0.01, 0.02, 0.05)),
        feed_forward=rng.uniform(0.6, 1.0),
        gauge_noise_bar=rng.uniform(0.1, 0.6),
        load_bar=rng.uniform(0.3, 2.5),
        load_time_s=rng.uniform(1.0, 8.0),
        command_step_pct=rng.choice((0.0, 0.025, 0.1)),
    )
    return replace(
        default_valve(),
        signal=rng.choice(("4-20mA", "0-10V", "0-5V")),
        outer_loop=loop,
        controller_ramp_s=rng.choice((0.0, 0.0, rng.uniform(1.5, 5.0))),
        current_at_zero_a=zero,
        current_at_full_a=zero + span,
        ramp_up_s=rng.uniform(0.3, 2.0),
        ramp_down_s=rng.uniform(0.3, 2.5),
        loop_time_constant_s=rng.uniform(0.006, 0.02),
        coil_resistance_ohm=rng.uniform(6.0, 9.0),
        cycle=cycle,
        pressure_at_zero_bar=rng.uniform(8.0, 16.0),
        pressure_at_full_bar=full,
        bow=rng.uniform(0.0, 0.3),
        current_sensor=Sensor(0.0, 2.0, 0.0008, low_pass_hz=rng.uniform(8.0, 20.0)),
    )


def closed(lane: Lane) -> Lane:
    """The lane with a sheet that says who makes the command."""
    return replace(lane, sheet=replace(lane.sheet, signal=replace(lane.sheet.signal, made_by=MadeBy.CLOSED_LOOP)))


@dataclass(frozen=True)
class Row:
    """What one log gave: errors and U of each quantity in tolerances, bounds that are wrong, findings."""

    errors: dict[str, tuple[float, float]]
    wrong_bounds: int
    bounds: int
    false: tuple[str, ...]
    change: tuple[float, float] | None  # equivalent change of pressure and its U, healthy, in tolerances
    found: bool | None  # the fault; None: nothing of it can be seen
    part_right: bool
    delay_s: float


def judged(seeds: Sequence[int]) -> list[Row]:
    """Simulate and judge healthy logs and faulty ones of the same valves."""
    models, kinds = {}, {}
    for seed in seeds:
        rng = random.Random(seed)
        model = random_loop(rng)
        tolerance = 0.02 * model.pressure_at_full_bar
        top = max(level.level for level in model.cycle.steps)
        kind, size = rng.choice(
            (
                # Of the spring the share at the highest set point shows.
                (FaultKind.PRESSURE_DRIFT, -2.0 * tolerance / top),
                (FaultKind.SEAT_DRIFT, rng.choice((-2.0, 2.0)) * tolerance),
            )
        )
        models[f"healthy-{seed}"] = model
        models[f"faulty-{seed}"] = replace(model, faults=(Fault(kind, ONSET_S, size),))
        kinds[seed] = kind
    lanes = {name: closed(lane) for name, lane in record(models, duration_s=_FAULT_S, seed=seeds[0]).items()}
    return [_row(lanes[f"healthy-{seed}"], lanes[f"faulty-{seed}"]) for seed in seeds]


def _row(healthy: Lane, faulty: Lane) -> Row:
    samples = round(_LOG_S * 100)
    outcome = step(healthy.sheet, begin(healthy.sheet, horizon_s=None), part(healthy.samples, 0, samples))
    judgement = outcome.judgement
    errors, bounds, wrong = {}, 0, 0
    for quantity in judgement.quantities:
        if quantity.id not in _QUANTITIES:
            continue
        truth, width = healthy.truth[quantity.id], quantity.tolerance_above or math.nan
        if quantity.as_found is not None and quantity.uncertainty is not None:
            errors[quantity.id] = (quantity.as_found - truth) / width, quantity.uncertainty / width
        elif quantity.bound_below is not None:
            bounds += 1
            wrong += truth > quantity.bound_below
    change, false = _after_left(healthy)
    found, right, delay = _fault(faulty)
    names = (*(f.kind for f in judgement.findings), *false)
    return Row(errors, wrong, bounds, names, change, found, right, delay)


def _after_left(lane: Lane) -> tuple[tuple[float, float] | None, tuple[str, ...]]:
    """Equivalent change of pressure in the minutes after the levels were learnt, and findings there."""
    from asleft.judge.estimates.estimate import estimate
    from asleft.judge.steps.points import seen_of

    first = step(lane.sheet, begin(lane.sheet, horizon_s=240.0), part(lane.samples, 0, _LEARNT))
    state = step(lane.sheet, first.state, part(lane.samples, _LEARNT, _ALL))
    now = [d for d in state.state.dwells if d.from_s > ONSET_S]
    held = estimate(lane.sheet, seen_of(state.state, now, [], [])).held
    kinds = tuple(f.kind for f in state.judgement.findings)
    if held is None or not state.state.held_left:
        return None, kinds
    width = lane.sheet.tolerance["pressure_at_full"].above
    return (held.change.value / width, held.expanded() / width), kinds


def _fault(lane: Lane) -> tuple[bool | None, bool, float]:
    outcome = step(lane.sheet, begin(lane.sheet, horizon_s=240.0), part(lane.samples, 0, _LEARNT - 100))
    if not outcome.state.held_left:
        return None, False, math.nan
    for first in range(_LEARNT - 100, _ALL, 1500):
        outcome = step(lane.sheet, outcome.state, part(lane.samples, first, min(first + 1500, _ALL)))
        found = _cause(outcome.judgement)
        if found is not None:
            return True, found is Part.VALVE, (first + 1500) / 100.0 - _LEARNT_S
    return False, False, math.nan


def _cause(judgement: Judgement) -> Part | None:
    for finding in judgement.findings:
        if finding.kind in {"pressure-changed", "pressure-clipped"} and finding.consequence_of is None:
            return finding.part
    pressed = [q for q in judgement.quantities if q.id.startswith("pressure") and q.verdict is Verdict.OUT]
    return Part.VALVE if pressed else None


def run(full: bool, workers: int = 1) -> Report:
    """All of it: 200 valves, healthy and faulty; the smoke size takes a few seconds."""
    count, at_once = (200, 20) if full else (4, 4)
    groups = [list(range(first, min(first + at_once, count))) for first in range(0, count, at_once)]
    if workers > 1:
        with concurrent.futures.ProcessPoolExecutor(workers) as pool:
            rows = [row for group in pool.map(judged, groups) for row in group]
    else:
        rows = [row for group in groups for row in judged(group)]
    report = Report(f"Closed loop outside: {count} valves, {_LOG_S / 60:.0f} min healthy and a fault of 2 tolerances")
    report.lines.append(f"{'quantity':18}{'seen':>6}{'rms error':>11}{'95 % within':>13}{'mean U':>9}{'covered':>9}")
    report.lines.append(f"{'':18}{'':>6}{'(shares of tolerance)':>33}")
    for name in (*_QUANTITIES, "command needed"):
        pairs = (
            [row.change for row in rows if row.change]
            if name == "command needed"
            else [row.errors[name] for row in rows if name in row.errors]
        )
        _line(report, name, np.array(pairs).reshape(-1, 2), full=full)
    report.logs = 2 * len(rows)
    bounds, wrong = sum(row.bounds for row in rows), sum(row.wrong_bounds for row in rows)
    report.lines.append(f"bounds on ramps never outrun: {bounds}, wrong: {wrong}")
    report.goals.append(Goal("bounds on ramps that are wrong", wrong, at_most=0))
    false = sorted({kind for row in rows for kind in row.false})
    hurt = sum(bool(row.false) for row in rows)
    report.lines.append(f"healthy valves with a finding: {hurt} of {len(rows)} {false or ''}".rstrip())
    report.goals.append(Goal("healthy valves with a finding", hurt, at_most=0))
    seen = [row for row in rows if row.found is not None]
    hits, right = sum(bool(row.found) for row in seen), sum(row.part_right for row in seen)
    delays = [row.delay_s for row in seen if row.found]
    report.lines.append(
        f"valve faults of 2 tolerances: {hits} of {len(seen)} found, valve named first in {right}, "
        f"delay {np.median(delays) if delays else math.nan:.0f} s (median), "
        f"{max(delays, default=math.nan):.0f} s (most)"
    )
    report.goals.append(Goal("faulty valves whose levels were learnt", len(seen) / len(rows), at_least=0.5))
    report.goals.append(
        Goal("valve faults found", hits / max(len(seen), 1), at_least=0.95, interval=share_interval(hits, len(seen)))
    )
    report.goals.append(
        Goal(
            "valve named first, of those found",
            right / max(hits, 1),
            at_least=0.95,
            interval=share_interval(right, hits),
        )
    )
    return report


def _line(report: Report, name: str, pairs: np.ndarray, *, full: bool) -> None:
    if pairs.shape[0] == 0:
        report.lines.append(f"{name:18}{0:>6}")
        return
    error, unsure = np.abs(pairs[:, 0]), pairs[:, 1]
    covered = int(np.sum(error <= unsure))
    share = covered / error.size
    report.lines.append(
        f"{name:18}{error.size:>6}{math.sqrt(float(np.mean(error**2))):>11.4f}{np.quantile(error, 0.95):>13.4f}"
        f"{float(unsure.mean()):>9.4f}{share:>9.3f}"
    )
    report.goals.append(
        Goal(f"{name}: truth within U", share, at_least=0.93, interval=share_interval(covered, error.size))
    )
    if full:  # of a few errors the largest is no quantile
        report.goals.append(
            Goal(f"{name}: 95 % of errors, in tolerances", float(np.quantile(error, 0.95)), at_most=0.5)
        )


if __name__ == "__main__":
    main(run)
