"""Marches a set of lanes through their programmes and hands out what could be seen, chunk by chunk."""

from __future__ import annotations

import functools
import math
import random
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from asleft.sim.closed_loop import OuterLoops
from asleft.sim.coil import resistance_ohm, steady_temperature_degc
from asleft.sim.engine import BLOCK_S, BlockResult, Engine
from asleft.sim.model import ValveModel
from asleft.sim.programme import Programme, ambient_degc, check_programme, coil_warmth, oil_degc, segments
from asleft.sim.render import Int8Array, Renderer, Tracks

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

#: No simulation step is longer than this.
LONGEST_STEP_S = 0.005
#: Time over which a lane's mean heat is taken from its programme before it starts.
HEAT_AHEAD_S = 120.0


@dataclass(eq=False, frozen=True, slots=True)
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
        ambient = self._each(self._ambient)
        coil = np.array([self._coil_at_start(lane, float(ambient[lane])) for lane in range(len(self.models))])
        self.engine = Engine(self.models, self.starts_s, self.step_s, coil)
        self.engine.settle_heat(ambient, coil)
        self._block = self.engine.block
        if any(model.outer_loop is not None for model in self.models):
            self._block = OuterLoops(self.engine, [generator(key, "outer loop") for key in self.keys]).block
        self._settled = False
        self._room: _Room | None = None

    def _each(self, of: Callable[[ValveModel, float], float]) -> FloatArray:
        """A function of model and time (unix seconds) for each lane, now."""
        since_s = self._step * self.step_s
        return np.array([of(m, s + since_s) for m, s in zip(self.models, self.starts_s, strict=True)])

    def _coil_at_start(self, lane: int, ambient: float) -> float:
        """Coil temperature at the start: its steady one at work, as far as it has warmed up by then."""
        model = self.models[lane]
        thermal = model.winding_k_per_w + model.body_k_per_w
        steady = steady_temperature_degc(ambient, mean_square_a2(model), model.coil_resistance_ohm, thermal)
        return ambient + (steady - ambient) * coil_warmth(self.starts_s[lane], self.programme)

    def chunk(self, blocks: int) -> Chunk:
        """March `blocks` blocks of half a second on and return what happened, valid until the next call."""
        steps_per_block = self.samples_per_block * self.steps_per_sample
        if self._room is None or self._room.blocks != blocks:
            self._room = _Room.of(blocks, len(self.models), steps_per_block, self.samples_per_block)
        room = self._room
        for lane, renderer in enumerate(self._renderers):
            renderer.write(lane, self._step, room.tracks)
            self._noise[lane].standard_normal(out=room.noise[lane], dtype=np.float32)
        if not self._settled:
            self.engine.settle_idle(room.tracks.enable[:, 0], room.tracks.pump[:, 0])
            self._settled = True
        ambient_now, oil_now = self._each(self._ambient), self._each(self._oil)
        for block in range(blocks):
            self.engine.lanes.refresh(self._step * self.step_s, steps_per_block * self.step_s)
            steps = slice(block * steps_per_block, (block + 1) * steps_per_block)
            result = self._block(room.tracks, steps, room.noise, oil_now, ambient_now)
            self._keep(result, slice(block * self.samples_per_block, (block + 1) * self.samples_per_block))
            self._step += steps_per_block
        every = self.steps_per_sample
        tracks = room.tracks
        return Chunk(
            demand=room.demand,
            current_a=room.current_a,
            pressure_bar=room.pressure_bar,
            supply_v=room.supply_v,
            coil_v=room.coil_v,
            oil_degc=np.broadcast_to(oil_now[:, None], room.demand.shape),
            true_current_a=room.true_current_a,
            in_control=room.in_control,
            clipped=room.clipped,
            enable=tracks.enable[:, ::every],
            pump=tracks.pump[:, ::every],
            mode=tracks.mode[:, ::every],
            state=tracks.state[:, ::every],
        )

    def _keep(self, result: BlockResult, samples: slice) -> None:
        """Take the samples out of a block's steps, lane by lane."""
        room, every, own = self._room, self.steps_per_sample, self.engine.lanes
        if room is None:
            raise RuntimeError("a block was kept before there was room for it")
        room.demand[:, samples] = result.command[::every].T
        room.current_a[:, samples] = result.current_a[::every].T
        room.pressure_bar[:, samples] = result.pressure_bar[::every].T
        room.true_current_a[:, samples] = result.true_current_a[::every].T
        room.in_control[:, samples] = result.in_control[::every].T
        room.clipped[:, samples] = result.clipped[::every].T
        true_a = room.true_current_a[:, samples]
        room.supply_v[:, samples] = own.supply_v[:, None] - own.source_ohm[:, None] * true_a
        room.coil_v[:, samples] = true_a * resistance_ohm(own.at_20_ohm, self.engine.coil_degc)[:, None]

    def _ambient(self, model: ValveModel, time_s: float) -> float:
        return ambient_degc(model, time_s, self.programme)

    def _oil(self, model: ValveModel, time_s: float) -> float:
        return oil_degc(model, time_s, self.programme)


@dataclass(eq=False, frozen=True, slots=True)
class _Room:
    """Arrays of one chunk, used again by the next: asking the system for fresh memory costs more than the physics."""

    blocks: int
    tracks: Tracks
    noise: npt.NDArray[np.float32]
    demand: FloatArray
    current_a: FloatArray
    pressure_bar: FloatArray
    true_current_a: FloatArray
    supply_v: FloatArray
    coil_v: FloatArray
    in_control: BoolArray
    clipped: BoolArray

    @classmethod
    def of(cls, blocks: int, lanes: int, steps_per_block: int, samples_per_block: int) -> _Room:
        shape = (lanes, blocks * samples_per_block)
        steps = blocks * steps_per_block
        return cls(
            blocks=blocks,
            tracks=Tracks.empty(lanes, steps),
            noise=np.empty((lanes, steps), np.float32),
            demand=np.empty(shape),
            current_a=np.empty(shape),
            pressure_bar=np.empty(shape),
            true_current_a=np.empty(shape),
            supply_v=np.empty(shape),
            coil_v=np.empty(shape),
            in_control=np.empty(shape, np.bool_),
            clipped=np.empty(shape, np.bool_),
        )


@functools.lru_cache(maxsize=4096)
def mean_square_a2(model: ValveModel) -> float:
    """Mean square current (A^2) the driver is asked for over some minutes of production, ramps taken as steps."""
    square_s, last_s = 0.0, 0.0
    for segment in segments(model, 0.0, "production", random.Random(0)):
        level = 0.5 * (segment.command0 + segment.command1)
        current_a = model.current_at_zero_a + level * (model.current_at_full_a - model.current_at_zero_a)
        square_s += current_a**2 * (segment.until_s - last_s)
        last_s = segment.until_s
        if last_s >= HEAT_AHEAD_S:
            break
    return square_s / last_s


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
