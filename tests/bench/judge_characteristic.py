"""Characteristic: error and coverage of hysteresis, pressures at the ends and branches, on random simulated valves.

    python tests/bench/judge_characteristic.py [--full] [--workers 2]

Each log has its own valve (hysteresis of 1 to 8 % of the current span, dither whole, weakened or lost since it was
left), cycle, oil (its temperature, and the share of the pressure that follows its viscosity: unknown to the judge)
and errors of its measuring chain (pressure offset and current gain, drawn with the sheet's uncertainty). The sheet is
that of the day the valve was left; where it has a recorded curve, that is six levels of both branches, rounded.
"""

from __future__ import annotations

import math
import random
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

sys.path.insert(0, str(Path(__file__).parent.parent / "judge"))

from asleft.judge.judge import judge_log
from asleft.judge.types import Judgement
from asleft.sheet.model import Characteristic, Conditions, Instrument, Sheet
from asleft.sim.cycles import CLAMPING_CYCLE, CUSHION_CYCLE, EJECTING_CYCLE, PRESSING_CYCLE, CyclePlan
from asleft.sim.effective import effective
from asleft.sim.faults import Fault, FaultKind
from asleft.sim.model import ValveModel
from asleft.sim.recording import simulate
from asleft.sim.truth import as_left_of, branches_bar, pressure_at, settings_at
from lanes import START_S, samples_of, sheet_of
from production import shared
from report import Goal, Report, main, share_interval
from scenes import random_model

Pairs = npt.NDArray[np.float64]
_PER_JOB = 10
#: Logs per scene and their length (s): published size, and the one of the test suite.
FULL, SMOKE = (300, 300.0), (10, 120.0)
#: Expanded uncertainties of the sheets' instruments: pressure (bar) and current (A).
PRESSURE_U_BAR, CURRENT_U_A = 1.0, 0.004
QUANTITIES = ("hysteresis", "pressure_at_zero", "pressure_at_full")


@dataclass(frozen=True, slots=True)
class Scene:
    """One row: what the press does, and whether the sheet has a recorded curve."""

    name: str
    cycle: CyclePlan
    curve: bool
    programme: str = "production"


SCENES = (
    Scene("a level seen from both sides, curve recorded", CUSHION_CYCLE, curve=True),
    Scene("a level seen from both sides, no curve", CUSHION_CYCLE, curve=False),
    Scene("four levels from one side each, curve recorded", PRESSING_CYCLE, curve=True),
    Scene("three levels, two at the top, curve recorded", EJECTING_CYCLE, curve=True),
    Scene("three levels, two rising, curve recorded", CLAMPING_CYCLE, curve=True),
    Scene("sweep in steps, curve recorded", CUSHION_CYCLE, curve=True, programme="sweep"),
    Scene("sweep in steps, no curve", CUSHION_CYCLE, curve=False, programme="sweep"),
)


@dataclass(frozen=True, slots=True)
class Row:
    """What came of one log: error and expanded uncertainty by quantity, and of each level of the branches."""

    found: dict[str, tuple[float, float]]
    levels: tuple[tuple[float, float], ...]

    def pairs(self, name: str) -> Pairs:
        """Error and expanded uncertainty of a quantity or of the branches' levels, shape (k, 2); k may be 0."""
        own = self.levels if name == "branches" else [self.found[name]] if name in self.found else []
        return np.array(own, dtype=float).reshape(-1, 2)


def valve(rng: random.Random, scene: Scene, number: int) -> ValveModel:
    """A random valve with what has become of it since it was left."""
    dry = rng.uniform(0.5, 4.0)
    lost = rng.choice((0.0, 0.0, rng.uniform(0.3, 0.9), 1.0))
    model = random_model(rng)
    faults = [
        Fault(FaultKind.PRESSURE_SENSOR_OFFSET, 0.0, rng.gauss(0.0, 0.5 * PRESSURE_U_BAR)),
        Fault(FaultKind.CURRENT_SENSOR_GAIN, 0.0, rng.gauss(0.0, 0.5 * CURRENT_U_A) / model.current_at_full_a),
        Fault(FaultKind.DITHER_LOST, 0.0, lost),
    ]
    return replace(
        model,
        valve_id=f"press-{number}.valve",
        cycle=scene.cycle,
        friction_dry_pct=dry,
        friction_least_pct=max(0.5, dry * rng.uniform(0.15, 0.6)) if dry > 0.5 else 0.5,
        bow=rng.uniform(0.0, 0.35),
        command_noise_pct=rng.choice((0.0, 0.03, 0.05)),
        viscosity_share=rng.uniform(0.0, 0.05),
        oil_degc=min(max(rng.gauss(45.0, 3.0), 37.0), 53.0),
        faults=tuple(faults),
    )


def sheet_for(model: ValveModel, scene: Scene) -> Sheet:
    """As left, with instruments, oil window and, where the scene has it, a recorded curve of six rounded levels."""
    sheet = sheet_of(model, as_left_of(model))
    table = None
    if scene.curve:
        current = np.linspace(model.current_at_zero_a, model.current_at_full_a, 6)
        rising, falling = branches_bar(model, current)
        table = Characteristic(
            tuple(current.tolist()), tuple(np.round(rising, 1).tolist()), tuple(np.round(falling, 1).tolist())
        )
    return replace(
        sheet,
        characteristic=table,
        instruments={
            "pressure": Instrument(expanded_uncertainty=PRESSURE_U_BAR),
            "current": Instrument(expanded_uncertainty=CURRENT_U_A, low_pass_hz=model.current_sensor.low_pass_hz),
        },
        conditions=Conditions(oil_temperature_degc=(35.0, 55.0), in_control_modes=()),
    )


def branch_bar(model: ValveModel, current_a: float, way: float) -> float:
    """True pressure of the rising (+1) or falling (-1) branch of the whole loop now, oil at 45 degC."""
    now = effective(model, START_S)
    half, low, high = now.friction_half_a, now.current_at_zero_a, now.current_at_full_a
    return pressure_at(model, min(max(current_a - way * half, low + half), high - half), START_S)


def row_of(model: ValveModel, judgement: Judgement) -> Row:
    """Errors against the truth."""
    truth = settings_at(model, START_S)
    found = {}
    for quantity in judgement.quantities:
        if quantity.id in QUANTITIES and quantity.as_found is not None and quantity.uncertainty is not None:
            found[quantity.id] = (quantity.as_found - truth[quantity.id], quantity.uncertainty)
    levels = []
    told = judgement.characteristic
    if told is not None:
        for branch, way in ((told.rising, 1.0), (told.falling, -1.0)):
            for level in branch.levels:
                # The command is known better than the current's reading: the truth at the command's own current.
                share = min(max(level.command_pct / 100.0, 0.0), 1.0)
                at = model.current_at_zero_a + share * (model.current_at_full_a - model.current_at_zero_a)
                levels.append((level.pressure_bar - branch_bar(model, at, way), level.uncertainty_bar))
    return Row(found, tuple(levels))


def rows_of(job: tuple[Scene, int, int, float]) -> list[Row]:
    """All logs of one job."""
    scene, seed, count, seconds = job
    rng = random.Random(seed)
    models = [valve(rng, scene, k) for k in range(count)]
    starts = [START_S + rng.uniform(0.0, 86_400.0) for _ in models]  # the oil breathes with the day
    recordings = simulate(models, starts, seconds, seed=seed, programme=scene.programme, burst_every_s=0.0)
    return [
        row_of(model, judge_log(sheet_for(model, scene), samples_of(recording)))
        for model, recording in zip(models, recordings, strict=True)
    ]


def share_inside(pairs: Pairs) -> float:
    """Share of intervals that hold the truth; (error, expanded uncertainty) in rows."""
    return float(np.mean(np.abs(pairs[:, 0]) <= pairs[:, 1]))


def goals_of(name: str, by_log: Sequence[Pairs]) -> list[Goal]:
    """Coverage and bias. Levels of one log share its calibration errors, so intervals count logs, not values."""
    pairs, n = np.concatenate(by_log), len(by_log)
    inside = share_inside(pairs)
    each = np.array([own[:, 0].mean() for own in by_log])
    bias, unsure = abs(float(pairs[:, 0].mean())), 1.96 * float(each.std(ddof=1)) / math.sqrt(n)
    yard = float(np.median(pairs[:, 1]))
    return [
        Goal(f"{name} inside its uncertainty", inside, 0.93, 0.97, share_interval(round(inside * n), n)),
        Goal(
            f"bias of {name}, in expanded uncertainties",
            bias / yard,
            at_most=0.1,
            interval=(max(bias - unsure, 0.0) / yard, (bias + unsure) / yard),
        ),
    ]


def run(full: bool, workers: int = 1) -> Report:
    """A line per scene and quantity; goals over all of them."""
    count, seconds = FULL if full else SMOKE
    report = Report("Characteristic: hysteresis, pressures at the ends, branches")
    everything: dict[str, list[Pairs]] = {name: [] for name in (*QUANTITIES, "branches")}
    for number, scene in enumerate(SCENES):
        size = min(count, _PER_JOB)
        jobs = [(scene, 10_000 + 100 * number + k, size, seconds) for k in range(count // size)]
        rows = [row for part in shared(rows_of, jobs, workers) for row in part]
        report.logs += len(rows)
        report.lines.append(f"{scene.name}: {len(rows)} logs of {seconds:.0f} s")
        for name in (*QUANTITIES, "branches"):
            by_log = [row.pairs(name) for row in rows]
            seen = [pairs for pairs in by_log if pairs.size]
            everything[name] += seen
            if seen:
                blind = len(rows) - len(seen) if name in QUANTITIES else 0
                report.lines.append(_line(name, np.concatenate(seen), blind))
    for name, by_log in everything.items():
        report.goals += goals_of(name, by_log)
    return report


def _line(name: str, values: np.ndarray, blind: int) -> str:
    error, expanded = values[:, 0], values[:, 1]
    inside = share_inside(values)
    unit = "%" if name == "hysteresis" else "bar"
    return (
        f"  {name:16} inside {100 * inside:5.1f} %  bias {error.mean():+.3f}  rms {np.sqrt(np.mean(error**2)):.3f}"
        f"  U {np.median(expanded):.3f} {unit}" + (f"  not observed {blind}" if blind else "")
    )


if __name__ == "__main__":
    main(run)
