"""Currents and ramps from spoilt logs: error against stated uncertainty, or why not observed, one row per kind."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from asleft.judge.judge import judge_log
from asleft.judge.types import FloatArray, Samples
from asleft.sheet.model import MadeBy
from asleft.sim.model import Sensor, ValveModel
from production import Log, logs, shared, sheet_of, valves
from scenes import PARTIAL_CYCLE

QUANTITIES = ("current_at_zero", "current_at_full", "ramp_up", "ramp_down")
_FINE_HZ = 500.0
_LASTS_S = 120.0

Spoil = Callable[[Samples, np.random.Generator], Samples]
Change = Callable[[ValveModel], ValveModel]


@dataclass(frozen=True, slots=True)
class Kind:
    """One row: how the valve is changed, how often it is read, what is done to the samples."""

    name: str
    change: Change = lambda model: model
    spoil: Spoil = lambda samples, _: samples
    every: int = 5  # of the simulated samples, 500 a second; 0: at random, every 10 ms on average
    left_share: float = 1.0  # of the true ramps that the sheet says
    controller: bool = False


def _channel(samples: Samples, name: str, values: FloatArray) -> Samples:
    return Samples(samples.time_s, {**samples.channels, name: values}, samples.bursts)


def _jitter(samples: Samples, rng: np.random.Generator) -> Samples:
    """Stamped up to some milliseconds off when they were taken, order kept."""
    stamp = np.maximum.accumulate(samples.time_s + 0.002 * rng.standard_normal(samples.time_s.size))
    stamp += 1e-6 * np.arange(stamp.size)
    return Samples(stamp, samples.channels, samples.bursts)


def _gaps(samples: Samples, rng: np.random.Generator) -> Samples:
    keep = np.ones(samples.time_s.size, dtype=bool)
    for _ in range(8):
        first = int(rng.integers(keep.size))
        keep[first : first + int(rng.integers(20, 200))] = False
    return Samples(samples.time_s[keep], {k: v[keep] for k, v in samples.channels.items()}, samples.bursts)


def _late(seconds: float) -> Spoil:
    def spoil(samples: Samples, _: np.random.Generator) -> Samples:
        late = np.interp(samples.time_s - seconds, samples.time_s, samples.channels["current"])
        return _channel(samples, "current", late)

    return spoil


def _spikes(samples: Samples, rng: np.random.Generator) -> Samples:
    out = samples
    for name, size in (("current", 0.4), ("command", 0.3 * float(np.ptp(samples.channels["command"])))):
        values = samples.channels[name].copy()
        at = rng.random(values.size) < 0.002
        values[at] += size * rng.choice((-1.0, 1.0), int(at.sum()))
        out = _channel(out, name, values)
    return out


def _stuck(samples: Samples, _: np.random.Generator) -> Samples:
    values = samples.channels["current"].copy()
    n = values.size
    values[n // 2 : n // 2 + n // 6] = values[n // 2]
    return _channel(samples, "current", values)


def _quiet(model: ValveModel) -> ValveModel:
    """No noise to speak of: the converters' steps are all there is."""
    command = model.command_chain
    return replace(
        model,
        current_sensor=replace(model.current_sensor, noise=1e-5),
        command_sensor=Sensor(command.low, command.high, 1e-6, low_pass_hz=command.low_pass_hz),
        dither_amplitude_a=1e-6,
    )


def _unfiltered(frequency_hz: float | None) -> Change:
    def change(model: ValveModel) -> ValveModel:
        model = replace(model, current_sensor=replace(model.current_sensor, low_pass_hz=2000.0))
        return model if frequency_hz is None else replace(model, dither_frequency_hz=frequency_hz)

    return change


def _hard(model: ValveModel) -> ValveModel:
    sensor = replace(model.current_sensor, low_pass_hz=14.0)
    return replace(model, ramp_up_s=0.3, ramp_down_s=0.3, cycle=PARTIAL_CYCLE, current_sensor=sensor)


KINDS = (
    Kind("as it comes"),
    Kind("command noise 0.3 %", lambda m: replace(m, command_noise_pct=0.3)),
    Kind("command noise 0.07 %, clipped", lambda m: replace(m, command_noise_pct=0.07)),
    Kind("12-bit steps and no noise", _quiet),
    Kind("time stamps 2 ms off", spoil=_jitter),
    Kind("gaps, 8 of 0.2 to 2 s", spoil=_gaps),
    Kind("current late by 20 ms", spoil=_late(0.02)),
    Kind("current late by 50 ms", spoil=_late(0.05)),
    Kind("spikes, 2 in 1000", spoil=_spikes),
    Kind("current stuck for 20 s", spoil=_stuck),
    Kind("irregular sampling", every=0),
    Kind("10 Hz", every=50),
    Kind("20 Hz", every=25),
    Kind("50 Hz", every=10),
    Kind("250 Hz", every=2),
    Kind("ramps twice as long as left", left_share=0.5),
    Kind("dither unfiltered", _unfiltered(None)),
    Kind("dither unfiltered, 100.3 Hz", _unfiltered(100.3)),
    Kind("0.3 s ramps in strokes of 20 %", _hard),
    Kind("controller's own ramps", lambda m: replace(m, controller_ramp_s=8.0), controller=True),
)


def spoilt_log(kind: Kind, log: Log, seed: int) -> Samples:
    """The log as this kind of logger would have it."""
    samples, rng = log.samples, np.random.default_rng(seed)
    if kind.every == 0:
        taken = np.sort(rng.choice(samples.time_s.size, samples.time_s.size // 5, replace=False))
    else:
        taken = np.arange(0, samples.time_s.size, kind.every)
    samples = Samples(samples.time_s[taken], {k: v[taken] for k, v in samples.channels.items()}, samples.bursts)
    return kind.spoil(samples, rng)


def row(job: tuple[int, int]) -> tuple[dict[str, list[tuple[float, float]]], Counter[str]]:
    """For kind `job[0]` and `job[1]` valves: (error, U) of each quantity, and reasons why some are not observed."""
    number, count = job
    kind, seed = KINDS[number], 300 + number
    models = [kind.change(m) for m in valves(count, seed, dither=True, command_noise_pct=0.02)]
    found: dict[str, list[tuple[float, float]]] = {name: [] for name in QUANTITIES}
    reasons: Counter[str] = Counter()
    for k, log in enumerate(logs(models, _LASTS_S, seed, rate_hz=_FINE_HZ, finer=1)):
        truth = log.recording.truth.as_left
        left = {**truth, **{name: kind.left_share * truth[name] for name in QUANTITIES[2:]}}
        sheet = sheet_of(log.model, {name: value for name, value in left.items() if value > 0.0})
        if kind.controller:
            sheet = replace(sheet, signal=replace(sheet.signal, made_by=MadeBy.CONTROLLER_RAMPS))
        quantities = {q.id: q for q in judge_log(sheet, spoilt_log(kind, log, k)).quantities}
        for name in QUANTITIES:
            value, expanded = quantities[name].as_found, quantities[name].uncertainty
            if value is None or expanded is None:
                reasons[quantities[name].reason] += 1
            else:
                found[name].append((value - truth[name], expanded))
    return found, reasons


def table(full: bool, workers: int) -> tuple[list[str], list[tuple[str, float]]]:
    """Lines of the table, and per kind the share of all values seen that lie inside U (NaN where none is seen)."""
    count, kinds = (30, range(len(KINDS))) if full else (1, range(0, len(KINDS), 3))
    lines = [f"{'':32}{''.join(f'{name:>22}' for name in QUANTITIES)}   (median |error| / U, share inside U)"]
    shares = []
    for number, (found, reasons) in zip(kinds, shared(row, [(k, count) for k in kinds], workers), strict=True):
        kind = KINDS[number]
        cells, hits = [], []
        for name in QUANTITIES:
            ratio = np.array([abs(error) / expanded for error, expanded in found[name]])
            hits += (ratio <= 1.0).tolist()
            seen = f"{np.median(ratio):.2f}  {100 * np.mean(ratio <= 1.0):3.0f} %" if ratio.size else "-"
            cells.append(f"{seen:>22}")
        lines.append(f"{kind.name:32}{''.join(cells)}")
        lines += [f"{'':34}not observed {times} x: {reason}" for reason, times in reasons.most_common(2)]
        shares.append((kind.name, float(np.mean(hits)) if hits else float("nan")))
    return lines, shares
