"""Detection delay of the judge's charts against tuned and optimal ones, by exact computation and simulation."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from asleft.judge.drift import HOUR_POINTS, QUICK_SHARE, REFERENCE_HOURS, K, Noise, advanced
from report import Goal
from runlength import cusum, tuned_cusum_limit, two_sided_cusum
from runlength_pair import pair_limits, two_sided_pair

SHIFTS = tuple(0.25 * k for k in range(2, 13))


@dataclass(frozen=True, slots=True)
class Row:
    """Delays (points, exact) at one shift.

    Ours with the scatter known, and with it learnt over the reference hours; what it costs at the least to have to
    learn it from so many; the two-sided CUSUM tuned to the shift; the one-sided optimum.
    """

    shift: float
    ours: float
    learnt: float
    least: float
    tuned: float
    optimum: float


def rows_at(run_length: float, shifts: tuple[float, ...] = SHIFTS) -> tuple[tuple[float, float], list[Row]]:
    """Limits of the pair for a two-sided run length in control, and the delays.

    The optimum is that of a chart that knows size and direction and has the same run length (Lorden 1971, Moustakides
    1986); no two-sided chart reaches it. The least price of learning: n normal hours have at most n - 1 degrees of
    freedom, and a scatter learnt from them has to be enlarged by c (`noise`) for the expected false-alarm rate to
    stay the budget's. The judge's differences of neighbours give two thirds of those degrees (a drift does not enter
    them), and it adds 1 % to its yardstick for tails.
    """
    limits = pair_limits(K, 2.0 * run_length, QUICK_SHARE)
    exponent = math.log(2.0 * run_length)
    noise = Noise(hours=float(REFERENCE_HOURS), hours_n=REFERENCE_HOURS)
    x = 2.0 * exponent / (REFERENCE_HOURS - 1)
    yards = float(noise.sigma(HOUR_POINTS, 1.0, exponent)), math.sqrt(math.expm1(x) / x)
    out = []
    for shift in shifts:
        k = 0.5 * shift
        tuned = two_sided_cusum(k, tuned_cusum_limit(k, run_length), shift)
        optimum = cusum(k, tuned_cusum_limit(k, run_length, two_sided=False), shift)
        learnt, least = (
            two_sided_pair((K[0] * yard, K[1] * yard), (limits[0] * yard, limits[1] * yard), shift) for yard in yards
        )
        out.append(Row(shift, two_sided_pair(K, limits, shift), learnt, least, tuned, optimum))
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
            f"delay in points, run length in control {run_length:g}, limits {limits[0]:.3f} and {limits[1]:.3f};",
            f"scatter known, or learnt from {REFERENCE_HOURS} hours",
            "                                              over the tuned one's: scatter     simulated down",
            "  shift     ours   learnt    tuned  optimum    known   learnt  least price   (cap at 4 sigma)",
        ]
        for row in rows:
            mean, se = by_simulation(limits, -row.shift, runs, seed=round(100 * row.shift))
            seen = f"{mean:.2f} +- {1.96 * se:.2f}"
            lines.append(
                f"  {row.shift:5.2f} {row.ours:8.2f} {row.learnt:8.2f} {row.tuned:8.2f} {row.optimum:8.2f} "
                f"{row.ours / row.tuned:8.3f} {row.learnt / row.tuned:8.3f} {row.least / row.tuned:12.3f} {seen:>18s}"
            )
        lines.append("")
        for words, worst in (
            ("scatter known", max(row.ours / row.tuned for row in rows)),
            (f"scatter learnt from {REFERENCE_HOURS} hours", max(row.learnt / row.tuned for row in rows)),
        ):
            name = f"drift: delay over that of the tuned CUSUM, {shifts[0]:g} to {shifts[-1]:g} sigma, run length "
            goals.append(Goal(f"{name}{run_length:g}, {words}", worst, at_most=1.25))
    return lines, goals
