"""Detection delay of the judge's charts against tuned and optimal ones, by exact computation and simulation."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from asleft.judge.drift.budget import QUICK_SHARE, K
from asleft.judge.drift.charts import advanced
from asleft.judge.drift.noise import HOUR_POINTS, REFERENCE_HOURS, Noise
from asleft.judge.drift.runlength import cusum, tuned_cusum_limit, two_sided_cusum
from asleft.judge.drift.runlength_pair import pair_limits, two_sided_pair
from report import Goal

SHIFTS = tuple(0.25 * k for k in range(2, 13))


@dataclass(frozen=True, slots=True)
class Row:
    """Delays (points, exact) at one shift: ours with the scatter known, and learnt over the reference hours; the
    two-sided CUSUM tuned to the shift; the one-sided optimum."""

    shift: float
    ours: float
    learnt: float
    tuned: float
    optimum: float


def rows_at(run_length: float, shifts: tuple[float, ...] = SHIFTS) -> tuple[tuple[float, float], list[Row]]:
    """Limits of the pair for a two-sided run length in control, and the delays.

    The optimum is that of a chart that knows size and direction and has the same run length (Lorden 1971, Moustakides
    1986); no two-sided chart reaches it.
    """
    limits = pair_limits(K, 2.0 * run_length, QUICK_SHARE)
    learnt = Noise(hours=float(REFERENCE_HOURS), hours_n=REFERENCE_HOURS)
    yard = float(learnt.sigma(HOUR_POINTS, 1.0, math.log(2.0 * run_length)))
    wider = (K[0] * yard, K[1] * yard), (limits[0] * yard, limits[1] * yard)
    out = []
    for shift in shifts:
        k = 0.5 * shift
        tuned = two_sided_cusum(k, tuned_cusum_limit(k, run_length), shift)
        optimum = cusum(k, tuned_cusum_limit(k, run_length, two_sided=False), shift)
        out.append(Row(shift, two_sided_pair(K, limits, shift), two_sided_pair(*wider, shift), tuned, optimum))
    return limits, out


def by_simulation(limits: tuple[float, float], shift: float, runs: int, seed: int) -> tuple[float, float]:
    """Mean delay of the judge's own recursion, cap and both sides included, and its standard error."""
    rng = np.random.default_rng(seed)
    sums, length, alive = np.zeros((runs, 4)), np.zeros(runs), np.arange(runs)
    most = np.array([*limits, *limits])
    while alive.size:
        length[alive] += 1.0
        sums = advanced(sums, shift + rng.standard_normal(alive.size), 0.0, 1.0)
        on = (sums <= most).all(axis=1)
        alive, sums = alive[on], sums[on]
    return float(length.mean()), float(length.std() / math.sqrt(runs))


def table(run_lengths: tuple[float, ...], shifts: tuple[float, ...], runs: int) -> tuple[list[str], list[Goal]]:
    """Lines and goals."""
    lines, goals = [], []
    for run_length in run_lengths:
        limits, rows = rows_at(run_length, shifts)
        lines += [
            f"delay in points, run length in control {run_length:g}, limits {limits[0]:.3f} and {limits[1]:.3f}",
            "  shift     ours    tuned  optimum  ours/tuned   simulated down (cap at 4 sigma)   scatter learnt",
        ]
        for row in rows:
            mean, se = by_simulation(limits, -row.shift, runs, seed=round(100 * row.shift))
            seen = f"{mean:.2f} +- {1.96 * se:.2f}"
            lines.append(
                f"  {row.shift:5.2f} {row.ours:8.2f} {row.tuned:8.2f} {row.optimum:8.2f} {row.ours / row.tuned:11.3f}"
                f"   {seen:>20s} {row.learnt:27.2f}"
            )
        worst = max(row.ours / row.tuned for row in rows)
        lines.append("")
        goals.append(
            Goal(f"drift: delay over that of the tuned CUSUM, 0.5 to 3 sigma, run length {run_length:g}", worst,
                 at_most=1.25)
        )  # fmt: skip
    return lines, goals
