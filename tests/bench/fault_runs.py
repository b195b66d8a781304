"""Simulate valves that fail and judge them, once for every channel set.

A window is the end of a shift: four and a half minutes of production, then a stop with the driver off, which is what
reads the sensors' zeros; one window a day. Five healthy ones make the as-left, judged once per valve and set; a fault
then begins a minute into the next window (abrupt) or there grows over two days (slow).
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from functools import lru_cache
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent / "judge"))

from asleft.judge.judge import begin, step
from asleft.judge.state import JudgeState, copied
from asleft.judge.steps.summary import summarise
from asleft.judge.types import Judgement, Samples
from asleft.sheet.model import Characteristic, Coil, Instrument, Sheet
from asleft.sim.faults import Fault
from asleft.sim.model import ValveModel
from asleft.sim.recording import Recording, simulate
from asleft.sim.truth import branches_bar
from fault_cases import CASES, CHANNEL_SETS, DROPPED, Case, places, valve
from fault_looks import Look, Run, evidence_of, look_of, moved_of, standing
from lanes import part, samples_of, sheet_of, tolerance_of

RATE_HZ = 50.0
WINDOW_S = 430.0
LEFT_WINDOWS = 5
ONSET_S = 60.0  # into its window
DAY_S = 86_400.0
_AT_ONCE = 160  # lanes simulated together
_PLANS_AT_ONCE = 48  # fault runs kept in memory together
_ZONE = ZoneInfo("Europe/Madrid")
_FIRST_DAY = date(2026, 3, 2)
#: Ends of the judge's steps in a window with an abrupt onset, and in any other (s).
_FINE = (60.0, 120.0, 180.0, 240.0, 280.0, WINDOW_S)
_COARSE = (280.0, WINDOW_S)


def window_start_s(number: int) -> float:
    """Unix seconds at which window `number` begins: ten to a shift's end on successive working days."""
    day = _FIRST_DAY + timedelta(days=7 * (number // 5) + number % 5)
    return datetime.combine(day, time(21, 55, 20), _ZONE).timestamp()


def tolerances(left: dict[str, float]) -> dict[str, float]:
    """Width of each quantity's tolerance on the side that is judged."""
    return {
        name: min(tolerance_of(name, left).below, tolerance_of(name, left).above)
        for name in left
        if name in {"current_at_zero", "current_at_full", "ramp_up", "ramp_down", "dither_frequency",
                    "pressure_at_full", "supply_voltage"}
    }  # fmt: skip


def sheet_for(model: ValveModel, left: dict[str, float], case: Case | None, channels: str) -> Sheet:
    """The valve's sheet, saying where its channels are read, and what headroom and clipping need to know."""
    sheet = sheet_of(model, left)
    instruments = dict(sheet.instruments)
    for name, where in places(case if case is not None else CASES[0], channels).items():
        instruments[name] = replace(instruments.get(name, Instrument()), where=where)
    coil = Coil(
        cable_resistance_ohm=model.cable_resistance_ohm + model.supply_source_ohm,
        driver_drop_v=model.driver_drop_v,
        duty_max=model.duty_max,
    )
    current_a = np.linspace(model.current_at_zero_a, model.current_at_full_a, 11)
    rising, falling = branches_bar(model, current_a)
    curve = Characteristic(tuple(current_a.tolist()), tuple(rising.tolist()), tuple(falling.tolist()))
    return replace(sheet, instruments=instruments, coil=coil, characteristic=curve)


def cut_to(samples: Samples, channels: str) -> Samples:
    """Without the channels that are not there."""
    dropped = DROPPED[channels]
    kept = {name: values for name, values in samples.channels.items() if name not in dropped}
    return Samples(samples.time_s, kept, () if "current" in dropped else samples.bursts)


def recordings(models: Sequence[ValveModel], windows: Sequence[int], seed: int) -> list[Recording]:
    """One recording per pair of model and window."""
    out: list[Recording] = []
    for first in range(0, len(models), _AT_ONCE):
        some = slice(first, first + _AT_ONCE)
        starts = [window_start_s(number) for number in windows[some]]
        out += simulate(
            models[some], starts, WINDOW_S, rate_hz=RATE_HZ, seed=seed, programme="day", burst_every_s=40.0
        )
    return out


def watch_window(
    sheet: Sheet, state: JudgeState, samples: Samples, ends_s: Sequence[float]
) -> tuple[JudgeState, list[Judgement]]:
    """Judge a window in steps ending at `ends_s`; the judgements after each."""
    out, at = [], 0
    for end_s in ends_s:
        to = min(round(end_s * RATE_HZ), samples.time_s.size)
        outcome = step(sheet, state, part(samples, at, to))
        state, at = outcome.state, to
        out.append(outcome.judgement)
    return state, out


@dataclass(frozen=True, slots=True)
class Plan:
    """One fault run to be simulated: which case, size and course."""

    case: Case
    size: float
    slow: bool

    def model(self, healthy: ValveModel, widths: dict[str, float]) -> ValveModel:
        """The valve with its fault."""
        onset = window_start_s(LEFT_WINDOWS) + ONSET_S
        amount = self.case.amount(healthy, widths, self.size)
        course = ("ramp", 2.0 * DAY_S) if self.slow else ("step", 0.0)
        fault = Fault(self.case.kind, onset, amount, course[0], course[1], self.case.channel)  # type: ignore[arg-type]
        return replace(healthy, faults=(fault,))

    @property
    def windows(self) -> int:
        """How many windows are watched from its onset on."""
        return 4 if self.slow else 2


def plans(cases: Sequence[Case], sizes: Sequence[float], *, slow: bool = True) -> list[Plan]:
    """All runs of some cases."""
    out = []
    for case in cases:
        for size in (max(sizes),) if case.whole else sizes:
            out += [Plan(case, size, way) for way in ((False,) if case.whole or not slow else (False, True))]
    return out


@dataclass(frozen=True, slots=True)
class Left:
    """One healthy valve as it was left: what every fault run of it begins with."""

    healthy: ValveModel
    widths: dict[str, float]  # of the tolerances
    known: dict[str, tuple[Sheet, JudgeState]]  # by channel set
    calm: tuple[Run, ...]  # its healthy windows, as runs without a case


@lru_cache(maxsize=4)
def as_left(seed: int, variant: str, channel_sets: tuple[str, ...]) -> Left:
    """Simulate and judge the healthy windows of one valve, once for all slices of its fault runs."""
    healthy = valve(seed, variant)
    left_runs = recordings([healthy] * LEFT_WINDOWS, range(LEFT_WINDOWS), seed)
    left = dict(left_runs[0].truth.as_left)
    calm: list[Run] = []
    case = next(case for case in CASES if case.variant == variant)
    known: dict[str, tuple[Sheet, JudgeState]] = {}
    for channels in (c for c in channel_sets if c != "monitor"):
        sheet = sheet_for(healthy, left, case, channels)
        state = begin(sheet)
        looks: list[Look] = []
        for number, recording in enumerate(left_runs):
            state, judgements = watch_window(sheet, state, cut_to(samples_of(recording), channels), _COARSE)
            looks += [look_of(j, number * WINDOW_S + end) for j, end in zip(judgements, _COARSE, strict=True)]
        said = evidence_of(judgements[-1])
        calm.append(Run("healthy", 0.0, False, seed, channels, float("inf"), standing(looks), 0.0, said))
        known[channels] = sheet, state
    return Left(healthy, tolerances(left), known, tuple(calm))


def run_valve(
    seed: int, variant: str, todo: Sequence[Plan], channel_sets: Sequence[str] = CHANNEL_SETS
) -> tuple[list[Run], list[Run]]:
    """Fault runs of one valve and, as runs without a case, its healthy windows.

    The same for a seed, in whatever slices `todo` comes: a recording does not depend on what else is simulated.
    """
    left = as_left(seed, variant, tuple(channel_sets))
    runs: list[Run] = []
    for first in range(0, len(todo), _PLANS_AT_ONCE):
        some = todo[first : first + _PLANS_AT_ONCE]
        models = [model for plan in some for model in [plan.model(left.healthy, left.widths)] * plan.windows]
        numbers = [LEFT_WINDOWS + k for plan in some for k in range(plan.windows)]
        recorded = iter(recordings(models, numbers, seed))
        for plan in some:
            windows = [next(recorded) for _ in range(plan.windows)]
            for channels, (sheet, state) in left.known.items():
                runs += _judge(plan, seed, channels, sheet, copied(state), windows, channel_sets)
    return runs, list(left.calm)


def _judge(
    plan: Plan,
    seed: int,
    channels: str,
    sheet: Sheet,
    state: JudgeState,
    windows: Sequence[Recording],
    channel_sets: Sequence[str],
) -> list[Run]:
    """One fault under one channel set; of the full set also as if the current were the driver's own monitor's."""
    watched = {channels: sheet}
    if channels == "full" and "monitor" in channel_sets:
        watched["monitor"] = sheet_for_monitor(sheet)
    stood = frozenset((f.kind, f.severity) for f in state.findings.values())
    looks: dict[str, list[Look]] = {name: [] for name in watched}
    last: dict[str, Judgement] = {}
    for number, recording in enumerate(windows):
        ends_s = _COARSE if plan.slow or number else _FINE
        samples, at = cut_to(samples_of(recording), channels), 0
        judged: dict[str, list[Judgement]] = {name: [] for name in watched}
        for end_s in ends_s:
            to = min(round(end_s * RATE_HZ), samples.time_s.size)
            before = state
            outcome = step(sheet, before, part(samples, at, to))
            state, at = outcome.state, to
            judged[channels].append(outcome.judgement)
            if "monitor" in watched:
                judged["monitor"].append(summarise(watched["monitor"], copied(state)))
        for name, judgements in judged.items():
            ends = zip(judgements, ends_s, strict=True)
            looks[name] += [look_of(j, number * WINDOW_S + end, stood) for j, end in ends]
            last[name] = judgements[-1]
    return [
        Run(
            plan.case.name, plan.size, plan.slow, seed, name, ONSET_S, standing(looks[name]), moved_of(last[name]),
            evidence_of(last[name]),
        )
        for name in watched
    ]  # fmt: skip


def sheet_for_monitor(sheet: Sheet) -> Sheet:
    """The same sheet with the current taken from the driver's own monitor output."""
    instruments = dict(sheet.instruments)
    case = CASES[0]
    instruments["current"] = replace(
        instruments.get("current", Instrument()), where=places(case, "monitor")["current"]
    )
    return replace(sheet, instruments=instruments)


def hours(calm: Sequence[Run], per_window_s: float = 270.0) -> float:
    """Hours of production in healthy runs."""
    return float(np.sum([len(run.looks) / len(_COARSE) * per_window_s for run in calm])) / 3600.0
