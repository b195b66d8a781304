"""The answers: what every setting really is, and what the commissioning sweep would have shown."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from asleft.sim.characteristic import opening, static_pressure_bar
from asleft.sim.effective import effective, electrical
from asleft.sim.faults import Fault
from asleft.sim.model import ValveModel

FloatArray = npt.NDArray[np.float64]

#: Names of the small integers in `Truth.state`.
STATE_NAMES = ("producing", "stopped", "not-enabled", "set-up", "emergency-stop")
PRODUCING, STOPPED, NOT_ENABLED, SET_UP, EMERGENCY = range(5)


@dataclass(eq=False, frozen=True, slots=True)
class Truth:
    """What really happened in one recording.

    `state` int8 (n,) indexes `state_names`; `in_control` (n,): the valve and not the load made the pressure;
    `clipped` (n,): the coil could not take the demanded current. `settings` hold at the recording's middle,
    `as_left` without any fault; names and units are those of the settings sheet.
    """

    state: npt.NDArray[np.int8]
    state_names: tuple[str, ...]
    in_control: npt.NDArray[np.bool_]
    clipped: npt.NDArray[np.bool_]
    settings: dict[str, float]
    as_left: dict[str, float]
    faults: tuple[Fault, ...]
    coil_degc: tuple[float, float]  # at the recording's beginning and end


def pressure_at(model: ValveModel, spool_a: float, time_s: float) -> float:
    """Pressure ceiling (bar) with the spool where `spool_a` alone would put it, oil at 45 degC."""
    now = effective(model, time_s)
    half_a = model.friction_half_a(model.dither_amplitude_a)  # the gauge numbers were read with this friction
    low_a, high_a = model.valve_ends_a
    w = opening(np.array(spool_a * now.force), np.array(low_a + half_a), np.array(high_a - half_a))
    bar = static_pressure_bar(
        w,
        np.array(model.pressure_at_zero_bar),
        np.array(model.pressure_at_full_bar),
        np.array(model.bow),
        np.array(now.drift_bar),
    )
    return float(min(max(0.0, float(bar) + now.seat_bar), now.relief_bar * now.source))


def settings_at(model: ValveModel, time_s: float) -> dict[str, float]:
    """True settings at `time_s` under the names of the settings sheet, in its units, faults included.

    Pressures as a gauge shows them: at zero arriving from above, at full arriving from below. Hysteresis in % of
    I1 - I0, without the scatter of stick-slip. The currents are the driver's demand, not what a saturated coil takes.
    """
    now = effective(model, time_s)
    present = electrical(model, time_s)
    low_a, high_a = now.current_at_zero_a, now.current_at_full_a
    return {
        "current_at_zero": low_a,
        "current_at_full": high_a,
        "ramp_up": now.ramp_up_s,
        "ramp_down": now.ramp_down_s,
        "dither_frequency": now.dither_frequency_hz,
        "dither_amplitude": present.dither_in_coil_a(now.dither_amplitude_a),
        "pressure_at_zero": pressure_at(model, low_a + now.friction_half_a, time_s),
        "pressure_at_full": pressure_at(model, high_a - now.friction_half_a, time_s),
        "hysteresis": 200.0 * now.friction_half_a / (high_a - low_a),
        "coil_resistance": now.coil_resistance_ohm,
        "supply_voltage": now.supply_v,
    }


def as_left_of(model: ValveModel) -> dict[str, float]:
    """True settings before any fault."""
    return settings_at(replace(model, faults=()), 0.0)


def branches_bar(model: ValveModel, current_a: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Rising and falling branch (bar) of a full sweep as left, at `current_a` (n,); they meet at both ends."""
    half_a = model.friction_half_a(model.dither_amplitude_a)
    low_a, high_a = model.current_at_zero_a, model.current_at_full_a
    clean = replace(model, faults=())
    rising = [pressure_at(clean, max(low_a + half_a, i - half_a), 0.0) for i in current_a.tolist()]
    falling = [pressure_at(clean, min(high_a - half_a, i + half_a), 0.0) for i in current_a.tolist()]
    return np.array(rising), np.array(falling)
