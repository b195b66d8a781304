"""Efficiency of currents and ramps: Cramer-Rao bound over mean squared error, bias included, by simulation;
and what is left of them in spoilt logs (`robustness`).

    python tests/bench/judge_estimators.py [--full] [--workers 2]

Each log has its own valve, cycle and bound; the efficiency is 1 / mean((error / bound)^2) over logs, its interval
that of a chi-square with as many degrees of freedom as logs. The simulation runs in steps of 2 ms: at 5 ms its own
knees would lengthen a ramp of 0.1 s by more than the bound.

Currents are taken from samples at rest, those of ramps left to the ramps. "At rest at most" is the efficiency that
this can reach (`bounds.bounds_at_rest` says why it is given away), "of it" the estimator's share of that.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from asleft.judge.judge import judge_log
from log_bounds import bounds, bounds_at_rest
from production import logs, shared, sheet_of, valves
from report import Goal, Report, main
from robustness import table
from scipy.stats import chi2

QUANTITIES = ("current_at_zero", "current_at_full", "ramp_up", "ramp_down")
AT_REST = QUANTITIES[:2]
_PER_JOB = 20


@dataclass(frozen=True, slots=True)
class Scene:
    """One row of the table: what disturbs the readings, and whether the goal is asked of it."""

    name: str
    duration_s: float
    dither: bool
    command_noise_pct: float
    full_logs: int
    smoke_logs: int
    goal: bool = True


SCENES = (
    Scene("two minutes", 120.0, dither=False, command_noise_pct=0.0, full_logs=400, smoke_logs=20),
    Scene("ten minutes", 600.0, dither=False, command_noise_pct=0.0, full_logs=400, smoke_logs=0),
    Scene("two minutes, dither aliased", 120.0, dither=True, command_noise_pct=0.0, full_logs=400, smoke_logs=20),
    Scene("two minutes, command noise clipped", 120.0, True, 0.03, full_logs=400, smoke_logs=0, goal=False),
)
_LEAST = 0.8
#: Of the values seen in one kind of spoilt log (30 valves, 4 quantities) that should lie inside U.
_LEAST_INSIDE = 0.85


def errors_of(job: tuple[Scene, int, int]) -> list[dict[str, tuple[float, float, float]]]:
    """Per log and quantity: error, stated standard uncertainty and what rests can reach, in units of the bound."""
    scene, seed, count = job
    out = []
    models = valves(count, seed, dither=scene.dither, command_noise_pct=scene.command_noise_pct)
    for log in logs(models, scene.duration_s, seed):
        left = {name: value for name, value in log.recording.truth.as_left.items() if value > 0.0}
        found = {q.id: q for q in judge_log(sheet_of(log.model, left), log.samples).quantities}
        given = (log.truth, log.chain, log.steps, log.samples.time_s - log.samples.time_s[0])
        least = bounds(*given)
        at_rest = {**least, **bounds_at_rest(*given)}
        row = {}
        for name in QUANTITIES:
            value, expanded = found[name].as_found, found[name].uncertainty
            if value is not None and expanded is not None:
                error, stated = value - left[name], expanded / 2.0
                row[name] = (error / least[name], stated / least[name], at_rest[name] / least[name])
        out.append(row)
    return out


def efficiency(z: np.ndarray) -> tuple[float, tuple[float, float]]:
    """1 / mean square of errors in units of their bounds, with its interval for 95 %."""
    n = z.size
    value = float(n / np.sum(z**2))
    low, high = chi2.ppf((0.025, 0.975), n) / n
    return value, (value * float(low), value * float(high))


def run(full: bool, workers: int = 1) -> Report:
    """The table: a block per scene."""
    report = Report("Efficiency of currents and ramps (Cramer-Rao bound / mean squared error)")
    for number, scene in enumerate(SCENES):
        count = scene.full_logs if full else scene.smoke_logs
        if count == 0:
            continue
        jobs = [(scene, 1000 * (number + 1) + k, _PER_JOB) for k in range(count // _PER_JOB)]
        rows = [row for part in shared(errors_of, jobs, workers) for row in part]
        report.logs += len(rows)
        report.lines.append(f"{scene.name} at 100 Hz, {len(rows)} logs")
        for name in QUANTITIES:
            z = np.array([row[name][0] for row in rows if name in row])
            stated = np.array([row[name][1] for row in rows if name in row])
            reach = np.array([row[name][2] for row in rows if name in row])
            value, interval = efficiency(z)
            most = 1.0 / float(np.mean(reach**2))
            told = f"  at rest at most {most:.2f}, of it {efficiency(z / reach)[0]:.2f}" if name in AT_REST else ""
            report.lines.append(
                f"  {name:16} efficiency {value:.3f} ({interval[0]:.3f} to {interval[1]:.3f})"
                f"  bias {z.mean():+.2f} bounds  stated {np.median(stated):.2f} bounds"
                f"  not observed {len(rows) - z.size}{told}"
            )
            if scene.goal:
                report.goals.append(
                    Goal(f"efficiency of {name}, {scene.name}", value, at_least=_LEAST, interval=interval)
                )
    lines, shares = table(full, workers)
    report.lines += ["", "spoilt logs, two minutes, no calibration errors, command noise 0.02 %", *lines]
    inside = [share for _, share in shares if np.isfinite(share)]
    report.goals.append(Goal("values inside U, all spoilt logs", float(np.mean(inside)), at_least=_LEAST_INSIDE))
    if full:
        report.goals += [
            Goal(f"values inside U, {name}", share, at_least=_LEAST_INSIDE)
            for name, share in shares
            if np.isfinite(share)
        ]
    return report


if __name__ == "__main__":
    main(run)
