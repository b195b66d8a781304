"""A driver made by hand, a thousand steps a second, independent of the judge's closed forms."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from asleft.judge.features import Dwell
from asleft.judge.intake.intake import CLOCK, DEMAND, ENABLED, ROWS, STATE, TIME, columns_of
from asleft.judge.intake.states import PRODUCING
from asleft.judge.types import Samples
from asleft.sheet.model import Characteristic, Sheet, Signal, SignalKind, Tolerance

MA = Signal(SignalKind.MA_4_20, "mA", 4.0, 20.0)


def sheet(**changes: object) -> Sheet:
    """A sheet with round numbers and every tolerance."""
    left = {
        "current_at_zero": 0.2,
        "current_at_full": 1.0,
        "ramp_up": 1.0,
        "ramp_down": 1.0,
        "dither_frequency": 100.0,
        "dither_amplitude": 0.1,
        "pressure_at_zero": 10.0,
        "pressure_at_full": 200.0,
        "supply_voltage": 24.0,
    }
    width = {
        "current_at_zero": 0.016,
        "current_at_full": 0.016,
        "ramp_up": 0.1,
        "ramp_down": 0.1,
        "dither_frequency": 10.0,
        "dither_amplitude": 0.025,
        "pressure_at_zero": 4.0,
        "pressure_at_full": 4.0,
        "supply_voltage": 2.4,
    }
    plain = Sheet("press-1.test", MA, left, {name: Tolerance(w, w) for name, w in width.items()})
    return replace(plain, **changes)  # type: ignore[arg-type]


def curved(**changes: object) -> Sheet:
    """The same sheet with a recorded characteristic, straight and without a loop."""
    current = tuple(np.linspace(0.2, 1.0, 9).tolist())
    bars = tuple(np.linspace(10.0, 200.0, 9).tolist())
    return sheet(characteristic=Characteristic(current, bars, bars), **changes)


def drive(
    demand: np.ndarray, *, up_s: float, down_s: float, lags_s: Sequence[float] = (0.02,), step_s: float = 1e-3
) -> np.ndarray:
    """Limited and lagged demand on the same grid: Euler for the limiter, exact steps for each lag."""
    rise, fall = step_s / max(up_s, 1e-9), step_s / max(down_s, 1e-9)
    r, out = float(demand[0]), []
    for u in np.clip(demand, 0.0, 1.0).tolist():
        change = u - r
        r += rise if change > rise else max(change, -fall)
        out.append(r)
    for tau in lags_s:
        share = float(1.0 - np.exp(-step_s / tau))
        out = list(itertools.accumulate(out, lambda y, x, share=share: y + share * (x - y)))
    return np.array(out)


def recording(
    levels: Sequence[float],
    *,
    hold_s: float = 2.0,
    up_s: float = 1.0,
    down_s: float = 1.0,
    lags_s: Sequence[float] = (0.02,),
    zero_a: float = 0.2,
    full_a: float = 1.0,
    rate_hz: float = 100.0,
    noise_a: float = 5e-4,
    noise_u: float = 3e-4,
    seed: int = 1,
    start_s: float = 1000.0,
    jitter_s: float = 0.02,
) -> Samples:
    """Steps from level to level, each held for about `hold_s`; command in mA and current in A."""
    rng = np.random.default_rng(seed)
    per = [round(1000 * (hold_s + rng.uniform(0, jitter_s))) for _ in levels]
    demand = np.repeat(np.asarray(levels, dtype=float), per)
    response = drive(demand, up_s=up_s, down_s=down_s, lags_s=lags_s)
    every = round(1000 / rate_hz)
    demand, response = demand[::every], response[::every]
    n = demand.size
    command = 4.0 + 16.0 * (demand + noise_u * rng.standard_normal(n))
    current = zero_a + (full_a - zero_a) * response + noise_a * rng.standard_normal(n)
    return Samples(start_s + np.arange(n) / rate_hz, {"command": command, "current": current})


def columns(demand: np.ndarray, *, rate_hz: float = 100.0, **rows: np.ndarray) -> np.ndarray:
    """A judge's matrix from demand and named rows, everything producing and enabled."""
    samples = Samples(np.arange(demand.size) / rate_hz, {"command": 4.0 + 16.0 * demand, **rows})
    out = columns_of(samples, MA)
    assert out.shape == (ROWS, demand.size)
    out[STATE], out[ENABLED] = PRODUCING, 1.0
    out[CLOCK] = out[TIME]
    assert np.allclose(out[DEMAND], demand, equal_nan=True)
    return out


def dwell(demand: float, current_a: float = np.nan, **changes: float) -> Dwell:
    """A quiet dwell of three seconds in production; anything may be said otherwise."""
    base = Dwell(
        from_s=0.0,
        to_s=3.0,
        n=300.0,
        demand=demand,
        demand_se=2e-5,
        current_a=current_a,
        current_se_a=5e-5,
        current_sd_a=8e-4,
        pressure_bar=np.nan,
        pressure_se_bar=0.05,
        pressure_moves_bar=0.0,
        arrival=1.0,
        producing=1.0,
        oil_degc=np.nan,
        supply_v=np.nan,
        mode=np.nan,
        flat=1.0,
        coil_v=np.nan,
        clock_s=3.0,
    )
    return base._replace(**changes)
