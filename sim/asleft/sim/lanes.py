"""Parameters of many lanes side by side, as arrays of shape (lanes,), with faults moving some of them."""

from __future__ import annotations

import random
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from asleft.sim import few_lanes
from asleft.sim.effective import Effective, effective
from asleft.sim.faults import FaultKind
from asleft.sim.model import ValveModel

FloatArray = npt.NDArray[np.float64]

#: `Sensor.where` of a command that is taken from the controller itself.
CONTROLLER = "controller's value"
#: Change of demand per step of a ramp that does not exist.
NO_RAMP = 1e9


class Lanes:
    """All parameters the engine multiplies with; `refresh` lets faults that have begun take effect."""

    def __init__(self, models: Sequence[ValveModel], starts_s: Sequence[float], step_s: float) -> None:
        self.models = tuple(models)
        self.starts_s = np.array(starts_s, dtype=np.float64)
        self.step_s = step_s
        self.count = len(self.models)

        def each(name: str) -> FloatArray:
            return np.array([getattr(model, name) for model in self.models], dtype=np.float64)

        self.off_below = each("off_below_pct") / 100.0
        self.wire_at_zero = np.array([m.at_zero for m in self.models])
        self.wire_span = np.array([m.at_full - m.at_zero for m in self.models])
        self.broken_wire = -self.wire_at_zero / self.wire_span  # demand that an open wire stands for
        self.command_noise = each("command_noise_pct") / 100.0
        #: Whether the command is read where the controller makes it: then faults of its wire do not show in it.
        self.read_at_controller = np.array([m.command_chain.where == CONTROLLER for m in self.models])
        self.drop_v, self.duty_max = each("driver_drop_v"), each("duty_max")
        self.source_ohm = each("supply_source_ohm")
        self.winding_k_per_w, self.body_k_per_w = each("winding_k_per_w"), each("body_k_per_w")
        self.winding_s, self.body_s = each("winding_time_constant_s"), each("body_time_constant_s")
        self.zero_bar, self.full_bar, self.bow = (
            each("pressure_at_zero_bar"),
            each("pressure_at_full_bar"),
            each("bow"),
        )
        self.viscosity_share = each("viscosity_share")
        self.left_rise_bar, self.fall_bar = (
            each("pressure_rise_bar_s") * step_s,
            -each("pressure_fall_bar_s") * step_s,
        )
        self.pressure_take = -np.expm1(-step_s / each("pressure_time_constant_s"))
        left_half = np.array([m.friction_half_a(m.dither_amplitude_a) for m in self.models])
        self.valve_zero_a = np.array([m.valve_ends_a[0] for m in self.models]) + left_half
        self.valve_full_a = np.array([m.valve_ends_a[1] for m in self.models]) - left_half
        self.loop = Lag(each("loop_time_constant_s"), step_s)
        cut_offs = [
            [m.command_chain.low_pass_hz for m in self.models],
            [m.current_sensor.low_pass_hz for m in self.models],
            [m.pressure_sensor.low_pass_hz for m in self.models],
        ]
        self.sensors = Lag(1.0 / (2.0 * np.pi * np.array(cut_offs).ravel()), step_s)
        self._allocate()
        for lane in range(self.count):
            self._take(lane, effective(self.models[lane], float(self.starts_s[lane])))
        self._faulted = [lane for lane in range(self.count) if self.models[lane].faults]

    def _allocate(self) -> None:
        empty = np.empty
        self.up, self.down = empty(self.count), empty(self.count)
        self.low_a, self.span_a, self.half_a = empty(self.count), empty(self.count), empty(self.count)
        self.dither_a, self.supply_v, self.ambient_rise_k = empty(self.count), empty(self.count), empty(self.count)
        self.relief_bar, self.drift_bar, self.seat_bar = empty(self.count), empty(self.count), empty(self.count)
        self.wire, self.wire_gain, self.wire_offset = empty(self.count), empty(self.count), empty(self.count)
        self.asked_gain, self.coil, self.unwanted_a = empty(self.count), empty(self.count), empty(self.count)
        self.limit_a, self.force, self.stick_a = empty(self.count), empty(self.count), empty(self.count)
        self.cable_ohm, self.at_20_ohm, self.rise_bar = empty(self.count), empty(self.count), empty(self.count)
        self.current_gain, self.current_offset_a = empty(self.count), empty(self.count)
        self.pressure_gain, self.pressure_offset_bar = empty(self.count), empty(self.count)

    def _take(self, lane: int, now: Effective) -> None:
        self.up[lane] = self.step_s / now.ramp_up_s if now.ramp_up_s > 0 else NO_RAMP
        self.down[lane] = -self.step_s / now.ramp_down_s if now.ramp_down_s > 0 else -NO_RAMP
        self.low_a[lane] = now.current_at_zero_a
        self.span_a[lane] = now.current_at_full_a - now.current_at_zero_a
        self.half_a[lane] = now.friction_half_a
        self.dither_a[lane] = now.dither_amplitude_a
        self.supply_v[lane] = now.supply_v
        self.ambient_rise_k[lane] = now.ambient_rise_k
        self.relief_bar[lane] = now.relief_bar * now.source
        self.rise_bar[lane] = self.left_rise_bar[lane] * now.source
        self.drift_bar[lane] = now.drift_bar
        self.seat_bar[lane] = now.seat_bar
        self.asked_gain[lane] = now.asked_gain
        self.wire[lane], self.wire_gain[lane], self.wire_offset[lane] = now.wire, now.wire_gain, now.wire_offset
        self.coil[lane] = now.coil
        self.limit_a[lane], self.force[lane], self.stick_a[lane] = now.limit_a, now.force, now.stick_a
        self.cable_ohm[lane], self.at_20_ohm[lane] = now.cable_ohm, now.coil_resistance_ohm
        self.loop.set(lane, now.loop_time_constant_s)
        self.unwanted_a[lane] = now.unwanted_a
        self.current_gain[lane], self.current_offset_a[lane] = now.current_gain, now.current_offset_a
        self.pressure_gain[lane], self.pressure_offset_bar[lane] = now.pressure_gain, now.pressure_offset_bar

    def refresh(self, since_start_s: float, length_s: float) -> None:
        """Bring faulted lanes to `since_start_s` after their starts, for the next `length_s`."""
        for lane in self._faulted:
            model = self.models[lane]
            now_s = float(self.starts_s[lane]) + since_start_s
            loose = any(fault.kind is FaultKind.COIL_CONTACT for fault in model.faults)
            if not loose and all(fault.constant_over(now_s - length_s, now_s) for fault in model.faults):
                continue
            now = effective(model, now_s)
            self._take(lane, now)
            if loose and _draw(f"{model.valve_id} {now_s:.3f}") < now.contact_open:
                self.coil[lane] = 0.0


def _draw(key: str) -> float:
    """A number in 0..1 that is the same for the same key."""
    return random.Random(key).random()


class Lag:
    """A first-order lag, exact for inputs that are straight between steps.

    y' = keep y + before x + after x', keep = e^(-h/tau), after = 1 - (1 - keep) tau/h, before = (1 - keep) - after.
    """

    def __init__(self, time_constant_s: FloatArray, step_s: float) -> None:
        self.step_s = step_s
        self.keep, self.before, self.after = np.empty((3, time_constant_s.size))
        self.set(slice(None), time_constant_s)

    def set(self, lane: int | slice, time_constant_s: FloatArray | float) -> None:
        """Give lanes other time constants (s)."""
        taken = -np.expm1(-self.step_s / time_constant_s)
        self.keep[lane] = np.exp(-self.step_s / time_constant_s)
        self.after[lane] = 1.0 - taken * time_constant_s / self.step_s
        self.before[lane] = taken - self.after[lane]

    def run(self, state: FloatArray, inputs: FloatArray, outputs: FloatArray) -> None:
        """Carry `state` (lanes,) through `inputs` (steps + 1, lanes), whose row 0 is the step before; fill `outputs`.

        `outputs` is (steps, lanes); `state` is left at the last row.
        """
        drive = inputs[:-1] * self.before
        drive += inputs[1:] * self.after
        keep, last = self.keep, state
        if keep.size <= 3 * few_lanes.FEW:  # the filters of three readings of each lane are one lag
            few_lanes.lag(last, drive, keep, outputs)
            state[:] = outputs[-1]
            return
        multiply, add = np.multiply, np.add
        for row, push in zip(outputs, drive, strict=True):
            multiply(last, keep, out=row)
            add(row, push, out=row)
            last = row
        state[:] = last
