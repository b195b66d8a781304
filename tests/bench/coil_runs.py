"""Cold starts and warm coils of the simulator through the judge, against the bounds of `dither_bound`.

A cold start is a Monday morning's first 80 seconds; that no current flowed in the three hours before is put into the
judge's state instead of being simulated. The winding is as cold as the oil there; the error of the oil thermometer
(3 K, as the judge assumes) and the gains of both readings are drawn for each start and applied to the result, which
they scale, so that efficiency (without them) and honesty (with them) rest on the same runs.
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np
from asleft.judge.coil.coil import ColdCoil, by_voltage, copper, telling
from asleft.judge.coil.coldsoak import SOAK_S, START_S, take_cold
from asleft.judge.decide import Estimate
from asleft.judge.features import Dwell
from asleft.judge.judge import begin, step
from asleft.judge.state import JudgeState
from asleft.judge.types import Samples
from asleft.sheet.model import Instrument, Sheet, Signal, SignalKind, Tolerance
from asleft.sim.calendar import ZONE
from asleft.sim.model import ALL_CHANNELS, ValveModel, default_valve
from asleft.sim.recording import Recording, simulate
from dither_bound import cold_bound, efficiency, share, steady_bound, with_converter
from report import Goal, Report

CURRENT_U_A = 0.008  # expanded, of calibration
VOLTAGE_U_V = 0.2
OIL_U_K = 3.0
FIRST_MONDAY = datetime(2026, 1, 12, 6, 0, tzinfo=ZONE)
COLD_S, WARM_S = 80.0, 40.0
BATCH = 20


@dataclass(frozen=True, slots=True)
class CoilRun:
    """Errors over their bounds of R at 20 degC after a cold start and of R now; whether the interval held; the share
    of the information on R that lies in samples taken while the current moved.
    """

    cold: float
    cold_held: bool
    now: float
    now_held: bool
    moving: float


def models(batch: int) -> list[ValveModel]:
    """Some valves with coils, windings and surroundings of their own."""
    chance = random.Random(batch)
    return [
        replace(
            default_valve(),
            valve_id=f"press-{batch}.bench-{k}",
            records=(*ALL_CHANNELS, "coil_voltage"),
            coil_resistance_ohm=chance.uniform(7.0, 12.0),
            winding_k_per_w=chance.uniform(1.0, 3.0),
            ambient_degc=chance.uniform(20.0, 40.0),
        )
        for k in range(BATCH)
    ]


def sheet_for(model: ValveModel) -> Sheet:
    """What the judge is told of one."""
    return told_sheet(
        model,
        {
            "current_at_zero": model.current_at_zero_a,
            "current_at_full": model.current_at_full_a,
            "ramp_up": model.ramp_up_s,
            "ramp_down": model.ramp_down_s,
            "coil_resistance": model.coil_resistance_ohm,
        },
    )


def told_sheet(model: ValveModel, left: dict[str, float]) -> Sheet:
    """A sheet with these quantities as left, a tenth of each as tolerance, and instruments of the coil's circuit."""
    return Sheet(
        valve=model.valve_id,
        signal=Signal(SignalKind.MA_4_20, "mA", 4.0, 20.0),
        as_left=left,
        tolerance={name: Tolerance(0.1 * value, 0.1 * value) for name, value in left.items()},
        instruments={
            "current": Instrument(expanded_uncertainty=CURRENT_U_A),
            "coil_voltage": Instrument(expanded_uncertainty=VOLTAGE_U_V),
        },
    )


def batch_of(batch: int) -> list[CoilRun | None]:
    """One batch, simulated side by side; None for a morning that begins with a set-up and gives no answer."""
    cold = models(batch)
    steady = [replace(m, winding_k_per_w=0.0, body_k_per_w=0.0) for m in cold]
    monday = FIRST_MONDAY + timedelta(weeks=batch % 40)  # local time: six o'clock in summer too
    starts = [monday.timestamp() - 5.0] * BATCH
    colds = simulate(cold, starts, COLD_S, seed=batch, programme="day", burst_every_s=0.0)
    warms = simulate(steady, starts, WARM_S, seed=batch, programme="production", burst_every_s=0.0)
    rng = np.random.default_rng(batch)
    return [_run(model, a, b, rng) for model, a, b in zip(cold, colds, warms, strict=True)]


def _run(model: ValveModel, cold: Recording, warm: Recording, rng: np.random.Generator) -> CoilRun | None:
    sheet = sheet_for(model)
    judged = _judged_cold(sheet, cold)
    if judged is None:
        return None
    state, told = judged
    sd_v = with_converter(model.coil_voltage_sensor.noise, model.coil_voltage_sensor.scale)
    sd_a = with_converter(model.current_sensor.noise, model.current_sensor.scale)
    true_ohm = model.coil_resistance_ohm
    rows = telling([d for d in state.dwells if told.from_s <= d.from_s <= told.to_s], sheet)
    bound = cold_bound(
        true_ohm * copper(told.temperature_degc),
        heat_since(cold, [0.5 * (d.from_s + d.to_s) for d in rows]),
        [d.current_a for d in rows],
        [d.n for d in rows],
        sd_v,
        sd_a,
    ) / copper(told.temperature_degc)
    off = _gains(rows, rng)
    oil_off = copper(told.temperature_degc) / copper(told.temperature_degc + OIL_U_K * rng.standard_normal())
    value = told.ohm * off * oil_off
    systematic = value * math.hypot(told.gain, told.temperature_share)
    held = abs(value - true_ohm) <= Estimate(value, told.se_ohm, told.dof, systematic).expanded()
    return CoilRun((told.ohm - true_ohm) / bound, held, *_warm(model, sheet, warm, (sd_v, sd_a), rng))


def _warm(
    model: ValveModel, sheet: Sheet, warm: Recording, sd: tuple[float, float], rng: np.random.Generator
) -> tuple[float, bool, float]:
    """R now, of a coil whose temperature stands still."""
    samples = _samples(warm)
    state = step(sheet, begin(sheet), samples).state
    rows = telling(state.dwells, sheet)
    found = by_voltage(state.dwells, sheet)
    if found is None:
        raise ValueError(f"no dwell told a resistance of {warm.valve_id}")
    ohm = model.coil_resistance_ohm * copper(warm.truth.coil_degc[0])
    bound = steady_bound(ohm, [d.current_a for d in rows], [d.n for d in rows], *sd)
    value = found.ohm * _gains(rows, rng)
    held = abs(value - ohm) <= Estimate(value, found.se_ohm, found.dof, found.systematic_ohm).expanded()
    all_of_it = float(np.sum(samples.channels["current"] ** 2))
    return (found.ohm - ohm) / bound, held, 1.0 - sum(d.n * d.current_a**2 for d in rows) / all_of_it


def _judged_cold(sheet: Sheet, cold: Recording) -> tuple[JudgeState, ColdCoil] | None:
    samples = _samples(cold, oil_degc=cold.truth.coil_degc[0])
    state = begin(sheet)
    state.soak.quiet_since_s = float(samples.time_s[0]) - SOAK_S - 36_000.0
    state.soak.last_s = float(samples.time_s[0]) - 0.01
    state = step(sheet, state, samples).state
    take_cold(state.dwells, sheet, state.soak, closed=True)
    return (state, state.soak.colds[-1]) if state.soak.colds else None


def _samples(recording: Recording, oil_degc: float | None = None) -> Samples:
    channels = {name: recording.values(name) for name in recording.counts}
    if oil_degc is not None:
        channels["oil_temperature"] = np.full(recording.time_s.size, oil_degc)
    return Samples(recording.time_s, channels)


def heat_since(recording: Recording, times_s: Sequence[float]) -> list[float]:
    """Integral of the current squared (A^2 s) from the recording's beginning to some times."""
    total = np.cumsum(recording.values("current") ** 2) * float(np.diff(recording.time_s[:2])[0])
    out: list[float] = np.interp(times_s, recording.time_s, total).tolist()
    return out


def _gains(rows: Sequence[Dwell], rng: np.random.Generator) -> float:
    """What wrong gains of voltage and current do to a resistance taken from some dwells."""
    volt = 0.5 * VOLTAGE_U_V / _typical(rows, "coil_v")
    ampere = 0.5 * CURRENT_U_A / _typical(rows, "current_a")
    return float((1.0 + volt * rng.standard_normal()) / (1.0 + ampere * rng.standard_normal()))


def _typical(rows: Sequence[Dwell], name: str) -> float:
    weight = np.array([d.n * d.current_a**2 for d in rows])
    return float(np.average([getattr(d, name) for d in rows], weights=weight))


def coil_table(report: Report, count: int, workers: int) -> None:
    """Run and put lines and goals into the report."""
    batches = max(1, math.ceil(count / BATCH))
    with ProcessPoolExecutor(workers) as pool:
        every = [run for batch in pool.map(batch_of, range(batches)) for run in batch]
    runs = [run for run in every if run is not None]
    report.logs += 2 * len(every)  # a cold start and a warm coil each
    report.lines += [
        "",
        f"coil, {len(runs)} Monday mornings of {START_S:.0f} s, warm coils of {WARM_S:.0f} s, settled samples only:",
        f"  of all information on R {100 * np.mean([r.moving for r in runs]):.0f} % lies in samples taken while the",
        "  current moved, where voltage and current pass different filters: no estimator of R alone can use it",
        f"  ({len(every) - len(runs)} further mornings began with a set-up and gave no answer)",
    ]
    for name, errors, hits in (
        ("R at 20 degC after a cold start", [r.cold for r in runs], sum(r.cold_held for r in runs)),
        ("R now", [r.now for r in runs], sum(r.now_held for r in runs)),
    ):
        value, interval = efficiency(errors)
        report.lines.append(f"  {name:34} efficiency {value:.2f} ({interval[0]:.2f} to {interval[1]:.2f})")
        report.goals.append(Goal(f"efficiency of {name}", value, at_least=0.8, interval=interval))
        held, range_ = share(hits, len(runs))
        report.goals.append(Goal(f"95 % intervals of {name} that hold the truth", held, 93.0, 97.0, range_, "%"))
