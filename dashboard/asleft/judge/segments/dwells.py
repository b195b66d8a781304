"""A settled stretch as one row of numbers."""

from __future__ import annotations

import math

import numpy as np
from asleft.judge.features import NAN, Dwell
from asleft.judge.intake.columns import CLOCK, COIL_V, CURRENT, DEMAND, MODE, OIL, PRESSURE, STATE, SUPPLY, TIME
from asleft.judge.intake.scale import Scale
from asleft.judge.intake.states import PRODUCING
from asleft.judge.medians import level_of, mean_of
from asleft.judge.types import FloatArray


def dwell_of(data: FloatArray, scale: Scale, arrival: float, *, flat: bool) -> Dwell:
    """Features of one settled stretch, `data` of shape (ROWS, n).

    Pressure is read over the last 40 %, when it has followed; how it changed over them and before, `settling` needs.
    The standard errors allow for autocorrelation as an AR(1) process would have it; a slower disturbance makes them
    too small. That of the pressure is of what its trend leaves. `flat`: whether no trend is left in the current.
    """
    n = data.shape[1]
    mean = np.add.reduce(data, axis=1) / n
    means = mean.tolist()
    last = late_samples(n)
    late, before = data[PRESSURE, n - last :], data[PRESSURE, max(n - 2 * last, 0) : n - last]
    if not math.isfinite(means[PRESSURE]):
        late, before = late[np.isfinite(late)], before[np.isfinite(before)]
    pressure_bar = pressure_se_bar = pressure_sd_bar = moves_bar = moved_bar = NAN
    if late.size >= 4:
        pressure_bar, moves_bar = mean_of(late), _change(late)
        trend = np.linspace(
            -moves_bar, moves_bar, late.size
        )  # over the whole part it moves twice as much as by halves
        _, sd_bar, independent = _scatter(late - trend)
        pressure_se_bar = sd_bar / math.sqrt(independent)
        steps = late[1:] - late[:-1]
        pressure_sd_bar = math.sqrt(float(steps @ steps) / (2.0 * steps.size))
        if before.size >= max(0.8 * last, 4.0):
            moved_bar = _change(before)
    off = data[DEMAND] - mean[DEMAND]
    demand_sd = math.sqrt(float(off @ off) / n)
    current_a, current_sd_a, independent = _scatter(data[CURRENT]) if scale.has_current else (NAN, NAN, 1.0)
    mode = float(data[MODE, -1])
    return Dwell(
        from_s=float(data[TIME, 0]),
        to_s=float(data[TIME, -1]),
        n=float(n),
        demand=level_of(data[DEMAND]),
        demand_se=max(demand_sd, scale.demand_noise) / math.sqrt(n),
        current_a=current_a,
        current_se_a=current_sd_a / math.sqrt(independent),
        current_sd_a=current_sd_a,
        pressure_bar=pressure_bar,
        pressure_se_bar=pressure_se_bar,
        pressure_moves_bar=moves_bar,
        arrival=arrival,
        producing=float(means[STATE] == PRODUCING),  # the least of the codes
        oil_degc=_mean(data[OIL], means[OIL]),
        supply_v=_mean(data[SUPPLY], means[SUPPLY]),
        mode=mode if mode == mode and (data[MODE] == mode).all() else NAN,
        flat=float(flat),
        coil_v=_mean(data[COIL_V], means[COIL_V]),
        clock_s=float(data[CLOCK, -1]),
        pressure_moved_bar=moved_bar,
        pressure_sd_bar=pressure_sd_bar,
    )


def late_samples(n: int) -> int:
    """How many of the samples of a dwell its pressure is read over: the last 40 %, at least ten."""
    return max(int(0.4 * n), min(n, 10))


def late_s(dwell: Dwell) -> float:
    """How long the part of a dwell is over which its pressure is read (s)."""
    return late_samples(round(dwell.n)) / dwell.n * (dwell.to_s - dwell.from_s)


def _change(values: FloatArray) -> float:
    """Mean of the second half less that of the first."""
    half = values.size // 2
    return mean_of(values[half:]) - mean_of(values[:half])


def _scatter(values: FloatArray) -> tuple[float, float, float]:
    """Mean, standard deviation, and number of independent readings that are worth as much (AR(1), lag 1)."""
    n = values.size
    mean = mean_of(values)
    centred = values - mean
    power = float(centred @ centred)
    if power <= 0.0 or n < 3:
        return mean, math.sqrt(power / n), float(n)
    rho = min(max(float(centred[1:] @ centred[:-1]) / power, 0.0), 0.95)
    return mean, math.sqrt(power / n), max(n * (1.0 - rho) / (1.0 + rho), 1.0)


def _mean(values: FloatArray, mean: float) -> float:
    """Mean of the readings there are, NaN without any; `mean`: of all, NaN where one failed."""
    if math.isfinite(mean):
        return mean
    finite = values[np.isfinite(values)]
    return mean_of(finite) if finite.size else NAN
