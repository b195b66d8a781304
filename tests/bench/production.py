"""Simulated logs for the benchmark of estimators: random valves in production, and what they were made with."""

from __future__ import annotations

import random
import sys
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent / "judge"))

from asleft.judge.types import FastBurst, Samples
from asleft.sim.march import lane_keys
from asleft.sim.model import Sensor, ValveModel
from asleft.sim.programme import segments
from asleft.sim.recording import Recording, simulate
from asleft.sim.render import Renderer, Tracks
from lanes import START_S, sheet_of
from log_bounds import Chain, Step, Truth, with_converter
from scenes import random_model

Argument = TypeVar("Argument")
Result = TypeVar("Result")

#: The command's noise in converter steps: from half a step on a converter averages out.
NOISE_STEPS = 0.6


@dataclass(frozen=True)
class Log:
    """One log and what it was made with."""

    model: ValveModel
    recording: Recording
    samples: Samples
    steps: tuple[Step, ...]

    @property
    def truth(self) -> Truth:
        """For the bounds."""
        model = self.model
        reading_s = 1.0 / (2.0 * np.pi * model.current_sensor.low_pass_hz)
        return Truth(
            model.current_at_zero_a,
            model.current_at_full_a,
            model.ramp_up_s,
            model.ramp_down_s,
            (model.loop_time_constant_s, reading_s),
            1.0 / (2.0 * np.pi * model.command_chain.low_pass_hz),
            clipped=model.command_noise_pct > 0.0,
        )

    @property
    def chain(self) -> Chain:
        """Noise of one reading."""
        current, command = self.model.current_sensor, self.model.command_chain
        span = self.model.at_full - self.model.at_zero
        return Chain(
            with_converter(current.noise, current.scale), with_converter(command.noise, command.scale) / span
        )


def valves(count: int, seed: int, *, dither: bool, command_noise_pct: float) -> list[ValveModel]:
    """Random healthy valves; without `dither` as good as none reaches the slow current reading."""
    rng = random.Random(seed)
    out = []
    for number in range(count):
        model = random_model(rng)
        high = 1.1 * model.at_full
        model = replace(
            model,
            valve_id=f"press-{number + 1}.valve",
            command_sensor=Sensor(0.0, high, NOISE_STEPS * high / 4095.0, low_pass_hz=20.0),
            command_noise_pct=command_noise_pct,
        )
        out.append(model if dither else replace(model, dither_amplitude_a=1e-6))
    return out


def logs(
    models: Sequence[ValveModel], duration_s: float, seed: int, *, rate_hz: float = 100.0, finer: int = 5
) -> Iterator[Log]:
    """Simulate all of them; every `finer`-th sample is kept, so that the simulation's own steps are no error."""
    fine_hz = rate_hz * finer
    recordings = simulate(models, [START_S] * len(models), duration_s, seed=seed, rate_hz=fine_hz, burst_every_s=0.0)
    for model, recording in zip(models, recordings, strict=True):
        channels = {name: recording.values(name)[::finer] for name in recording.counts}
        bursts = tuple(FastBurst(b.start_s, b.rate_hz, b.values()) for b in recording.bursts)
        samples = Samples(recording.time_s[::finer], channels, bursts)
        yield Log(model, recording, samples, command_steps(model, duration_s, seed, min(0.005, 1.0 / fine_hz)))


def command_steps(model: ValveModel, duration_s: float, seed: int, step_s: float) -> tuple[Step, ...]:
    """The steps that the simulated controller makes, times from the log's beginning."""
    key = lane_keys([model], [START_S], seed)[0]
    renderer = Renderer(segments(model, START_S, "production", random.Random(f"{key} programme")), START_S, step_s)
    tracks = Tracks.empty(1, round(duration_s / step_s))
    renderer.write(0, 0, tracks)
    wire = tracks.command[0]
    return tuple(Step(k * step_s, float(wire[k]), float(wire[k + 1])) for k in np.flatnonzero(np.diff(wire)).tolist())


def shared(work, jobs: Sequence[Argument], workers: int) -> list[Result]:  # type: ignore[no-untyped-def]
    """Results of `work` for all jobs, in their order, over `workers` processes (in this one if one)."""
    if workers <= 1:
        return [work(job) for job in jobs]
    with ProcessPoolExecutor(max_workers=workers) as pool:
        return list(pool.map(work, jobs))


__all__ = ["START_S", "Log", "command_steps", "logs", "shared", "sheet_of", "valves"]
