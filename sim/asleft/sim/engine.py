"""The physics, marched in fixed steps for all lanes at once.

A block is half a second: within it the slow things (coil temperature, supply, oil, faults) stand still, and all that
does not remember is computed for the whole block at once. Only what remembers the step before is a loop in time:
the ramp limiter, the current loop, the friction play, the pressure, the sensors' filters.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from asleft.sim import few_lanes
from asleft.sim.characteristic import oil_factor, opening, static_pressure_bar
from asleft.sim.coil import resistance_ohm, saturation_current_a
from asleft.sim.lanes import Lanes
from asleft.sim.model import ValveModel
from asleft.sim.render import Tracks

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

BLOCK_S = 0.5
_GOLDEN = 0.6180339887498949


@dataclass(eq=False, frozen=True, slots=True)
class BlockResult:
    """One block, one row per step: filtered readings (command as demand 0..1) and truths, each (steps, lanes)."""

    command: FloatArray
    current_a: FloatArray
    pressure_bar: FloatArray
    true_current_a: FloatArray
    in_control: BoolArray
    clipped: BoolArray


class Engine:
    """State of all lanes. `block` marches on; times are counted from each lane's own start."""

    def __init__(
        self, models: Sequence[ValveModel], starts_s: Sequence[float], step_s: float, coil_degc: FloatArray
    ) -> None:
        self.lanes = Lanes(models, starts_s, step_s)
        count = self.lanes.count
        self.step_s = step_s
        self.demand = np.zeros(count)
        self.disturbance_bar = np.zeros(count)  # a load that an outer loop must reject
        self.current_a = self.lanes.low_a.copy()
        self.spool_a = self.current_a + self.lanes.half_a
        self.pressure_bar = self.lanes.zero_bar.copy()
        self.sensed = np.concatenate([np.zeros(count), self.current_a, self.pressure_bar])
        self._target_before = self.current_a.copy()
        self._seen_before = self.sensed.copy()
        share = self.lanes.winding_k_per_w / (self.lanes.winding_k_per_w + self.lanes.body_k_per_w + 1e-12)
        self._ambient_degc = coil_degc.copy()
        self._winding_rise_k = np.zeros(count)
        self._body_rise_k = np.zeros(count)
        self._split = share
        self._slips = np.full(count, 0.5)  # draws the next break-away of a spool that sticks

    def settle_heat(self, ambient_degc: FloatArray, coil_degc: FloatArray) -> None:
        """Set the coil at `coil_degc`, its rise over `ambient_degc` shared between winding and body."""
        rise_k = coil_degc - ambient_degc
        self._ambient_degc = ambient_degc.copy()
        self._winding_rise_k = rise_k * self._split
        self._body_rise_k = rise_k * (1.0 - self._split)

    def settle_idle(self, enabled: npt.NDArray[np.int8], pumping: npt.NDArray[np.int8]) -> None:
        """Start lanes that are not enabled without current, and lanes without a pump without pressure."""
        off, dry = enabled == 0, pumping == 0
        self.current_a[off] = np.minimum(self.lanes.unwanted_a, self.lanes.low_a)[off]
        self.spool_a = self.current_a + self.lanes.half_a
        self.pressure_bar[dry] = 0.0
        count = self.lanes.count
        self.sensed[count : 2 * count] = self.current_a
        self.sensed[2 * count :] = self.pressure_bar
        self._target_before = self.current_a.copy()
        self._seen_before = self.sensed.copy()

    @property
    def coil_degc(self) -> FloatArray:
        """Temperature of the windings now, (lanes,)."""
        return np.asarray(self._ambient_degc + self.lanes.ambient_rise_k + self._winding_rise_k + self._body_rise_k)

    def block(
        self,
        tracks: Tracks,
        steps: slice,
        command_noise: npt.NDArray[np.float32],
        oil_degc: FloatArray,
        ambient_degc: FloatArray,
    ) -> BlockResult:
        """March through columns `steps` of `tracks` and `command_noise` (both (lanes, all steps))."""
        lanes = self.lanes
        self._ambient_degc = ambient_degc
        asked = np.ascontiguousarray(tracks.command[:, steps].T)
        asked *= lanes.asked_gain
        noise = command_noise[:, steps].T * lanes.command_noise
        wire = asked * lanes.wire_gain + lanes.wire_offset
        broken = lanes.wire < 0.5
        if broken.any():
            wire[:, broken] = lanes.broken_wire[broken]
        wire += noise
        asked += noise
        read = np.where(lanes.read_at_controller, asked, wire) if lanes.read_at_controller.any() else wire
        enable = tracks.enable[:, steps]
        on = None if enable.all() else np.ascontiguousarray(enable.T).astype(np.float64)
        demand = np.maximum(wire, 0.0)
        np.minimum(demand, 1.0, out=demand)

        limited = self._ramp(demand, on)
        current, clipped = self._current(demand, limited, on)
        spool = self._play(current * lanes.force)
        load = np.ascontiguousarray(tracks.load_bar[:, steps].T)
        pressure, in_control = self._pressure(spool, load, oil_degc)
        self._heat(current)
        sensed = self._sense(read, current, pressure)
        count = lanes.count
        return BlockResult(
            sensed[:, :count], sensed[:, count : 2 * count], sensed[:, 2 * count :], current, in_control, clipped
        )

    def _ramp(self, demand: FloatArray, on: FloatArray | None) -> FloatArray:
        """Demand after the driver's two ramps; zero while not enabled, so that enabling starts from zero."""
        up, down = self.lanes.up, self.lanes.down
        if self.lanes.count <= few_lanes.FEW:
            out = few_lanes.ramp(self.demand, demand, on, up, down)
            self.demand = out[-1].copy()
            return out
        out = np.empty_like(demand)
        last, change = self.demand, np.empty_like(self.demand)
        for index, (row, wanted) in enumerate(zip(out, demand, strict=True)):
            np.subtract(wanted, last, out=change)
            np.minimum(change, up, out=change)
            np.maximum(change, down, out=change)
            np.add(last, change, out=row)
            if on is not None:
                row *= on[index]
            last = row
        self.demand = last.copy()
        return out

    def _current(
        self, demand: FloatArray, limited: FloatArray, on: FloatArray | None
    ) -> tuple[FloatArray, BoolArray]:
        """Mean coil current after the current loop, and where supply and coil could not give what was demanded."""
        lanes = self.lanes
        target = np.empty((demand.shape[0] + 1, lanes.count))
        target[0] = self._target_before
        wanted = target[1:]
        np.multiply(limited, lanes.span_a, out=wanted)
        wanted += lanes.low_a
        if on is not None:
            wanted *= on
        if lanes.off_below.any():
            wanted *= (demand >= lanes.off_below) | (limited > lanes.off_below)
        if lanes.unwanted_a.any():
            np.maximum(wanted, lanes.unwanted_a, out=wanted)
        winding_ohm = resistance_ohm(lanes.at_20_ohm, self.coil_degc)
        most_a = lanes.coil * saturation_current_a(
            lanes.supply_v, lanes.drop_v, lanes.duty_max, winding_ohm, lanes.cable_ohm, lanes.source_ohm
        )
        np.minimum(most_a, lanes.limit_a, out=most_a)
        clipped = wanted > most_a
        np.minimum(wanted, most_a, out=wanted)
        current = np.empty_like(limited)
        lanes.loop.run(self.current_a, target, current)
        self._target_before = target[-1].copy()
        return current, clipped

    def _play(self, current: FloatArray) -> FloatArray:
        """Force on the spool after friction: it follows only when the current leaves a band of 2 r round it."""
        if self.lanes.stick_a.any():
            return self._stick_slip(current)
        low, high = current - self.lanes.half_a, current + self.lanes.half_a
        if self.lanes.count <= few_lanes.FEW:
            out = few_lanes.play(self.spool_a, low, high)
            self.spool_a = out[-1].copy()
            return out
        out = np.empty_like(current)
        last = self.spool_a
        for row, floor, ceiling in zip(out, low, high, strict=True):
            np.maximum(last, floor, out=row)
            np.minimum(row, ceiling, out=row)
            last = row
        self.spool_a = last.copy()
        return out

    def _stick_slip(self, current: FloatArray) -> FloatArray:
        """As `_play`, but the spool rests until the current is up to `stick_a` further away, then slides at once.

        How far, is drawn anew for each slip between half of it and all of it (golden-ratio sequence). Lanes whose
        `stick_a` is 0 move as without.
        """
        half, stick = self.lanes.half_a, self.lanes.stick_a
        low, high = current - half, current + half
        out = np.empty_like(current)
        last, further = self.spool_a, stick * (0.5 + 0.5 * self._slips)
        for row, floor, ceiling in zip(out, low, high, strict=True):
            np.maximum(last, floor, out=row)
            np.minimum(row, ceiling, out=row)
            away = np.abs(row - last)
            rests = away < further
            row[rests] = last[rests]
            slipped = ~rests & (stick > 0.0)
            if slipped.any():
                self._slips[slipped] = (self._slips[slipped] + _GOLDEN) % 1.0
                further = stick * (0.5 + 0.5 * self._slips)
            last = row
        self.spool_a = last.copy()
        return out

    def _pressure(self, spool: FloatArray, load: FloatArray, oil_degc: FloatArray) -> tuple[FloatArray, BoolArray]:
        """Pressure: the lowest of what valve, load and relief valve allow, followed as the oil's volume lets it."""
        lanes = self.lanes
        w = opening(spool, lanes.valve_zero_a, lanes.valve_full_a)
        ceiling = static_pressure_bar(w, lanes.zero_bar, lanes.full_bar, lanes.bow, lanes.drift_bar)
        ceiling += lanes.seat_bar
        ceiling += self.disturbance_bar
        ceiling *= oil_factor(oil_degc, lanes.viscosity_share)
        np.minimum(ceiling, lanes.relief_bar, out=ceiling)
        in_control = ceiling <= load
        np.minimum(ceiling, load, out=ceiling)
        take, rise, fall = lanes.pressure_take, lanes.rise_bar, lanes.fall_bar
        if lanes.count <= few_lanes.FEW:
            out = few_lanes.follow(self.pressure_bar, ceiling, take, rise, fall)
            self.pressure_bar = out[-1].copy()
            return out, in_control
        out = np.empty_like(ceiling)
        last, change = self.pressure_bar, np.empty_like(self.pressure_bar)
        for row, aim in zip(out, ceiling, strict=True):
            np.subtract(aim, last, out=change)
            np.multiply(change, take, out=change)
            np.minimum(change, rise, out=change)
            np.maximum(change, fall, out=change)
            np.add(last, change, out=row)
            last = row
        self.pressure_bar = last.copy()
        return out, in_control

    def _heat(self, current: FloatArray) -> None:
        """Two thermal masses in parallel, each exact for the block's mean heat."""
        lanes = self.lanes
        length_s = current.shape[0] * self.step_s
        mean_square = np.einsum("ij,ij->j", current, current) / current.shape[0]
        heat_w = mean_square * resistance_ohm(lanes.at_20_ohm, self.coil_degc)
        for rise, k_per_w, time_s in (
            (self._winding_rise_k, lanes.winding_k_per_w, lanes.winding_s),
            (self._body_rise_k, lanes.body_k_per_w, lanes.body_s),
        ):
            rise += (heat_w * k_per_w - rise) * -np.expm1(-length_s / time_s)

    def _sense(self, wire: FloatArray, current: FloatArray, pressure: FloatArray) -> FloatArray:
        """The three fast readings behind their filters, side by side: (steps, 3 lanes)."""
        lanes, count = self.lanes, self.lanes.count
        seen = np.empty((wire.shape[0] + 1, 3 * count))
        seen[0] = self._seen_before
        seen[1:, :count] = wire
        np.multiply(current, lanes.current_gain, out=seen[1:, count : 2 * count])
        seen[1:, count : 2 * count] += lanes.current_offset_a
        np.multiply(pressure, lanes.pressure_gain, out=seen[1:, 2 * count :])
        seen[1:, 2 * count :] += lanes.pressure_offset_bar
        out = np.empty((wire.shape[0], 3 * count))
        lanes.sensors.run(self.sensed, seen, out)
        self._seen_before = seen[-1].copy()
        return out
