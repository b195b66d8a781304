"""False alarms of the charts on series whose noise comes from fully simulated hours.

Every quantity of every valve stands at the border of its dead zone for ever, the worst state that is in control;
each life begins with a fresh chart that has to learn its scatter, as after a revision. Series are drawn anew from
the table of `drift_noise`: six residuals of ten-minute points make an hour; where hours swing, whole days are drawn
in a row.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from asleft.judge.drift import BUDGET_YEARS, HOUR_POINTS, HOURS_PER_YEAR, Noise, advanced, limits_for
from drift_noise import FloatArray, Scatter
from report import Goal
from scipy.stats import chi2

LIFE_YEARS = 2.0
_CHUNK = 250


@dataclass(frozen=True, slots=True)
class Count:
    """Alarms of one group of quantities."""

    alarms: int
    first_month: int
    valve_years: float
    by_life: tuple[int, ...] = ()

    @property
    def of_budget(self) -> float:
        """Rate as a multiple of the budget's."""
        return self.alarms / self.valve_years * BUDGET_YEARS


def hours_of(row: Scatter, lives: int, hours: int, rng: np.random.Generator) -> FloatArray:
    """Ten-minute points of `lives` lives, (hours, 6, lives), in dead zones, about zero."""
    pool = np.array(row.points)
    middle = float(np.median(pool))
    reach = 3.0 * 1.4826 * float(np.median(np.abs(pool - middle)))
    pool = pool - np.clip(pool, middle - reach, middle + reach).mean()  # its level stands at the border
    white = pool[rng.integers(0, pool.size, (hours, HOUR_POINTS, lives))]
    if not row.days:
        return np.asarray(white)
    longest = max(len(day) for day in row.days)
    padded = np.array([[*day, *([np.nan] * (longest - len(day)))] for day in row.days])
    out = np.empty((hours, lives))
    for life in range(lives):
        drawn = padded[rng.integers(0, len(row.days), 1 + hours // min(len(d) for d in row.days))].ravel()
        out[:, life] = drawn[np.isfinite(drawn)][:hours]
    # The days already hold the trembling of their hours; theirs alone would repeat itself exactly.
    return np.asarray(out[:, None, :] + white)


def count(rows: Sequence[Scatter], lives: int, seed: int, *, at_border: bool = True) -> Count:
    """Alarms of `lives` lives of one valve, whose charted quantities are `rows`."""
    rng = np.random.default_rng(seed)
    limits = limits_for(BUDGET_YEARS, len(rows))
    most = np.array([limits.patient, limits.quick] * 2)
    hours = int(LIFE_YEARS * HOURS_PER_YEAR)
    n = len(rows) * lives
    stand = 1.0 if at_border else 0.0
    noise, sums, sigma = Noise(), np.zeros((n, 4)), np.ones(n)
    by_life = np.zeros(lives, dtype=int)
    first_month = 0
    own = np.repeat([row.sigma / np.sqrt(HOUR_POINTS) for row in rows], lives)
    learning = True
    for begin in range(0, hours, _CHUNK):
        chunk = np.concatenate([hours_of(row, lives, _CHUNK, rng) for row in rows], axis=2)
        for k, points in enumerate(chunk):
            means = noise.mean_of(list(points))
            if learning:
                before = noise.hours_n
                for earlier, later in itertools.pairwise(points):
                    noise.point(later, earlier)
                noise.hour(means, HOUR_POINTS)
                sigma = np.asarray(noise.sigma(HOUR_POINTS, own, limits.exponent))
                learning = noise.hours_n > before or noise.hours_n == 0
            sums = advanced(sums, stand + means, 1.0, sigma)
            hit = (sums > most).any(axis=1)
            if hit.any():
                by_life += hit.reshape(len(rows), lives).sum(axis=0)
                first_month += int(hit.sum()) if begin + k < HOURS_PER_YEAR / 12.0 else 0
                sums[hit] = 0.0
    return Count(int(by_life.sum()), first_month, lives * LIFE_YEARS, tuple(by_life.tolist()))


def interval(by_valve: Sequence[Sequence[int]]) -> tuple[float, float]:
    """95 % interval of the number of alarms, given those of each life of each valve.

    Alarms of one life come in company, as it has learnt its scatter once: their spread from life to life counts where
    it is more than that of a Poisson number.
    """
    total = sum(map(sum, by_valve))
    low = float(chi2.ppf(0.025, 2 * total)) / 2 if total else 0.0
    high = float(chi2.ppf(0.975, 2 * total + 2)) / 2
    spread = sum(len(lives) * float(np.var(lives, ddof=1)) for lives in by_valve if len(lives) > 1)
    wider = np.sqrt(max(spread / max(total, 1), 1.0))
    return max(total - wider * (total - low), 0.0), total + wider * (high - total)


def table(rows: Sequence[Scatter], lives: int, seed: int) -> tuple[list[str], list[Goal]]:
    """Lines and goals. `lives`: of each valve, two years each."""
    by_valve: dict[str, list[Scatter]] = {}
    for row in rows:
        by_valve.setdefault(row.valve, []).append(row)
    lines = [
        f"false alarms, budget one per valve in {BUDGET_YEARS:g} years of production, every quantity at its border",
        "  valve              quantities  of them swinging  valve-years  alarms  of the budget",
    ]
    total = quiet = month = 0
    lived: list[tuple[int, ...]] = []
    years = 0.0
    for k, (valve, own) in enumerate(by_valve.items()):
        found = count(own, lives, seed + k)
        quiet += count(own, max(lives // 10, 1), seed + 1000 + k, at_border=False).alarms
        lines.append(
            f"  {valve:18s} {len(own):10d} {sum(bool(r.days) for r in own):17d} {found.valve_years:12.0f} "
            f"{found.alarms:7d} {found.of_budget:14.2f}"
        )
        lived.append(found.by_life)
        total, month, years = total + found.alarms, month + found.first_month, years + found.valve_years
    low, high = interval(lived)
    per = BUDGET_YEARS / years
    still = max(lives // 10, 1) * LIFE_YEARS * len(by_valve)
    lines += [
        f"  all: {total} alarms in {years:.0f} valve-years, {month} of them in the first month of a life",
        f"  where nothing has moved: {quiet} alarms in {still:.0f} valve-years",
        "",
    ]
    goal = Goal(
        "drift: false alarms, of the budget", total * per, at_least=0.5, at_most=1.2, interval=(low * per, high * per)
    )
    return lines, [goal]
