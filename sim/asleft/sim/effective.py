"""The parameters in force at an instant: as left, with the faults that have begun by then."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from asleft.sim.faults import FaultKind, total
from asleft.sim.model import ValveModel

#: Share of short-circuited turns from which a driver's protection switches its output off.
_TRIPS_AT = 0.9


@dataclass(frozen=True, slots=True)
class Effective:
    """What faults can move, in the units of `ValveModel`."""

    asked_gain: float  # of the controller's command
    wire: float  # 1 whole, 0 broken
    wire_gain: float
    wire_offset: float  # share of the signal's span
    ramp_up_s: float
    ramp_down_s: float
    current_at_zero_a: float
    current_at_full_a: float
    loop_time_constant_s: float
    limit_a: float  # the driver's own, inf: none
    dither_amplitude_a: float
    dither_frequency_hz: float
    supply_v: float
    coil: float  # 1 connected, 0 unplugged or switched off by the driver's protection
    contact_open: float  # share of the half seconds without contact
    cable_ohm: float
    coil_resistance_ohm: float  # at 20 degC
    coil_inductance_h: float
    force: float  # of the coil's as-left force at the same current
    ambient_rise_k: float
    friction_half_a: float
    stick_a: float  # break-away beyond friction_half_a, at most
    relief_bar: float
    source: float  # share of the pump's flow and pressure
    drift_bar: float  # at full command
    seat_bar: float  # at every command
    unwanted_a: float
    current_gain: float
    current_offset_a: float
    pressure_gain: float
    pressure_offset_bar: float


def effective(model: ValveModel, time_s: float) -> Effective:
    """Parameters of `model` in force at `time_s` (unix seconds). Times and currents never fall below 0."""
    faults = model.faults
    return _with(model, (lambda kind: total(faults, kind, time_s)) if faults else _none)


def electrical(model: ValveModel, time_s: float) -> ValveModel:
    """`model` with the coil and the dither frequency in force at `time_s`; itself where they are as left."""
    now = effective(model, time_s)
    if (now.coil_resistance_ohm, now.coil_inductance_h, now.cable_ohm, now.dither_frequency_hz) == (
        model.coil_resistance_ohm,
        model.coil_inductance_h,
        model.cable_resistance_ohm,
        model.dither_frequency_hz,
    ):
        return model
    return replace(
        model,
        coil_resistance_ohm=max(1.0, now.coil_resistance_ohm),
        coil_inductance_h=max(0.001, now.coil_inductance_h),
        cable_resistance_ohm=now.cable_ohm,
        dither_frequency_hz=now.dither_frequency_hz,
    )


def _none(kind: FaultKind) -> float:
    del kind
    return 0.0


def _share(value: float) -> float:
    return min(1.0, max(0.0, value))


def _with(model: ValveModel, of: Callable[[FaultKind], float]) -> Effective:
    dither_a = model.dither_amplitude_a * (1.0 - _share(of(FaultKind.DITHER_LOST)))
    frequency_hz = max(0.0, model.dither_frequency_hz + of(FaultKind.DITHER_FREQUENCY))
    short = _share(of(FaultKind.COIL_SHORTED))
    whole = max(0.02, 1.0 - short)
    cable_ohm = max(0.0, model.cable_resistance_ohm + of(FaultKind.CABLE_RESISTANCE))
    coil_ohm, coil_h = model.coil_resistance_ohm * whole, model.coil_inductance_h * whole**2
    span_a = model.current_at_full_a - model.current_at_zero_a
    gain = max(0.0, 1.0 + of(FaultKind.CURRENT_GAIN))
    lowered_a = of(FaultKind.DRIVER_LIMITED)
    friction_a = model.friction_half_a(
        dither_a, frequency_hz=frequency_hz, coil_time_constant_s=coil_h / (coil_ohm + cable_ohm)
    )
    return Effective(
        asked_gain=max(0.0, 1.0 + of(FaultKind.CONTROLLER_GAIN)),
        wire=0.0 if of(FaultKind.COMMAND_WIRE_BROKEN) >= 0.5 else 1.0,
        wire_gain=max(0.0, 1.0 + of(FaultKind.COMMAND_GAIN)),
        wire_offset=of(FaultKind.COMMAND_OFFSET),
        ramp_up_s=max(0.0, model.ramp_up_s + of(FaultKind.RAMP_UP)),
        ramp_down_s=max(0.0, model.ramp_down_s + of(FaultKind.RAMP_DOWN)),
        current_at_zero_a=max(0.0, model.current_at_zero_a + of(FaultKind.CURRENT_AT_ZERO)) * gain,
        current_at_full_a=max(0.0, model.current_at_full_a + of(FaultKind.CURRENT_AT_FULL)) * gain,
        loop_time_constant_s=max(0.001, model.loop_time_constant_s + of(FaultKind.RESPONSE_SLOW)),
        limit_a=max(0.0, model.current_at_full_a - lowered_a) if lowered_a > 0 else math.inf,
        dither_amplitude_a=dither_a,
        dither_frequency_hz=frequency_hz,
        supply_v=max(0.0, model.supply_v - of(FaultKind.SUPPLY_SAG)),
        coil=0.0 if of(FaultKind.COIL_UNPLUGGED) >= 0.5 or short >= _TRIPS_AT else 1.0,
        contact_open=_share(of(FaultKind.COIL_CONTACT)),
        cable_ohm=cable_ohm,
        coil_resistance_ohm=coil_ohm,
        coil_inductance_h=coil_h,
        force=1.0 - short,
        ambient_rise_k=of(FaultKind.COIL_HOT),
        friction_half_a=max(0.0, friction_a + of(FaultKind.FRICTION_GROWN) / 100.0 * span_a),
        stick_a=max(0.0, of(FaultKind.STICK_SLIP)) / 100.0 * span_a,
        relief_bar=max(0.0, model.relief_bar - of(FaultKind.RELIEF_LOWERED)),
        source=1.0 - _share(of(FaultKind.SOURCE_WEAK)),
        drift_bar=of(FaultKind.PRESSURE_DRIFT),
        seat_bar=of(FaultKind.SEAT_DRIFT),
        unwanted_a=max(0.0, of(FaultKind.UNWANTED_CURRENT)),
        current_gain=1.0 + of(FaultKind.CURRENT_SENSOR_GAIN),
        current_offset_a=of(FaultKind.CURRENT_SENSOR_OFFSET),
        pressure_gain=1.0 + of(FaultKind.PRESSURE_SENSOR_GAIN),
        pressure_offset_bar=of(FaultKind.PRESSURE_SENSOR_OFFSET),
    )
