"""From values to a converter's integers: noise, aliased dither, rounding, ends of range, a stuck reading."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from asleft.sim.dither import fundamental_share
from asleft.sim.effective import electrical
from asleft.sim.faults import LATEST_S, Fault, FaultKind
from asleft.sim.march import Chunk, generator
from asleft.sim.model import Sensor, ValveModel

FloatArray = npt.NDArray[np.float64]
Int16Array = npt.NDArray[np.int16]

DISCRETE = ("enable", "pump_running", "mode")
#: Below this current (A) a driver has nothing to put dither on.
LEAST_DITHERED_A = 0.02


def sensor_of(model: ValveModel, channel: str) -> Sensor:
    """The measuring chain of an analogue channel."""
    chains = {
        "command": model.command_chain,
        "current": model.current_sensor,
        "pressure": model.pressure_sensor,
        "supply": model.supply_sensor,
        "oil_temperature": model.oil_sensor,
        "coil_voltage": model.coil_voltage_sensor,
    }
    if channel not in chains:
        raise KeyError(f"{channel!r} is no analogue channel")
    return chains[channel]


def unit_of(model: ValveModel, channel: str) -> str:
    """Unit of a channel's values."""
    units = {
        "command": model.signal_unit,
        "current": "A",
        "pressure": "bar",
        "supply": "V",
        "coil_voltage": "V",
        "oil_temperature": "degC",
    }
    return units.get(channel, "1")


class Converter:
    """All recorded channels of one lane; keeps its place in the noise and what a stuck reading shows."""

    def __init__(self, model: ValveModel, key: str, start_s: float, rate_hz: float) -> None:
        self.model = model
        self._start_s = start_s
        self._rate_hz = rate_hz
        self._noise = {channel: generator(key, channel) for channel in model.records if channel not in DISCRETE}
        self.dither_phase = float(generator(key, "dither phase").random())
        self._stuck = [fault for fault in model.faults if fault.kind is FaultKind.READING_STUCK]
        self._late = [fault for fault in model.faults if fault.kind is FaultKind.READING_LATE]
        self._noisy = [fault for fault in model.faults if fault.kind is FaultKind.READING_NOISY]
        self._held: dict[str, int] = {}
        self._before: dict[str, FloatArray] = {}  # of late channels: the values of the last `LATEST_S`
        self._done = 0

    def convert(self, chunk: Chunk, lane: int, dither_a: float) -> dict[str, Int16Array]:
        """Counts of every recorded channel for one chunk, each (samples,). `dither_a`: as the driver demands it."""
        model = self.model
        span = model.at_full - model.at_zero
        out: dict[str, Int16Array] = {}
        for channel in model.records:
            if channel == "command":
                counts = self._analogue(channel, model.at_zero + span * chunk.demand[lane])
            elif channel == "current":
                counts = self._analogue(channel, chunk.current_a[lane] + self._alias(chunk, lane, dither_a))
            elif channel == "pressure":
                counts = self._analogue(channel, chunk.pressure_bar[lane])
            elif channel == "supply":
                counts = self._analogue(channel, chunk.supply_v[lane])
            elif channel == "coil_voltage":
                counts = self._analogue(channel, chunk.coil_v[lane])
            elif channel == "oil_temperature":
                counts = self._analogue(channel, chunk.oil_degc[lane])
            else:
                track = {"enable": chunk.enable, "pump_running": chunk.pump, "mode": chunk.mode}[channel]
                counts = track[lane].astype(np.int16)
            out[channel] = self._hold(channel, counts)
        self._done += chunk.demand.shape[1]
        return out

    def _analogue(self, channel: str, values: FloatArray) -> Int16Array:
        sensor = sensor_of(self.model, channel)
        counts = self._noise[channel].standard_normal(values.size, dtype=np.float32) * np.float32(
            sensor.noise / sensor.scale
        )
        if any(fault.channel == channel for fault in self._noisy):
            counts *= np.float32(1.0) + self._amount(self._noisy, channel, values.size).astype(np.float32)
        if any(fault.channel == channel for fault in self._late):
            values = self._delayed(channel, values)
        counts = counts + (values - sensor.low) * (1.0 / sensor.scale)
        full = 2**sensor.bits - 1
        np.rint(counts, out=counts)
        np.minimum(counts, full, out=counts)
        np.maximum(counts, -(full // 20), out=counts)
        return counts.astype(np.int16)

    def _amount(self, faults: list[Fault], channel: str, samples: int) -> FloatArray:
        """Sum of the amounts of `faults` of `channel` at each of the chunk's samples, (samples,)."""
        time_s = self._start_s + (self._done + np.arange(samples)) / self._rate_hz
        mine = [fault for fault in faults if fault.channel == channel]
        return np.array([sum(fault.size(at_s) for fault in mine) for at_s in time_s.tolist()])

    def _delayed(self, channel: str, values: FloatArray) -> FloatArray:
        """Values as they come when each is late by the amount in force at its arrival."""
        kept = round(LATEST_S * self._rate_hz)
        before = self._before.get(channel, np.full(kept, values[0] if values.size else 0.0))
        known = np.concatenate((before, values))
        late = np.minimum(np.rint(self._amount(self._late, channel, values.size) * self._rate_hz), kept)
        self._before[channel] = known[known.size - kept :].copy()
        return np.asarray(known[kept + np.arange(values.size) - late.astype(np.int64)])

    def _alias(self, chunk: Chunk, lane: int, dither_a: float) -> FloatArray | float:
        """What the current reading's filter leaves of the dither, sampled far too slowly to look like dither."""
        model = (
            electrical(self.model, self._start_s + self._done / self._rate_hz) if self.model.faults else self.model
        )
        share = fundamental_share(model.dither_shape, model.dither_frequency_hz, model.coil_time_constant_s)
        through = 1.0 / np.hypot(1.0, model.dither_frequency_hz / model.current_sensor.low_pass_hz)
        peak_a = 0.5 * dither_a * share * through
        if peak_a < 0.02 * model.current_sensor.scale:
            return 0.0
        time_s = (self._done + np.arange(chunk.demand.shape[1])) / self._rate_hz
        phase = self.dither_phase + model.dither_frequency_hz * time_s
        return np.asarray(peak_a * np.sin(2.0 * np.pi * phase) * (chunk.true_current_a[lane] > LEAST_DITHERED_A))

    def _hold(self, channel: str, counts: Int16Array) -> Int16Array:
        """Freeze a stuck channel at the last count before its fault began (at its first, if none was seen)."""
        for fault in self._stuck:
            if fault.channel != channel or counts.size == 0:
                continue
            first = self._first_stuck(fault)
            if first >= counts.size:
                self._held[channel] = int(counts[-1])
                continue
            held = int(counts[first - 1]) if first > 0 else self._held.get(channel, int(counts[0]))
            counts[first:] = held
            self._held[channel] = held
        return counts

    def _first_stuck(self, fault: Fault) -> int:
        """Index in the present chunk of the first sample at or after the fault's onset; 0 if it lies behind."""
        index = int(np.ceil((fault.onset_s - self._start_s) * self._rate_hz - 1e-6)) - self._done
        return max(0, index)
