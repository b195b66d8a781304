"""A settled stretch as one row of numbers."""

from __future__ import annotations

import numpy as np
from asleft.judge.columns import CLOCK, COIL_V, CURRENT, DEMAND, MODE, OIL, PRESSURE, STATE, SUPPLY, TIME
from asleft.judge.features import NAN, Dwell
from asleft.judge.scale import Scale
from asleft.judge.states import PRODUCING
from asleft.judge.types import FloatArray


def dwell_of(data: FloatArray, scale: Scale, arrival: float, *, flat: bool) -> Dwell:
    """Features of one settled stretch, `data` of shape (ROWS, n).

    Pressure is read over the last 40 %, when it has followed. The standard errors allow for autocorrelation as an
    AR(1) process would have it; a slower disturbance makes them too small. `flat`: whether no trend is left.
    """
    n = data.shape[1]
    demand, current = data[DEMAND], data[CURRENT]
    late = data[:, n - max(int(0.4 * n), min(n, 10)) :]
    pressure = late[PRESSURE][np.isfinite(late[PRESSURE])]
    p_mean = p_se = p_moves = NAN
    if pressure.size >= 4:
        half = pressure.size // 2
        p_mean = float(pressure.mean())
        p_se = float(pressure.std()) / np.sqrt(_effective_n(pressure))
        p_moves = float(pressure[half:].mean() - pressure[:half].mean())
    return Dwell(
        from_s=float(data[TIME, 0]),
        to_s=float(data[TIME, -1]),
        n=float(n),
        demand=float(demand.mean()),
        demand_se=max(float(demand.std()), scale.demand_noise) / np.sqrt(n),
        current_a=float(current.mean()) if scale.has_current else NAN,
        current_se_a=float(current.std()) / np.sqrt(_effective_n(current)) if scale.has_current else NAN,
        current_sd_a=float(current.std()) if scale.has_current else NAN,
        pressure_bar=p_mean,
        pressure_se_bar=p_se,
        pressure_moves_bar=p_moves,
        arrival=arrival,
        producing=float(np.all(data[STATE] == PRODUCING)),
        oil_degc=_mean(data[OIL]),
        supply_v=_mean(data[SUPPLY]),
        mode=float(data[MODE, -1]) if np.all(data[MODE] == data[MODE, -1]) else NAN,
        flat=float(flat),
        coil_v=_mean(data[COIL_V]),
        clock_s=float(data[CLOCK, -1]),
    )


def _effective_n(values: FloatArray) -> float:
    """Number of independent readings that are worth as much, from the lag-1 autocorrelation (AR(1))."""
    n = values.size
    centred = values - values.mean()
    power = float(centred @ centred)
    if power <= 0.0 or n < 3:
        return float(n)
    rho = min(max(float(centred[1:] @ centred[:-1]) / power, 0.0), 0.95)
    return max(n * (1.0 - rho) / (1.0 + rho), 1.0)


def _mean(values: FloatArray) -> float:
    finite = values[np.isfinite(values)]
    return float(finite.mean()) if finite.size else NAN
