"""From the simulator's recordings to what the judge takes: sheets, samples, blocks."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from asleft.judge.judge import StepOutcome, begin, step
from asleft.judge.state import JudgeState, dumps, loads
from asleft.judge.types import FastBurst, Judgement, QuantityResult, Samples
from asleft.sheet.model import QUANTITY_UNITS, Instrument, Sheet, Signal, SignalKind, Tolerance
from asleft.sim.model import ValveModel
from asleft.sim.recording import Recording, simulate

START_S = 1.7640e9
_KINDS = {"4-20mA": SignalKind.MA_4_20, "0-10V": SignalKind.V_0_10, "0-5V": SignalKind.V_0_5}


@dataclass(frozen=True)
class Lane:
    """One simulated valve, its sheet and its recording."""

    model: ValveModel
    recording: Recording
    sheet: Sheet
    samples: Samples

    @property
    def truth(self) -> Mapping[str, float]:
        """True settings in the middle of the recording."""
        return self.recording.truth.settings

    @property
    def left(self) -> Mapping[str, float]:
        return self.recording.truth.as_left


def record(
    models: Mapping[str, ValveModel], *, duration_s: float, seed: int, programme: str = "production"
) -> dict[str, Lane]:
    """Simulate all models at once."""
    named = [replace(model, valve_id=f"{name}.valve") for name, model in models.items()]
    recordings = simulate(named, [START_S] * len(named), duration_s, seed=seed, programme=programme)
    return {
        name: Lane(model, recording, sheet_of(model, recording.truth.as_left), samples_of(recording))
        for name, model, recording in zip(models, named, recordings, strict=True)
    }


def tolerance_of(name: str, left: Mapping[str, float]) -> Tolerance:
    """The usual tolerances, as the sheet reader would fill them in."""
    span = left["current_at_full"] - left["current_at_zero"]
    full = left["pressure_at_full"]
    width = {
        "current_at_zero": max(0.01, 0.02 * span),
        "current_at_full": max(0.01, 0.02 * span),
        "ramp_up": max(0.05, 0.1 * left["ramp_up"]),
        "ramp_down": max(0.05, 0.1 * left["ramp_down"]),
        "dither_frequency": 0.1 * left["dither_frequency"],
        "dither_amplitude": 0.25 * left["dither_amplitude"],
        "pressure_at_zero": 0.02 * full,
        "pressure_at_full": 0.02 * full,
        "hysteresis": 2.0,
        "coil_resistance": 0.1 * left["coil_resistance"],
        "supply_voltage": 0.1 * left["supply_voltage"],
    }[name]
    if name == "hysteresis":
        return Tolerance(float("inf"), width)
    if name == "supply_voltage":
        return Tolerance(width, float("inf"))
    return Tolerance(width, width)


def sheet_of(model: ValveModel, left: Mapping[str, float]) -> Sheet:
    """The sheet a technician would have left for this valve."""
    kept = {name: float(value) for name, value in left.items() if name in QUANTITY_UNITS}
    return Sheet(
        valve=model.valve_id,
        signal=Signal(
            _KINDS[model.signal], model.signal_unit, model.at_zero, model.at_full, off_below_pct=model.off_below_pct
        ),
        as_left=kept,
        tolerance={name: tolerance_of(name, left) for name in kept},
        instruments={"current": Instrument(low_pass_hz=model.current_sensor.low_pass_hz)},
    )


def samples_of(recording: Recording) -> Samples:
    channels = {name: recording.values(name) for name in recording.counts}
    bursts = tuple(FastBurst(b.start_s, b.rate_hz, b.values()) for b in recording.bursts)
    return Samples(recording.time_s, channels, bursts)


def part(samples: Samples, a: int, b: int) -> Samples:
    """Samples a..b with the bursts that begin before b and after a."""
    time_s = samples.time_s[a:b]
    first = -np.inf if a == 0 else samples.time_s[a]
    last = np.inf if b >= samples.time_s.size else samples.time_s[b]
    bursts = tuple(x for x in samples.bursts if first <= x.start_s < last)
    return Samples(time_s, {name: values[a:b] for name, values in samples.channels.items()}, bursts)


def blocks(samples: Samples, sizes: Sequence[int]) -> Iterator[Samples]:
    """Cut into blocks of these sizes, the last size repeated until the end."""
    at = k = 0
    while at < samples.time_s.size:
        size = sizes[min(k, len(sizes) - 1)]
        yield part(samples, at, at + size)
        at, k = at + size, k + 1


def run(
    sheet: Sheet,
    samples: Samples,
    sizes: Sequence[int],
    *,
    horizon_s: float | None = None,
    state: JudgeState | None = None,
    through_text: bool = False,
) -> StepOutcome:
    """Judge block by block; `through_text` stores and reloads the state between any two blocks."""
    now = begin(sheet, horizon_s=horizon_s) if state is None else state
    outcome: StepOutcome | None = None
    for block in blocks(samples, sizes):
        outcome = step(sheet, loads(dumps(now)) if through_text else now, block)
        now = outcome.state
    assert outcome is not None
    return outcome


def by_id(judgement: Judgement) -> dict[str, QuantityResult]:
    return {quantity.id: quantity for quantity in judgement.quantities}


def causes(judgement: Judgement) -> set[str]:
    """Kinds of findings that hang under nothing."""
    return {finding.kind for finding in judgement.findings if finding.consequence_of is None}
