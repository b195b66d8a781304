"""Dither from bursts and the coil's resistance: against their bounds, honest or not, and told from hum and ripple.

    python tests/bench/judge_dither_coil.py [--full] [--workers 2]

Bursts are the simulator's (its driver, coil, switching ripple, instrument and 12-bit converter), cold starts its
Monday mornings. Logs of six bursts have a gain error of the current and an error of the clock of their own,
cold starts gain errors of current and voltage and an oil thermometer that is off.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from asleft.judge.decide import Estimate
from asleft.judge.dither import CLOCK, DitherBurst, Expected, dither_found, read_burst, remembered
from asleft.judge.types import FastBurst
from asleft.sheet.model import Sheet
from asleft.sim.bursts import burst
from asleft.sim.model import ValveModel, default_valve
from coil_runs import CURRENT_U_A, coil_table, told_sheet
from dither_bound import dither_bound, efficiency, peak_to_peak, share, with_converter
from report import Goal, Report, main

SHAPES = ("sine", "triangle", "square")
BURSTS = 6  # of one log


@dataclass(frozen=True, slots=True)
class Dithered:
    """One log: per burst errors over their bounds; per log errors over theirs, hits, and the greatest departures."""

    shape: str
    burst_hz: tuple[float, ...]
    burst_a: tuple[float, ...]
    log_hz: float
    log_a: float
    hit_hz: bool
    hit_a: bool
    within: int  # bursts within 0.1 Hz and 2 %
    worst_hz: float
    worst_share: float


def valve(chance: random.Random, shape: str) -> ValveModel:
    """A valve with dither of 25 to 120 mA in the coil, its ripple somewhere from 1.1 to 1.9 kHz."""
    base = replace(
        default_valve(),
        dither_frequency_hz=chance.uniform(60.0, 250.0),
        dither_shape=shape,  # type: ignore[arg-type]
        coil_inductance_h=chance.uniform(0.03, 0.08),
        pwm_frequency_hz=chance.uniform(1100.0, 1900.0),
    )
    share_in_coil = base.dither_in_coil_a(1.0)
    wanted = min(chance.uniform(0.025, 0.12), share_in_coil)
    return replace(base, dither_amplitude_a=wanted / share_in_coil)


def taken(model: ValveModel, rng: np.random.Generator, start_s: float) -> FastBurst:
    """One burst of the simulator at 0.6 A."""
    out = burst(
        model,
        start_s=start_s,
        since_s=start_s,
        slow_a=np.full(80, 0.6),
        slow_rate_hz=100.0,
        dither_a=model.dither_amplitude_a,
        dither_phase=float(rng.random()),
        supply_v=24.0,
        coil_degc=60.0,
        rng=rng,
    )
    return FastBurst(out.start_s, out.rate_hz, out.values())


def sheet_for(model: ValveModel) -> Sheet:
    """What the judge is told."""
    return told_sheet(
        model,
        {
            "current_at_zero": model.current_at_zero_a,
            "current_at_full": model.current_at_full_a,
            "coil_resistance": model.coil_resistance_ohm,
            "dither_frequency": model.dither_frequency_hz,
            "dither_amplitude": model.dither_in_coil_a(model.dither_amplitude_a),
        },
    )


def dither_log(seed: int) -> Dithered:
    """Simulate and judge one log of bursts."""
    chance, rng = random.Random(seed), np.random.default_rng(seed)
    shape = SHAPES[seed % len(SHAPES)]
    model = valve(chance, shape)
    sheet, sensor = sheet_for(model), model.burst_sensor
    hz, tau_s = model.dither_frequency_hz, model.coil_time_constant_s
    size = 0.5 * model.dither_amplitude_a
    true_a = peak_to_peak(shape, hz, size, tau_s)
    cut_hz = min(sensor.low_pass_hz, 0.5 * model.burst_rate_hz)
    bound_hz, bound_a = dither_bound(
        shape, hz, size, tau_s,
        rate_hz=model.burst_rate_hz, n=round(model.burst_s * model.burst_rate_hz), cut_hz=cut_hz,
        sigma=with_converter(sensor.noise, sensor.scale), ripple=(model.pwm_frequency_hz, 0.02),
    )  # fmt: skip
    gain = 1.0 + 0.5 * CURRENT_U_A / model.current_at_full_a * rng.standard_normal()
    clock = 1.0 + CLOCK * rng.standard_normal()
    expected = Expected(0.02 * true_a, hz, true_a)
    found: list[DitherBurst] = []
    for k in range(BURSTS):
        read = read_burst(taken(model, rng, 20.0 * k), expected)
        if read is not None:
            found.append(read[0])
    told_hz, told_a = dither_found(found, sheet)
    if not isinstance(told_hz, Estimate) or not isinstance(told_a, Estimate):
        raise TypeError(f"log {seed}: {told_hz} {told_a}")
    return Dithered(
        shape=shape,
        burst_hz=tuple((b.frequency_hz - hz) / bound_hz for b in found),
        burst_a=tuple((b.amplitude_a - true_a) / bound_a for b in found),
        log_hz=(told_hz.value - hz) / bound_hz * math.sqrt(BURSTS),
        log_a=(told_a.value - true_a) / bound_a * math.sqrt(BURSTS),
        hit_hz=abs(clock * told_hz.value - hz) <= clock * told_hz.expanded(),
        hit_a=abs(gain * told_a.value - true_a) <= gain * told_a.expanded(),
        within=sum(abs(b.frequency_hz - hz) <= 0.1 and abs(b.amplitude_a / true_a - 1.0) <= 0.02 for b in found),
        worst_hz=max(abs(b.frequency_hz - hz) for b in found),
        worst_share=max(abs(b.amplitude_a - true_a) for b in found) / true_a,
    )


def confusions(tries: int) -> Iterator[tuple[str, int, int]]:
    """How often what is no dither is told from it: case, right answers, tries."""
    rng = np.random.default_rng(77)
    n, rate_hz = 2500, 5000.0
    t = np.arange(n) / rate_hz
    right = dict.fromkeys(
        (
            "dither with hum of a sixth of it: 0.1 Hz and 2 %",
            "dither lost, hum left: lost",
            "dither beside folded ripple of half its size: 0.1 Hz and 2 %",
            "dither lost, folded ripple left that stood beside it: lost",
            "dither lost, lopsided folded ripple left: lost",
            "dither at half its size: 0.1 Hz and 2 %, changed",
            "dither moved by a quarter: 0.1 Hz and 2 %, changed",
        ),
        0,
    )
    cases = tuple(right)
    for _ in range(tries):
        hz, size = rng.uniform(60.0, 250.0), 0.06
        expected = Expected(0.02 * size, hz, size)
        noise = with_converter(0.002, 2.5 / 4095) * rng.standard_normal(n)
        mains = float(rng.choice([50.0, 60.0]) * rng.integers(1, 7) * rng.normal(1.0, 5e-4))
        hum = size / 12.0 * np.sin(2 * np.pi * (mains * t + rng.random()))
        alias = float(rng.uniform(25.0, 480.0))
        while abs(alias - hz) < 6.0 or min(abs(alias - k * hz) for k in (3, 5, 7)) < 6.0:
            alias = float(rng.uniform(25.0, 480.0))

        def ripple(duty: float, hz: float = alias, size: float = size) -> np.ndarray:
            turn = (hz * t) % 1.0
            return 0.5 * size * (np.where(turn < duty, turn / duty, (1.0 - turn) / (1.0 - duty)) - 0.5)

        def dither(hz: float = hz, size: float = size) -> np.ndarray:
            return 0.5 * size * np.sin(2 * np.pi * (hz * t + rng.random()))

        def read(
            values: np.ndarray, given: Expected = expected, noise: np.ndarray = noise
        ) -> tuple[DitherBurst, tuple[float, ...]]:
            out = read_burst(FastBurst(0.0, rate_hz, 0.6 + noise + values), given)
            if out is None:
                raise ValueError("a burst of half a second is measured")
            return out

        def exact(found: DitherBurst, hz: float = hz, size: float = size) -> bool:
            return abs(found.frequency_hz - hz) <= 0.1 and abs(found.amplitude_a / size - 1.0) <= 0.02

        clear = min(abs(mains - hz), abs(mains - 3 * hz)) > 3.0
        right[cases[0]] += exact(read(dither() + hum)[0]) if clear else 1
        right[cases[1]] += read(hum)[0].amplitude_a < 0.25 * size
        both, beside = read(dither() + ripple(0.5))
        right[cases[2]] += exact(both)
        known = replace(expected, other_hz=remembered((), both, beside, hz))
        right[cases[3]] += read(ripple(0.5), known)[0].amplitude_a < 0.25 * size
        far = abs(alias - hz) > 0.1 * hz + 2.0
        right[cases[4]] += read(ripple(0.3))[0].amplitude_a < 0.25 * size if far else 1
        right[cases[5]] += exact(read(dither(size=0.5 * size))[0], size=0.5 * size)
        right[cases[6]] += exact(read(dither(hz=1.25 * hz))[0], hz=1.25 * hz)
    for case, hits in right.items():
        yield case, hits, tries


def run(full: bool, workers: int = 1) -> Report:
    """The tables of dither and coil."""
    report = Report("Dither from bursts, and the coil's resistance")
    count = 2100 if full else 30
    with ProcessPoolExecutor(workers) as pool:
        logs = list(pool.map(dither_log, range(count), chunksize=max(1, count // (8 * workers))))
    report.logs = len(logs)
    _dither_table(report, logs)
    _confusion_table(report, 300 if full else 8)
    coil_table(report, 2000 if full else 20, workers)
    return report


def _dither_table(report: Report, logs: Sequence[Dithered]) -> None:
    report.lines += [
        f"{len(logs)} logs of {BURSTS} bursts; efficiency = Cramer-Rao bound / mean squared error",
        "wave          frequency: burst     log    amplitude: burst     log  worst Hz  worst %",
    ]
    for shape in SHAPES:
        mine = [log for log in logs if log.shape == shape]
        figures = {
            "frequency, burst": [e for log in mine for e in log.burst_hz],
            "frequency, log": [log.log_hz for log in mine],
            "amplitude, burst": [e for log in mine for e in log.burst_a],
            "amplitude, log": [log.log_a for log in mine],
        }
        found = {name: efficiency(errors) for name, errors in figures.items()}
        cells = [f"{found[name][0]:{width}.2f}" for name, width in zip(found, (20, 8, 20, 8), strict=True)]
        worst = (max(log.worst_hz for log in mine), 100.0 * max(log.worst_share for log in mine))
        report.lines.append(f"{shape:10}{''.join(cells)}{worst[0]:10.3f}{worst[1]:9.2f}")
        report.goals += [
            Goal(f"efficiency of {name}, {shape}", value, at_least=0.8, interval=interval)
            for name, (value, interval) in found.items()
        ]
        within, range_ = share(sum(log.within for log in mine), sum(len(log.burst_hz) for log in mine))
        report.goals.append(
            Goal(f"bursts within 0.1 Hz and 2 %, {shape}", within, at_least=99.0, interval=range_, unit="%")
        )
    for name, hits in (
        ("frequency", sum(log.hit_hz for log in logs)),
        ("amplitude", sum(log.hit_a for log in logs)),
    ):
        value, interval = share(hits, len(logs))
        report.goals.append(
            Goal(f"95 % intervals of dither {name} that hold the truth", value, 93.0, 97.0, interval, "%")
        )


def _confusion_table(report: Report, tries: int) -> None:
    report.lines += ["", f"told apart, right answers of {tries}:"]
    for case, hits, of in confusions(tries):
        value, interval = share(hits, of)
        report.lines.append(f"  {case:66}{value:7.1f} %")
        report.goals.append(Goal(case, value, at_least=95.0, interval=interval, unit="%"))


if __name__ == "__main__":
    main(run)
