"""What judging a valve-day costs: stored readings through the judge, against reading and filtering them at all.

    python tests/bench/judge_day.py [--full]

A day of one valve at 100 Hz (8.64 million readings of eight channels) is simulated, stored as an agent sends it (a
block a second) and read back. Twice: as the plant's calendar has it (two shifts, breaks, set-up, night), and at work
for all 24 hours, a stroke every three seconds. In the same run, over the same readings, hour by hour:

- the floor: reading them from the store, a rate limiter of the command and a first-order filter, as one would write
  them with numpy and scipy;
- the judge with all it does, as `asleft rejudge` uses it.

Seconds are the processor's, not the clock's. Memory is the highest a process of its own ever held, over the day and
over its first 14 hours: it must not grow. Without `--full` twelve minutes of either, dearer than any later ones (all
first strokes are fitted), and the memory is compared with what reading them takes.
"""

from __future__ import annotations

import os
import resource
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import datetime
from multiprocessing import get_context
from pathlib import Path
from typing import Literal

import numpy as np
import numpy.typing as npt
from asleft.judge.state import dumps
from asleft.judge.types import Samples
from asleft.recorder.replay import HOUR_NS, Course, Setting, hours, replay
from asleft.sheet.model import QUANTITY_UNITS
from asleft.sheet.reader import read_sheet
from asleft.sim.calendar import ZONE
from asleft.sim.model import default_valve
from asleft.sim.recording import simulate
from asleft.sim.truth import as_left_of
from asleft.store.protocols import SampleReader
from asleft.store.samples import open_samples, open_samples_reader
from asleft.store.schema import SAMPLES_FILE
from blocks import blocks_of
from report import Goal, Report, main
from scipy.signal import lfilter

FloatArray = npt.NDArray[np.float64]
RATE_HZ = 100
#: Hours judged: published size, and the one of the test suite; hours after which memory must not grow.
FULL_H, SMOKE_H, GROWN_H = 24.0, 0.2, 14.0
#: Memory (MB) that the judge may take over what reading the same minutes does, its modules included.
MOST_MB = 40.0
FIRST_MINUTES = 20.0  # times the floor: first strokes, on a busy machine
BEGINS_S = datetime(2025, 11, 25, tzinfo=ZONE).timestamp()
VALVE = default_valve()
AS_LEFT = "\n".join(f"{name} = {value!r}" for name, value in as_left_of(VALVE).items() if name in QUANTITY_UNITS)
SHEET = f"""
[valve]
id = "{VALVE.valve_id}"
press = "{VALVE.press}"
name = "{VALVE.name}"
controls = "pressure"
[signal]
kind = "4-20mA"
[as_left]
{AS_LEFT}
[instrument.current]
low_pass_hz = 10.0
[revision]
number = 1
at = 2025-11-20T08:00:00Z
by = "bench"
why = "as left"
"""


def store(folder: Path, hours_h: float, programme: Literal["day", "production"]) -> None:
    """Simulate quarter hours side by side and store them as an agent sends them, a block a second."""
    parts = max(1, round(4 * hours_h))
    length_s = 3600.0 * hours_h / parts
    noon_s = 0.0 if hours_h >= 24.0 else 12.0 * 3600.0
    starts = [BEGINS_S + noon_s + k * length_s for k in range(parts)]
    samples = open_samples(folder)
    seq = 0
    for first in range(0, parts, 24):
        part = starts[first : first + 24]
        for recording in simulate([VALVE] * len(part), part, length_s, programme=programme, burst_every_s=120.0):
            blocks = list(blocks_of(recording, seq=seq))
            seq += len(blocks)
            for one in range(0, len(blocks), 60):
                samples.commit(blocks[one : one + 60], (), blocks[one].wall_ns)
    samples.close()


def limited(demand: FloatArray, up: float, down: float) -> FloatArray:
    """Demand limited to `up` and `-down` per sample: jumps from one change of regime to the next, exact, (n,)."""
    out = demand.copy()
    change = np.diff(demand)
    too_steep = np.flatnonzero((change > up) | (change < -down))
    at = 0
    while at < demand.size - 1:
        next_one = int(np.searchsorted(too_steep, at))
        if next_one == too_steep.size:
            break
        at = int(too_steep[next_one])
        value, rate = float(out[at]), up if change[at] > 0.0 else -down
        end, window = at + 1, 256
        while True:  # along the ramp until it meets the demand
            ahead = demand[end : end + window]
            ramp = value + rate * np.arange(end - at, end - at + ahead.size)
            met = np.flatnonzero((ramp >= ahead) if rate > 0 else (ramp <= ahead))
            if met.size:
                out[end : end + int(met[0])] = ramp[: int(met[0])]
                at = end + int(met[0])
                break
            out[end : end + ahead.size] = ramp
            end, window = end + ahead.size, 2 * window
            if end >= demand.size:
                return out
    return out


def floor_s(reader: SampleReader, from_ns: int, to_ns: int) -> tuple[float, float]:
    """Processor seconds for reading the span hour by hour, and for limiter and filter over it."""
    reading = filtering = 0.0
    keep = float(np.exp(-0.01 / 0.028))
    for first_ns, last_ns in hours(from_ns, to_ns):
        began = time.process_time()
        stored = reader.samples(VALVE.valve_id, first_ns, last_ns)
        read = time.process_time()
        current = 0.18 + 0.74 * limited((stored.channels["command"] - 4.0) / 16.0, 0.01 / 1.2, 0.01 / 2.0)
        lfilter([1.0 - keep], [1.0, -keep], current, zi=[keep * current[0]])
        reading += read - began
        filtering += time.process_time() - read
    return reading, filtering


@dataclass(frozen=True, slots=True)
class Cost:
    """Processor seconds and memory (MB) of one span in a process of its own."""

    reading_s: float
    filtering_s: float
    judging_s: float  # reading included
    floor_mb: float  # highest so far after the floor
    judge_mb: float  # and after the judge
    alarms: int
    state_bytes: int


def measure(folder: str, length_h: float) -> Cost:
    """Floor, judge and floor again over the first hours of a store; the two floors are averaged."""
    reader = open_samples_reader(Path(folder))
    span = reader.span(VALVE.valve_id)
    if span is None:
        raise ValueError(f"nothing is stored in {folder}")
    from_ns, to_ns = span[0], span[0] + round(length_h * HOUR_NS)
    setting = Setting(((from_ns, read_sheet(SHEET)),))
    warm_ns = from_ns + 60_000_000_000
    floor_s(reader, from_ns, warm_ns)
    replay(reader, VALVE.valve_id, (setting,), from_ns, warm_ns)  # modules are imported as they are needed
    first = floor_s(reader, from_ns, to_ns)
    floor_mb = _peak_mb()
    began = time.process_time()
    (alarms,) = replay(reader, VALVE.valve_id, (setting,), from_ns, to_ns)
    judging = time.process_time() - began
    judge_mb = _peak_mb()
    again = floor_s(reader, from_ns, to_ns)
    state = len(_state_after(reader, from_ns))
    reader.close()
    reading, filtering = (0.5 * (a + b) for a, b in zip(first, again, strict=True))
    return Cost(reading, filtering, judging, floor_mb, judge_mb, len(alarms), state)


def _state_after(reader: SampleReader, from_ns: int) -> str:
    """The judge's state as text after half an hour of what is stored from the middle of the day on."""
    setting = Setting(((from_ns, read_sheet(SHEET)),))
    course = Course(setting)
    span = reader.span(VALVE.valve_id)
    begin_ns = from_ns if span is None or span[1] - from_ns < 2 * HOUR_NS else from_ns + 12 * HOUR_NS
    stored = reader.samples(VALVE.valve_id, begin_ns, begin_ns + HOUR_NS // 2)
    course.take(setting.sheets[0][1], Samples(stored.time_ns / 1e9, stored.channels))
    return "" if course.state is None else dumps(course.state)


def _peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


def run(full: bool, workers: int = 1) -> Report:
    """The cost of a valve-day (full) or of its first minutes, at work by the calendar and throughout."""
    del workers  # one after the other: neighbours on the same core would spoil the figures
    report = Report("Cost of judging: a valve at 100 Hz, against reading, limiting and filtering its readings")
    length_h = FULL_H if full else SMOKE_H
    report.lines += [
        f"{'':<26}{'read':>8}{'floor':>8}{'judge':>8}{'ratio':>8}{'peak of floor':>16}{'and judge':>11}{'state':>9}",
    ]
    for programme, words in (("day", "two shifts, by calendar"), ("production", "at work throughout")):
        with tempfile.TemporaryDirectory() as name:
            folder = _stored(name, programme, length_h)
            cost = in_its_own_process(folder, length_h)
            total = cost.reading_s + cost.filtering_s
            report.lines.append(
                f"{words:<26}{cost.reading_s:>6.2f} s{total:>6.2f} s{cost.judging_s:>6.2f} s"
                f"{cost.judging_s / total:>8.2f}{cost.floor_mb:>13.0f} MB{cost.judge_mb:>8.0f} MB"
                f"{cost.state_bytes / 1024:>6.0f} kB"
            )
            most = 3.0 if full else FIRST_MINUTES
            name = f"{words}, {length_h:g} h: judge / floor"
            report.goals.append(Goal(name, cost.judging_s / total, at_most=most, timed=True))
            report.goals.append(Goal(f"{words}: alarms of a healthy valve", cost.alarms, at_most=0.0))
            report.logs += 1
            if full:
                shorter = in_its_own_process(folder, GROWN_H)
                grown = cost.judge_mb - shorter.judge_mb
                report.lines.append(f"  of it {GROWN_H:g} h: peak {shorter.judge_mb:.0f} MB")
                name = f"{words}: memory grown from {GROWN_H:g} h to {length_h:g} h"
                report.goals.append(Goal(name, grown, at_most=10.0, unit="MB"))
            else:
                more = cost.judge_mb - cost.floor_mb
                report.goals.append(Goal(f"{words}: memory over that of reading", more, at_most=MOST_MB, unit="MB"))
    return report


def _stored(name: str, programme: Literal["day", "production"], length_h: float) -> str:
    """A store with the day in it: made anew, or the one kept from an earlier run in $ASLEFT_BENCH_KEEP."""
    kept = os.environ.get("ASLEFT_BENCH_KEEP")
    folder = Path(kept or name) / f"{programme}-{length_h:g}"
    if not (folder / SAMPLES_FILE).exists():
        store(folder, length_h, programme)
    return str(folder)


def in_its_own_process(folder: str, length_h: float) -> Cost:
    """`measure` in a fresh interpreter, so that peaks of memory are its own."""
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
        return pool.submit(measure, folder, length_h).result()


if __name__ == "__main__":
    main(run)
