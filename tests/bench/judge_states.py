"""States inferred without their channels, against the simulator's truth: whole days, cold Mondays, the live plant.

    python tests/bench/judge_states.py [--full] [--workers 2]

Agreement is the share of time in which the judge's word is the simulator's, with the simulator's instants of change
and no period of grace. An emergency stop takes the enable away and counts as not enabled. With command and pressure
alone nobody can tell a driver that is off from one that is on at zero command, and a driver that switches its current
off at zero command shows as little: there *stopped* and *not enabled* are compared as one, and the strict figure
stands beside it.
"""

from __future__ import annotations

import random
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
import report
from asleft.judge.intake.intake import STATE, Intake, take_in
from asleft.judge.intake.states import CODES, StateCarry, judge_states
from asleft.judge.types import Samples
from asleft.sheet.model import Sheet, Signal, SignalKind
from asleft.sim.cycles import CLAMPING_CYCLE, CUSHION_CYCLE, EJECTING_CYCLE, PRESSING_CYCLE
from asleft.sim.model import ValveModel, default_valve
from asleft.sim.plant import valves
from asleft.sim.programme import Programme
from asleft.sim.recording import Recording, simulate
from report import Goal, Report

SETS = {
    "command, current, pressure": ("command", "current", "pressure"),
    "command, current": ("command", "current"),
    "command, pressure": ("command", "pressure"),
}
#: Truth (producing, stopped, not-enabled, set-up, emergency-stop) in the judge's codes.
_TRUTH = np.array([0, 1, 2, 3, 2])
_TRUTH_WORDS = ("producing", "stopped", "not enabled", "set-up", "emergency")
_MONDAY_S = 1_763_938_800.0  # 24 November 2025, midnight in the plant
_DAY_S = 86_400.0
_CHUNK = 50_000
_SIGNALS = {"4-20mA": SignalKind.MA_4_20, "0-10V": SignalKind.V_0_10, "0-5V": SignalKind.V_0_5}


@dataclass(frozen=True, slots=True)
class Lane:
    """One valve over one stretch of time."""

    model: ValveModel
    start_s: float
    programme: Programme
    duration_s: float
    rate_hz: float


@dataclass(frozen=True, slots=True)
class Seen:
    """One valve judged with one set of channels: confusion (truth, judged) in seconds, and what it took (s)."""

    channels: str
    programme: str
    off_threshold: bool
    confusion: np.ndarray
    took_s: float

    def agreement(self, *, rest_as_one: bool) -> float:
        """Share of time in which both say the same."""
        same = self.confusion[np.arange(5), _TRUTH].sum()
        if rest_as_one:
            same += self.confusion[1, 2] + self.confusion[[2, 4], 1].sum()
        return float(same / self.confusion.sum())


def random_valve(rng: random.Random, name: str) -> ValveModel:
    """A healthy valve with settings, cycle, signal and habits of its own."""
    zero, span = rng.uniform(0.08, 0.4), rng.uniform(0.5, 1.1)
    own_ramps = rng.random() < 0.15
    return replace(
        default_valve(),
        valve_id=f"{name}.valve",
        signal=rng.choice(("4-20mA", "0-10V", "0-5V")),
        off_below_pct=rng.choice((0.0, 0.0, 0.0, 0.0, 0.0, 3.0)),
        controller_ramp_s=0.8 if own_ramps else 0.0,
        command_kept_s=rng.choice((0.2, 3.0)),
        cycle=rng.choice((PRESSING_CYCLE, CUSHION_CYCLE, EJECTING_CYCLE, CLAMPING_CYCLE)),
        current_at_zero_a=zero,
        current_at_full_a=zero + span,
        ramp_up_s=0.3 if own_ramps else rng.uniform(0.3, 4.0),
        ramp_down_s=0.3 if own_ramps else rng.uniform(0.3, 4.0),
        coil_resistance_ohm=rng.uniform(6.0, 9.0),
        pressure_at_zero_bar=rng.uniform(8.0, 16.0),
        pressure_at_full_bar=rng.uniform(150.0, 240.0),
    )


def lanes(*, full: bool) -> list[Lane]:
    """What is simulated: days from Monday to Sunday, the first hours of Mondays, the live plant's hours."""
    rng = random.Random(31)
    days = 14 if full else 0
    plan = [
        Lane(random_valve(rng, f"day-{k}"), _MONDAY_S + _DAY_S * (k % 7), "day", _DAY_S, 20.0) for k in range(days)
    ]
    plan += [
        Lane(random_valve(rng, f"cold-{k}"), _MONDAY_S + 5.8 * 3600.0, "day", 7200.0 if full else 1800.0, 50.0)
        for k in range(6 if full else 2)
    ]
    plant = [replace(v, faults=(), pressing_mode=False) for v in valves(_MONDAY_S)]
    plant += [random_valve(rng, f"live-{k}") for k in range(8)]
    plant = [replace(v, records=(*SETS["command, current, pressure"], "enable")) for v in plant]
    live_s = 2 * 3600.0 if full else 1800.0
    return plan + [
        Lane(v, _MONDAY_S + 9 * 3600.0, "live", live_s, 100.0 if full else 20.0)
        for v in (plant if full else plant[:8:2])
    ]


def sheet_of(recording: Recording, model: ValveModel) -> Sheet:
    """The sheet of a valve as left."""
    signal = Signal(
        _SIGNALS[model.signal], model.signal_unit, model.at_zero, model.at_full, off_below_pct=model.off_below_pct
    )
    return Sheet(model.valve_id, signal, dict(recording.truth.as_left), {})


def judged(recording: Recording, lane: Lane, channels: str) -> Seen:
    """One recording through intake and states with one set of channels."""
    sheet = sheet_of(recording, lane.model)
    names = SETS[channels]
    values = {name: recording.values(name) for name in names}
    intake, carry, out = Intake(), StateCarry(), []
    n = recording.time_s.size
    began = time.process_time()
    for first in range(0, n, _CHUNK):
        part = slice(first, first + _CHUNK)
        samples = Samples(recording.time_s[part], {name: values[name][part] for name in names})
        columns, intake = take_in(samples, sheet, intake, flush=first + _CHUNK >= n)
        carry, _ = judge_states(columns, sheet, carry)
        out.append(columns[STATE].astype(np.int64))
    took_s = time.process_time() - began
    confusion = np.zeros((5, len(CODES)))
    np.add.at(confusion, (recording.truth.state.astype(np.int64), np.concatenate(out)), 1.0 / lane.rate_hz)
    return Seen(channels, lane.programme, lane.model.off_below_pct > 0.0, confusion, took_s * 8.64e6 / n)


def group(plan: Sequence[Lane]) -> list[Seen]:
    """Simulate lanes of one length and rate together and judge each with every set of channels."""
    first = plan[0]
    recordings = simulate(
        [lane.model for lane in plan],
        [lane.start_s for lane in plan],
        first.duration_s,
        rate_hz=first.rate_hz,
        seed=5,
        programme=first.programme,
        burst_every_s=0.0,
    )
    return [
        judged(recording, lane, channels)
        for recording, lane in zip(recordings, plan, strict=True)
        for channels in SETS
    ]


def groups(plan: Sequence[Lane], most: int = 14) -> list[list[Lane]]:
    """Lanes that can be simulated in one go, at most `most` at once (memory)."""
    out: list[list[Lane]] = []
    for lane in plan:
        like = (lane.programme, lane.duration_s, lane.rate_hz)
        room = next(
            (g for g in out if len(g) < most and (g[0].programme, g[0].duration_s, g[0].rate_hz) == like), None
        )
        if room is None:
            out.append([lane])
        else:
            room.append(lane)
    return out


def table(channels: str, seen: Sequence[Seen]) -> list[str]:
    """The confusion matrix of one set of channels, in percent of all time."""
    total = np.sum([s.confusion for s in seen], axis=0)
    share = 100.0 * total / total.sum()
    words = [code.value.replace("-", " ") for code in CODES[:4]]
    lines = [
        f"{channels} (% of time; rows: simulator, columns: judge)",
        f"{'':>12}" + "".join(f"{w:>13}" for w in words),
    ]
    return lines + [
        f"{word:>12}" + "".join(f"{x:13.3f}" for x in row[:4]) for word, row in zip(_TRUTH_WORDS, share, strict=True)
    ]


def goal(name: str, seen: Sequence[Seen], *, rest_as_one: bool, at_least: float) -> Goal:
    """Mean agreement over valves of equal weight in time, with its interval from valve to valve."""
    times = np.array([s.confusion.sum() for s in seen])
    each = np.array([s.agreement(rest_as_one=rest_as_one) for s in seen])
    mean = float(np.average(each, weights=times))
    half = 1.96 * float(np.sqrt(np.sum(times**2 * (each - mean) ** 2)) / times.sum())
    return Goal(
        name,
        100.0 * mean,
        at_least=at_least,
        interval=(100 * (mean - half), min(100.0, 100 * (mean + half))),
        unit="%",
    )


def run(full: bool, workers: int = 1) -> Report:
    """Tables and goals; without `full` half an hour of the live plant and of a cold Monday."""
    out = Report("States without enable, pump and mode channels, against the simulator")
    jobs = groups(lanes(full=full))
    if workers > 1:
        with ProcessPoolExecutor(workers) as pool:
            seen = [s for found in pool.map(group, jobs) for s in found]
    else:
        seen = [s for job in jobs for s in group(job)]
    out.logs = len(seen) // len(SETS)
    at_least = 99.0
    for channels in SETS:
        here = [s for s in seen if s.channels == channels]
        out.lines += [*table(channels, here), ""]
        for programme in ("day", "live"):
            shown = [s for s in here if s.programme == programme]
            plain = [s for s in shown if not s.off_threshold]
            odd = [s for s in shown if s.off_threshold]
            blind = "current" not in SETS[channels]
            if blind:
                out.goals.append(
                    goal(f"{channels}; {programme}; at rest as one", shown, rest_as_one=True, at_least=at_least)
                )
            else:
                out.goals.append(goal(f"{channels}; {programme}", plain, rest_as_one=False, at_least=at_least))
                if odd:
                    name = f"{channels}; {programme}; no current at zero command, at rest as one"
                    out.goals.append(goal(name, odd, rest_as_one=True, at_least=at_least))
            if not shown:
                continue
            lowest = min(s.agreement(rest_as_one=blind or s.off_threshold) for s in shown)
            strict = np.average(
                [s.agreement(rest_as_one=False) for s in shown], weights=[s.confusion.sum() for s in shown]
            )
            unseen = np.sum([s.confusion[[2, 4], 1].sum() for s in shown]) / np.sum(
                [s.confusion.sum() for s in shown]
            )
            out.lines.append(
                f"{programme}: {len(shown)} valves; lowest {100 * lowest:.2f} %; strictly {100 * strict:.2f} %, of "
                f"all time {100 * unseen:.2f} % a driver that is off and cannot be seen to be"
            )
        out.lines.append("")
    took = np.median([s.took_s for s in seen])
    out.lines.append(
        f"intake and states of a valve-day of 8.64 million samples (median): {took:.1f} s of process time"
    )
    return out


if __name__ == "__main__":
    report.main(run)
