"""Marches a set of lanes through their programmes and hands out what could be seen, chunk by chunk."""

from __future__ import annotations

import math
import random
import zlib
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from asleft.sim.coil import resistance_ohm, steady_temperature_degc
from asleft.sim.engine import BLOCK_S, Engine
from asleft.sim.model import ValveModel
from asleft.sim.programme import Programme, ambient_degc, check_programme, coil_warmth, oil_degc, segments
from asleft.sim.render import Int8Array, Renderer, Tracks

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

#: No simulation step is longer than this.
LONGEST_STEP_S = 0.005
#: Time over which a lane's mean heat is taken from its programme before it starts.
HEAT_AHEAD_S = 120.0


@dataclass(frozen=True, slots=True)
class Chunk:
    """What one chunk holds, one row per lane, one column per sample; analogue values before noise and converter."""

    demand: FloatArray  # filtered command, 0..1
    current_a: FloatArray
    pressure_bar: FloatArray
    supply_v: FloatArray
    coil_v: FloatArray
    oil_degc: FloatArray
    true_current_a: FloatArray
    in_control: BoolArray
    clipped: BoolArray
    enable: Int8Array
    pump: Int8Array
    mode: Int8Array
    state: Int8Array


class March:
    """Lanes on their way. Each lane's course depends on its own valve, start and seed, not on its neighbours."""

    def __init__(
        self,
        models: Sequence[ValveModel],
        starts_s: Sequence[float],
        *,
        rate_hz: float,
        seed: int,
        programme: Programme,
    ) -> None:
        check_programme(programme)
        if not 1.0 <= rate_hz <= 1000.0:
            raise ValueError(f"rate_hz must lie in 1..1000, not {rate_hz}")
        self.models = tuple(models)
        self.starts_s = tuple(float(start_s) for start_s in starts_s)
        self.rate_hz = rate_hz
        self.programme = programme
        self.steps_per_sample = max(1, math.ceil(1.0 / (rate_hz * LONGEST_STEP_S) - 1e-9))
        self.step_s = 1.0 / (rate_hz * self.steps_per_sample)
        self.samples_per_block = max(1, round(BLOCK_S * rate_hz))
        self.keys = lane_keys(self.models, self.starts_s, seed)
        self._noise = [generator(key, "wire") for key in self.keys]
        self._renderers = [
            Renderer(segments(model, start_s, programme, random.Random(f"{key} programme")), start_s, self.step_s)
            for model, start_s, key in zip(self.models, self.starts_s, self.keys, strict=True)
        ]
        self._step = 0
        ambient = self._each(ambient_degc)
        coil = np.array([self._coil_at_start(lane, float(ambient[lane])) for lane in range(len(self.models))])
        self.engine = Engine(self.models, self.starts_s, self.step_s, coil)
        self.engine.settle_heat(ambient, coil)
        self._settled = False

    def _each(self, of: object) -> FloatArray:
        """A function of (model, time) for each lane, now."""
        if not callable(of):
            raise TypeError("needs a function of model and time")
        since_s = self._step * self.step_s
        return np.array(
            [of(m, s + since_s) for m, s in zip(self.models, self.starts_s, strict=True)], dtype=np.float64
        )

    def _coil_at_start(self, lane: int, ambient: float) -> float:
        """Coil temperature at the start: its steady one under this programme, as far as it has warmed up by then."""
        model, start_s = self.models[lane], self.starts_s[lane]
        square_s, total_s, last_s = 0.0, 0.0, start_s
        rng = random.Random(f"{self.keys[lane]} heat")
        for segment in segments(model, start_s, "production", rng):
            length_s = segment.until_s - last_s
            level = 0.5 * (segment.command0 + segment.command1)
            current_a = model.current_at_zero_a + level * (model.current_at_full_a - model.current_at_zero_a)
            square_s += current_a**2 * length_s
            total_s += length_s
            last_s = segment.until_s
            if total_s >= HEAT_AHEAD_S:
                break
        thermal = model.winding_k_per_w + model.body_k_per_w
        steady = steady_temperature_degc(ambient, square_s / total_s, model.coil_resistance_ohm, thermal)
        return ambient + (steady - ambient) * coil_warmth(start_s, self.programme)

    def chunk(self, blocks: int) -> Chunk:
        """March `blocks` blocks of half a second on and return what happened."""
        lanes = len(self.models)
        steps_per_block = self.samples_per_block * self.steps_per_sample
        steps, samples = blocks * steps_per_block, blocks * self.samples_per_block
        tracks = Tracks.empty(lanes, steps)
        noise = np.empty((lanes, steps), np.float32)
        for lane, renderer in enumerate(self._renderers):
            renderer.write(lane, self._step, tracks)
            self._noise[lane].standard_normal(out=noise[lane], dtype=np.float32)
        if not self._settled:
            self.engine.settle_idle(tracks.enable[:, 0], tracks.pump[:, 0])
            self._settled = True
        fast = [np.empty((lanes, samples)) for _ in range(4)]
        supply, coil_v, oil = (np.empty((lanes, samples)) for _ in range(3))
        in_control, clipped = np.empty((lanes, samples), np.bool_), np.empty((lanes, samples), np.bool_)
        ambient_now, oil_now = self._each(ambient_degc), self._each(self._oil)
        every = self.steps_per_sample
        for block in range(blocks):
            self.engine.lanes.refresh(self._step * self.step_s, steps_per_block * self.step_s)
            here = slice(block * steps_per_block, (block + 1) * steps_per_block)
            result = self.engine.block(tracks, here, noise, oil_now, ambient_now)
            there = slice(block * self.samples_per_block, (block + 1) * self.samples_per_block)
            for store, seen in zip(
                fast, (result.command, result.current_a, result.pressure_bar, result.true_current_a), strict=True
            ):
                store[:, there] = seen[::every].T
            in_control[:, there] = result.in_control[::every].T
            clipped[:, there] = result.clipped[::every].T
            true_a = fast[3][:, there]
            own = self.engine.lanes
            supply[:, there] = own.supply_v[:, None] - own.source_ohm[:, None] * true_a
            coil_v[:, there] = true_a * resistance_ohm(own.at_20_ohm, self.engine.coil_degc)[:, None]
            self._step += steps_per_block
        oil[:] = oil_now[:, None]
        return Chunk(
            fast[0],
            fast[1],
            fast[2],
            supply,
            coil_v,
            oil,
            fast[3],
            in_control,
            clipped,
            tracks.enable[:, ::every],
            tracks.pump[:, ::every],
            tracks.mode[:, ::every],
            tracks.state[:, ::every],
        )

    def _oil(self, model: ValveModel, time_s: float) -> float:
        return oil_degc(model, time_s, self.programme)


def lane_keys(models: Sequence[ValveModel], starts_s: Sequence[float], seed: int) -> list[str]:
    """One name per lane for its random numbers; a repeat of the same valve and start gets numbers of its own."""
    seen: dict[str, int] = {}
    keys = []
    for model, start_s in zip(models, starts_s, strict=True):
        name = f"{seed} {model.valve_id} {start_s:.3f}"
        seen[name] = seen.get(name, -1) + 1
        keys.append(f"{name} {seen[name]}")
    return keys


def generator(key: str, stream: str) -> np.random.Generator:
    """Random numbers of one stream of one lane, the same whatever else is simulated beside it."""
    words = [zlib.crc32(f"{key} {stream}".encode()), zlib.crc32(f"{stream} {key}".encode())]
    return np.random.Generator(np.random.SFC64(np.random.SeedSequence(words)))
