"""A controller that closes the pressure loop outside the valve's driver: it reads the gauge and makes the command.

Every `sample_s` it compares gauge and set point and sends u = feed_forward x level + gain x error + integral,
held until its next sample (a PI controller; the integral stands still where the command is at an end, conditional
integration). The set point of a cycle's level is the pressure that the valve as left gives there. While the load
makes the pressure (approach, return) the controller sends the level itself and closes the loop again without a jump,
as presses do that close their loop only under load. What the loop must reject is a slow random load: a first-order
Gauss-Markov process added to the pressure that the valve allows.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from asleft.sim.characteristic import opening, static_pressure_bar
from asleft.sim.cycles import RIGID_BAR
from asleft.sim.engine import BlockResult, Engine
from asleft.sim.render import Tracks

FloatArray = npt.NDArray[np.float64]

#: The controllers of all lanes act on multiples of this (s); a sample time is rounded to it.
TICK_S = 0.02
#: Load (bar) from which the loop is closed.
CLOSED_FROM_BAR = 0.5 * RIGID_BAR


@dataclass(eq=False, slots=True)
class _Numbers:
    """Parameters of the lanes with a loop, side by side, shape (loops,)."""

    lane: npt.NDArray[np.intp]
    gain: FloatArray  # share of command per bar
    integral_s: FloatArray
    forward: FloatArray
    gauge_bar: FloatArray
    load_bar: FloatArray
    load_s: FloatArray
    step: FloatArray
    every: npt.NDArray[np.int64]  # ticks


class OuterLoops:
    """The controllers of a march. Lanes without one pass through unchanged."""

    def __init__(self, engine: Engine, generators: Sequence[np.random.Generator]) -> None:
        self.engine = engine
        self.steps_per_tick = max(1, round(TICK_S / engine.step_s))
        self.tick_s = self.steps_per_tick * engine.step_s
        self._generators = generators
        models = engine.lanes.models
        lanes = [lane for lane, model in enumerate(models) if model.outer_loop is not None]
        loops = [loop for model in models if (loop := model.outer_loop) is not None]

        def each(name: str) -> FloatArray:
            return np.array([getattr(loop, name) for loop in loops], dtype=np.float64)

        self._p = _Numbers(
            lane=np.array(lanes, dtype=np.intp),
            gain=each("gain_pct_per_bar") / 100.0,
            integral_s=each("integral_s"),
            forward=each("feed_forward"),
            gauge_bar=each("gauge_noise_bar"),
            load_bar=each("load_bar"),
            load_s=each("load_time_s"),
            step=each("command_step_pct") / 100.0,
            every=np.maximum(np.rint(each("sample_s") / self.tick_s).astype(np.int64), 1),
        )
        self._tick = 0
        self._command = np.zeros(len(lanes))
        self._integral = np.zeros(len(lanes))
        self._load = np.zeros(len(lanes))
        self._closed = np.zeros(len(lanes), dtype=bool)

    def set_point_bar(self, level: FloatArray) -> FloatArray:
        """Pressure (bar) the valves of the loops give at `level` (0..1) as left, shape (loops,)."""
        lanes, at = self.engine.lanes, self._p.lane
        low, high = lanes.valve_zero_a[at], lanes.valve_full_a[at]
        span = high - low
        w = opening(low + level * span, low, high)
        return static_pressure_bar(w, lanes.zero_bar[at], lanes.full_bar[at], lanes.bow[at], np.zeros(at.size))

    def block(
        self,
        tracks: Tracks,
        steps: slice,
        command_noise: npt.NDArray[np.float32],
        oil_degc: FloatArray,
        ambient_degc: FloatArray,
    ) -> BlockResult:
        """March as `Engine.block` does, tick by tick, the loops' commands written over their levels in `tracks`."""
        parts = []
        p, lanes = self._p, self.engine.lanes
        ticks = math.ceil((steps.stop - steps.start) / self.steps_per_tick)
        random = [self._generators[lane].standard_normal((ticks, 2)) for lane in p.lane]
        keep = np.exp(-self.tick_s / p.load_s)
        for number in range(ticks):
            first = steps.start + number * self.steps_per_tick
            now = slice(first, min(first + self.steps_per_tick, steps.stop))
            draw = np.array([r[number] for r in random])
            self._load = keep * self._load + np.sqrt(1.0 - keep**2) * p.load_bar * draw[:, 1]
            self.engine.disturbance_bar[p.lane] = self._load
            pressure = self.engine.sensed[2 * lanes.count :][p.lane] + p.gauge_bar * draw[:, 0]
            level = tracks.command[p.lane, first]
            closed = (tracks.load_bar[p.lane, first] >= CLOSED_FROM_BAR) & (tracks.enable[p.lane, first] > 0)
            self._act(pressure, level, closed)
            tracks.command[p.lane, now] = self._command[:, None]
            parts.append(self.engine.block(tracks, now, command_noise, oil_degc, ambient_degc))
            self._tick += 1
        return BlockResult(
            *(np.concatenate([getattr(part, f.name) for part in parts]) for f in dataclasses.fields(BlockResult))
        )

    def _act(self, pressure_bar: FloatArray, level: FloatArray, closed: npt.NDArray[np.bool_]) -> None:
        """Renew the commands of the controllers whose turn it is."""
        p = self._p
        due = self._tick % p.every == 0
        error = self.set_point_bar(level) - pressure_bar
        base = p.forward * level + p.gain * error
        begins = due & closed & ~self._closed
        # Without a jump: the integral takes what the feed-forward and the error do not give of the present command.
        self._integral = np.where(begins, np.maximum(self._command - base, -1.0), self._integral)
        change = p.gain * error * p.every * self.tick_s / p.integral_s
        wanted = base + self._integral + change
        outward = ((wanted > 1.0) & (change > 0.0)) | ((wanted < 0.0) & (change < 0.0))
        self._integral = np.where(due & closed & ~outward, self._integral + change, self._integral)
        wanted = np.where(closed, base + self._integral, level)
        wanted = np.where(p.step > 0.0, np.rint(wanted / np.maximum(p.step, 1e-9)) * p.step, wanted)
        self._command = np.where(due, np.clip(wanted, 0.0, 1.0), self._command)
        self._closed = np.where(due, closed, self._closed)
