"""Recordings of simulated valves: what a logger would hold, and beside it the truth."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from asleft.sim.bursts import FastBurst, burst
from asleft.sim.converter import DISCRETE, Converter, sensor_of, unit_of
from asleft.sim.effective import electrical
from asleft.sim.march import Chunk, March, generator
from asleft.sim.model import ValveModel
from asleft.sim.programme import Programme
from asleft.sim.truth import STATE_NAMES, Truth, as_left_of, settings_at

FloatArray = npt.NDArray[np.float64]
Int16Array = npt.NDArray[np.int16]

#: Blocks of half a second marched before the converters run.
CHUNK_BLOCKS = 60


@dataclass(eq=False, frozen=True, slots=True)
class Recording:
    """One valve over one stretch of time.

    `time_s` (n,) unix seconds; `counts[channel]` int16 (n,), value = offset[channel] + scale[channel] * count in
    units[channel].
    """

    valve_id: str
    time_s: FloatArray
    counts: dict[str, Int16Array]
    scale: dict[str, float]
    offset: dict[str, float]
    units: dict[str, str]
    bursts: tuple[FastBurst, ...]
    truth: Truth

    def values(self, channel: str) -> FloatArray:
        """Readings of `channel` in its unit, (n,). Raises KeyError for one that was not recorded."""
        return np.asarray(self.offset[channel] + self.scale[channel] * self.counts[channel].astype(np.float64))


def simulate(
    valves: Sequence[ValveModel],
    starts_s: Sequence[float],
    duration_s: float,
    *,
    rate_hz: float = 100.0,
    seed: int = 1,
    programme: Programme = "production",
    burst_every_s: float = 20.0,
) -> list[Recording]:
    """One recording of `duration_s` per pair of `valves` and `starts_s` (unix seconds), in their order.

    A recording is the same whatever else is simulated in the same call. `burst_every_s` 0 records no bursts.
    Faults that begin within a recording take effect at the next half second of it.
    Raises ValueError if the two sequences differ in length or a number is out of its range.
    """
    if len(valves) != len(starts_s):
        raise ValueError(f"needs one start for each valve: {len(valves)} valves, {len(starts_s)} starts")
    if not duration_s > 0:
        raise ValueError(f"duration_s must be above 0 s, not {duration_s}")
    if burst_every_s < 0:
        raise ValueError(f"burst_every_s must be >= 0 s, not {burst_every_s}")
    if not valves:
        return []
    march = March(valves, starts_s, rate_hz=rate_hz, seed=seed, programme=programme)
    coil_before = march.engine.coil_degc
    takers = [_Taker(march, lane, burst_every_s) for lane in range(len(valves))]
    samples = max(1, round(duration_s * rate_hz))
    blocks = math.ceil(samples / march.samples_per_block)
    done = 0
    while done < blocks:
        now = min(CHUNK_BLOCKS, blocks - done)
        chunk = march.chunk(now)
        for taker in takers:
            taker.take(chunk)
        done += now
    coil_after = march.engine.coil_degc
    return [
        taker.recording(samples, (float(before), float(after)))
        for taker, before, after in zip(takers, coil_before, coil_after, strict=True)
    ]


class _Taker:
    """Gathers one lane's chunks."""

    def __init__(self, march: March, lane: int, burst_every_s: float) -> None:
        self.march, self.lane = march, lane
        self.model, self.start_s = march.models[lane], march.starts_s[lane]
        self.converter = Converter(self.model, march.keys[lane], self.start_s, march.rate_hz)
        self.counts: dict[str, list[Int16Array]] = {channel: [] for channel in self.model.records}
        self.truths: list[tuple[npt.NDArray[np.int8], npt.NDArray[np.bool_], npt.NDArray[np.bool_]]] = []
        self.bursts: list[FastBurst] = []
        takes_bursts = burst_every_s > 0 and "current" in self.model.records
        self._every_blocks = (
            max(1, round(burst_every_s * march.rate_hz / march.samples_per_block)) if takes_bursts else 0
        )
        self._burst_rng = generator(march.keys[lane], "burst")
        self._blocks = 0

    def take(self, chunk: Chunk) -> None:
        """Convert and keep one chunk."""
        lanes, lane = self.march.engine.lanes, self.lane
        dither_a = float(lanes.dither_a[lane])
        for channel, counts in self.converter.convert(chunk, lane, dither_a).items():
            self.counts[channel].append(counts)
        self.truths.append((chunk.state[lane].copy(), chunk.in_control[lane].copy(), chunk.clipped[lane].copy()))
        per_block = self.march.samples_per_block
        for block in range(chunk.demand.shape[1] // per_block):
            if self._every_blocks and (self._blocks + block) % self._every_blocks == self._every_blocks // 2:
                self._burst(
                    chunk, block * per_block, (self._blocks + block) * per_block / self.march.rate_hz, dither_a
                )
        self._blocks += chunk.demand.shape[1] // per_block

    def _burst(self, chunk: Chunk, first: int, since_s: float, dither_a: float) -> None:
        lane, rate_hz = self.lane, self.march.rate_hz
        last = first + math.ceil(self.model.burst_s * rate_hz) + 1
        self.bursts.append(
            burst(
                electrical(self.model, self.start_s + since_s),
                start_s=self.start_s + since_s,
                since_s=since_s,
                slow_a=chunk.true_current_a[lane, first:last],
                slow_rate_hz=rate_hz,
                dither_a=dither_a,
                dither_phase=self.converter.dither_phase,
                supply_v=float(chunk.supply_v[lane, first]),
                coil_degc=float(self.march.engine.coil_degc[lane]),
                rng=self._burst_rng,
            )
        )

    def recording(self, samples: int, coil_degc: tuple[float, float]) -> Recording:
        """All chunks as one recording of `samples` samples."""
        model = self.model
        time_s = self.start_s + np.arange(samples) / self.march.rate_hz
        analogue = [channel for channel in model.records if channel not in DISCRETE]
        scale = dict.fromkeys(model.records, 1.0) | {c: sensor_of(model, c).scale for c in analogue}
        offset = dict.fromkeys(model.records, 0.0) | {c: sensor_of(model, c).low for c in analogue}
        state, in_control, clipped = (np.concatenate(part)[:samples] for part in zip(*self.truths, strict=True))
        truth = Truth(
            state=state.astype(np.int8, copy=False),
            state_names=STATE_NAMES,
            in_control=in_control.astype(np.bool_, copy=False),
            clipped=clipped.astype(np.bool_, copy=False),
            settings=settings_at(model, float(time_s[samples // 2])),
            as_left=as_left_of(model),
            faults=model.faults,
            coil_degc=coil_degc,
        )
        ends_s = float(time_s[-1])
        return Recording(
            valve_id=model.valve_id,
            time_s=time_s,
            counts={channel: np.concatenate(parts)[:samples] for channel, parts in self.counts.items()},
            scale=scale,
            offset=offset,
            units={channel: unit_of(model, channel) for channel in model.records},
            bursts=tuple(b for b in self.bursts if b.start_s + model.burst_s <= ends_s + 0.02),
            truth=truth,
        )
