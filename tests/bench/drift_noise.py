"""How estimates of healthy valves scatter: fully simulated hours, judged, and what is left of them as a table.

    python tests/bench/drift_noise.py --write      makes tests/bench/drift_noise.json anew (some 10 minutes)

Five valves of the plant without their faults work a cold Monday from before to after the shift, a Thursday evening
into the night, and the next cold Monday's morning, weekend between them: 30 hours each, 150 in all, at 20 samples a
second. The table keeps, per valve and quantity, what the charts were given: where neighbouring points are
independent, the residuals of the ten-minute points; where they swing (pressure with the oil), the hours of each day
besides.
"""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

import numpy as np
import numpy.typing as npt

sys.path.insert(0, str(Path(__file__).parent.parent / "judge"))

from asleft.judge.drift import HOUR_POINTS
from asleft.judge.judge import begin, step
from asleft.judge.types import FastBurst, Samples
from asleft.sim.calendar import ZONE
from asleft.sim.model import ValveModel
from asleft.sim.plant import valves
from asleft.sim.recording import Recording, simulate
from lanes import sheet_of

FloatArray = npt.NDArray[np.float64]
TABLE = Path(__file__).parent / "drift_noise.json"
RATE_HZ = 20.0
_HOUR_S = 3600.0
_LEAST_DAY = 4  # charted hours of a day that is kept
_VALVES = (0, 2, 4, 5, 7)
#: Local day of November 2025, hour and length (h): Monday, Thursday, Monday.
STRETCHES = ((24, 5, 18.0), (27, 17, 7.0), (31, 5, 5.0))


@dataclass(frozen=True, slots=True)
class Scatter:
    """Of one quantity of one valve, in parts of its dead zone.

    `points`: residuals of ten-minute points. `days`: hour means of each day about their common mean, empty where
    hours scatter no more than their points explain.
    """

    valve: str
    quantity: str
    points: tuple[float, ...]
    days: tuple[tuple[float, ...], ...]

    @property
    def sigma(self) -> float:
        """Standard deviation of a point."""
        return float(np.std(self.points))


def read_table() -> list[Scatter]:
    """The table as it was last written."""
    rows = json.loads(TABLE.read_text("utf-8"))
    return [Scatter(r["valve"], r["quantity"], tuple(r["points"]), tuple(map(tuple, r["days"]))) for r in rows]


def simulated(workers: int = 1) -> tuple[list[Scatter], float]:
    """Scatter of all valves from fresh simulation, and how many hours were simulated."""
    groups = [_VALVES[k::workers] for k in range(min(workers, len(_VALVES)))]
    if len(groups) == 1:
        found = [_scatter_of(groups[0])]
    else:
        with ProcessPoolExecutor(len(groups)) as pool:
            found = list(pool.map(_scatter_of, groups))
    rows = sorted((row for part in found for row in part), key=lambda row: (row.valve, row.quantity))
    return rows, len(_VALVES) * sum(hours for *_, hours in STRETCHES)


def _scatter_of(numbers: Sequence[int]) -> list[Scatter]:
    """Rows of some valves, simulated together."""
    everyone = valves(datetime(2025, 11, 24, tzinfo=ZONE).timestamp())
    models = [replace(everyone[k], faults=()) for k in numbers]
    charted: dict[str, dict[str, list[tuple[float, float]]]] = {model.valve_id: {} for model in models}
    states = {}
    for day, hour, hours in STRETCHES:
        month, day = (11, day) if day <= 30 else (12, day - 30)
        start_s = datetime(2025, month, day, hour, tzinfo=ZONE).timestamp()
        recordings = simulate(
            models, [start_s] * len(models), hours * _HOUR_S, rate_hz=RATE_HZ, seed=day, programme="day",
            burst_every_s=120.0,
        )  # fmt: skip
        for model, recording in zip(models, recordings, strict=True):
            _judge(model, recording, states, charted[model.valve_id])
    d0 = {m.valve_id: _dead_zones(m, recordings[0]) for m in models}
    rows = [
        _scatter(valve, name, series, d0[valve][name])
        for valve, by_name in charted.items()
        for name, series in by_name.items()
    ]
    return [row for row in rows if row is not None]


def _dead_zones(model: ValveModel, recording: Recording) -> dict[str, float]:
    (own,) = simulate([model], [recording.time_s[0]], 1.0)
    sheet = sheet_of(model, own.truth.as_left)
    return {name: 0.25 * min(t.below, t.above) for name, t in sheet.tolerance.items()}


def _judge(
    model: ValveModel, recording: Recording, states: dict, charted: dict[str, list[tuple[float, float]]]
) -> None:
    """Judge hour by hour and keep what reached the charts."""
    sheet = sheet_of(model, recording.truth.as_left)
    state = states.get(model.valve_id) or begin(sheet)
    per_hour = round(_HOUR_S * RATE_HZ)
    for first in range(0, recording.time_s.size, per_hour):
        time_s = recording.time_s[first : first + per_hour]
        channels = {
            name: recording.offset[name] + recording.scale[name] * counts[first : first + per_hour].astype(float)
            for name, counts in recording.counts.items()
        }
        bursts = tuple(
            FastBurst(b.start_s, b.rate_hz, b.values())
            for b in recording.bursts
            if time_s[0] <= b.start_s < time_s[0] + _HOUR_S
        )
        state = step(sheet, state, Samples(time_s, channels, bursts)).state
        for name, chart in state.charts.items():
            if name not in sheet.tolerance or chart.left is None:
                continue
            series = charted.setdefault(name, [])
            newest = series[-1][0] if series else -math.inf
            series += [(at, value) for at, value, _ in chart.points if at > newest]
    states[model.valve_id] = state


def _scatter(valve: str, name: str, series: Sequence[tuple[float, float]], d0: float) -> Scatter | None:
    """What the table keeps of a series; None of one that is too short or has no dead zone."""
    if len(series) < 5 * HOUR_POINTS or not (0.0 < d0 < math.inf):
        return None
    at, value = np.array(series).T
    value = value / d0
    breaks = np.flatnonzero(np.diff(at) > 2.0 * _HOUR_S) + 1
    runs = [run for run in np.split(value, breaks) if run.size >= HOUR_POINTS]
    # Each recording begins with a phase of its own between dither and sampling: what that shifts is no scatter.
    level = np.concatenate([run - run.mean() for run in runs])
    if abs(_neighbours(level)) < 4.0 / math.sqrt(level.size):
        return Scatter(valve, name, _rounded(level), ())
    hours = [run[: run.size // HOUR_POINTS * HOUR_POINTS].reshape(-1, HOUR_POINTS).mean(axis=1) for run in runs]
    means = [day for day in hours if day.size >= _LEAST_DAY]
    middle = float(np.concatenate(means).mean())
    # The trembling about a smooth course, from second differences: (x - mean of both neighbours) has variance 3/2.
    trembling = np.concatenate([(run[1:-1] - 0.5 * (run[2:] + run[:-2])) / math.sqrt(1.5) for run in runs])
    return Scatter(valve, name, _rounded(trembling), tuple(_rounded(m - middle) for m in means))


def _neighbours(x: FloatArray) -> float:
    x = x - x.mean()
    return float(x[1:] @ x[:-1] / (x @ x))


def _rounded(x: FloatArray) -> tuple[float, ...]:
    return tuple(float(f"{v:.3g}") for v in x)


def write(rows: Sequence[Scatter]) -> None:
    """Write the table, one row a line."""
    lines = [json.dumps({"valve": r.valve, "quantity": r.quantity, "points": r.points, "days": r.days}) for r in rows]
    TABLE.write_text("[\n" + ",\n".join(lines) + "\n]\n", encoding="utf-8")


if __name__ == "__main__":
    if sys.argv[1:] != ["--write"]:
        raise SystemExit(__doc__)
    found, simulated_hours = simulated()
    write(found)
    print(f"{len(found)} rows from {simulated_hours:g} simulated hours in {TABLE}")
