"""Dwells and recordings of a coil whose resistance and temperature are known, made without the simulator."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from asleft.judge.features import Dwell
from asleft.judge.types import Samples
from asleft.sheet.model import Coil, Sheet, Tolerance
from synth import drive, dwell, sheet

R20_OHM = 11.0


def copper_ohm(degc: float, r20_ohm: float = R20_OHM) -> float:
    """IEC 60028: 0.00393 /K at 20 degC."""
    return r20_ohm * (1.0 + 0.00393 * (degc - 20.0))


def coil_sheet(**changes: object) -> Sheet:
    """The round sheet with a coil of 11 ohm at 20 degC and a corner of 90 degC and 21.6 V."""
    plain = sheet()
    given = {
        "as_left": {**plain.as_left, "coil_resistance": R20_OHM},
        "tolerance": {
            **plain.tolerance,
            "coil_resistance": Tolerance(1.1, 1.1),
            "headroom": Tolerance(10.0, float("inf")),
        },
        "coil": Coil(90.0, 21.6, 0.3, 1.2, 0.97),
    }
    return sheet(**{**given, **changes})


def warm_dwells(
    ohm: float,
    levels: Sequence[float] = (0.2, 0.5, 1.0),
    *,
    repeats: int = 5,
    supply_v: float = 24.0,
    noise_v: float = 0.0,
    seed: int = 1,
    every_s: float = 4.0,
) -> list[Dwell]:
    """Dwells of 300 samples with 0.2 + 0.8 u ampere through `ohm`, one every `every_s`."""
    rng = np.random.default_rng(seed)
    out = []
    for k in range(repeats * len(levels)):
        u = levels[k % len(levels)]
        ampere = 0.2 + 0.8 * u
        volt = ohm * ampere + noise_v * rng.standard_normal() / np.sqrt(300.0)
        out.append(dwell(u, ampere, from_s=every_s * k, to_s=every_s * k + 3.0, coil_v=volt, supply_v=supply_v))
    return out


def cold_start(
    *,
    degc: float = 18.0,
    oil_degc: float | None = 18.0,
    quiet_s: float = 3.2 * 3600.0,
    rate_hz: float = 10.0,
    work_s: float = 150.0,
    k_per_a2s: float = 0.02,
    start_s: float = 1e6,
    pause: tuple[float, float] | None = None,
    seed: int = 2,
) -> Samples:
    """A stop of `quiet_s`, then strokes between 20 and 100 %; each ampere squared second warms the winding."""
    rng = np.random.default_rng(seed)
    quiet, work = round(quiet_s * rate_hz), round(work_s * rate_hz)
    steps = round(work_s * 1000)
    demand = np.where((np.arange(steps) // 5000) % 2 == 0, 1.0, 0.2)
    shaped = drive(demand, up_s=1.0, down_s=1.0)[:: round(1000 / rate_hz)][:work]
    ampere = np.concatenate((np.zeros(quiet), 0.2 + 0.8 * shaped))
    warm = degc + np.cumsum(ampere**2) / rate_hz * k_per_a2s
    time_s = start_s + np.arange(quiet + work) / rate_hz
    n = time_s.size
    channels = {
        "command": 4.0
        + 16.0 * (np.concatenate((np.zeros(quiet), demand[:: round(1000 / rate_hz)][:work])))
        + 0.003 * rng.standard_normal(n),
        "current": np.abs(ampere + 4e-4 * rng.standard_normal(n)),
        "coil_voltage": ampere * R20_OHM * (1.0 + 0.00393 * (warm - 20.0)) + 0.02 * rng.standard_normal(n),
        "enable": np.concatenate((np.zeros(quiet), np.ones(work))),
        "pump_running": np.concatenate((np.zeros(quiet), np.ones(work))),
    }
    if oil_degc is not None:
        channels["oil_temperature"] = np.full(n, oil_degc)
    keep = np.ones(n, dtype=bool)
    if pause is not None:
        keep = ~((time_s - start_s > pause[0]) & (time_s - start_s < pause[1]))
    return Samples(time_s[keep], {name: values[keep] for name, values in channels.items()})
