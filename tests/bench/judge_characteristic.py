"""Characteristic: error and coverage of hysteresis, pressures at the ends and branches, on random simulated valves.

    python tests/bench/judge_characteristic.py [--full] [--workers 2]

Each log has its own valve (hysteresis of 1 to 8 % of the current span, dither whole, weakened or lost since it was
left), cycle, oil (its temperature, and the share of the pressure that follows its viscosity: unknown to the judge)
and errors of its measuring chain (pressure offset and current gain, drawn with the sheet's uncertainty). The sheet is
that of the day the valve was left; where it has a recorded curve, that is six levels of both branches, rounded.
"""

from __future__ import annotations

import random
import sys
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

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
from report import Goal, Report, main
from scenes import random_model
from scipy.stats import beta

_PER_JOB = 10
#: Logs per scene and their length (s): published size, and the one of the test suite.
FULL, SMOKE = (300, 300.0), (10, 150.0)
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


def share_inside(errors: np.ndarray, expanded: np.ndarray) -> tuple[float, tuple[float, float]]:
    """Share of intervals that hold the truth, with its own interval for 95 % (Clopper and Pearson 1934)."""
    n, k = errors.size, int(np.sum(np.abs(errors) <= expanded))
    low = float(beta.ppf(0.025, k, n - k + 1)) if k > 0 else 0.0
    high = float(beta.ppf(0.975, k + 1, n - k)) if k < n else 1.0
    return k / n, (low, high)


def run(full: bool, workers: int = 1) -> Report:
    """A line per scene and quantity; goals over all of them."""
    count, seconds = FULL if full else SMOKE
    report = Report("Characteristic: hysteresis, pressures at the ends, branches")
    everything: dict[str, list[tuple[float, float]]] = {name: [] for name in (*QUANTITIES, "branches")}
    for number, scene in enumerate(SCENES):
        jobs = [(scene, 10_000 + 100 * number + k, _PER_JOB, seconds) for k in range(count // _PER_JOB)]
        rows = [row for part in shared(rows_of, jobs, workers) for row in part]
        report.lines.append(f"{scene.name}: {len(rows)} logs of {seconds:.0f} s")
        for name in (*QUANTITIES, "branches"):
            pairs = (
                [pair for row in rows for pair in row.levels]
                if name == "branches"
                else [row.found[name] for row in rows if name in row.found]
            )
            everything[name] += pairs
            if pairs:
                report.lines.append(_line(name, np.array(pairs), len(rows) - len(pairs) if name in QUANTITIES else 0))
    for name, pairs in everything.items():
        values = np.array(pairs)
        inside, interval = share_inside(values[:, 0], values[:, 1])
        limits = (0.93, 0.97) if full else (0.85, 1.0)
        report.goals.append(Goal(f"{name} inside its uncertainty", inside, *limits, interval=interval))
        bias = float(abs(values[:, 0].mean()) / np.median(values[:, 1]))
        report.goals.append(Goal(f"bias of {name}, in expanded uncertainties", bias, at_most=0.1 if full else 0.3))
    return report


def _line(name: str, values: np.ndarray, blind: int) -> str:
    error, expanded = values[:, 0], values[:, 1]
    inside, _ = share_inside(error, expanded)
    unit = "%" if name == "hysteresis" else "bar"
    return (
        f"  {name:16} inside {100 * inside:5.1f} %  bias {error.mean():+.3f}  rms {np.sqrt(np.mean(error**2)):.3f}"
        f"  U {np.median(expanded):.3f} {unit}" + (f"  not observed {blind}" if blind else "")
    )


if __name__ == "__main__":
    main(run)
