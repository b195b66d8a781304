"""The parameters in force at an instant: as left, with the faults that have begun by then."""

from __future__ import annotations

from dataclasses import dataclass

from asleft.sim.faults import FaultKind, total
from asleft.sim.model import ValveModel


@dataclass(frozen=True, slots=True)
class Effective:
    """What faults can move, in the units of `ValveModel`."""

    ramp_up_s: float
    ramp_down_s: float
    current_at_zero_a: float
    current_at_full_a: float
    dither_amplitude_a: float
    friction_half_a: float
    supply_v: float
    ambient_rise_k: float
    relief_bar: float
    drift_bar: float  # at full command
    seat_bar: float  # at every command
    wire: float  # 1 whole, 0 broken
    coil: float  # 1 connected, 0 unplugged
    unwanted_a: float
    current_gain: float
    pressure_offset_bar: float


def effective(model: ValveModel, time_s: float) -> Effective:
    """Parameters of `model` in force at `time_s` (unix seconds). Times and currents never fall below 0."""
    faults = model.faults
    if not faults:
        return _as_left(model)

    def of(kind: FaultKind) -> float:
        return total(faults, kind, time_s)

    dither_a = model.dither_amplitude_a * (1.0 - min(1.0, max(0.0, of(FaultKind.DITHER_LOST))))
    return Effective(
        ramp_up_s=max(0.0, model.ramp_up_s + of(FaultKind.RAMP_UP)),
        ramp_down_s=max(0.0, model.ramp_down_s + of(FaultKind.RAMP_DOWN)),
        current_at_zero_a=max(0.0, model.current_at_zero_a + of(FaultKind.CURRENT_AT_ZERO)),
        current_at_full_a=max(0.0, model.current_at_full_a + of(FaultKind.CURRENT_AT_FULL)),
        dither_amplitude_a=dither_a,
        friction_half_a=model.friction_half_a(dither_a),
        supply_v=max(0.0, model.supply_v - of(FaultKind.SUPPLY_SAG)),
        ambient_rise_k=of(FaultKind.COIL_HOT),
        relief_bar=max(0.0, model.relief_bar - of(FaultKind.RELIEF_LOWERED)),
        drift_bar=of(FaultKind.PRESSURE_DRIFT),
        seat_bar=of(FaultKind.SEAT_DRIFT),
        wire=0.0 if of(FaultKind.COMMAND_WIRE_BROKEN) >= 0.5 else 1.0,
        coil=0.0 if of(FaultKind.COIL_UNPLUGGED) >= 0.5 else 1.0,
        unwanted_a=max(0.0, of(FaultKind.UNWANTED_CURRENT)),
        current_gain=1.0 + of(FaultKind.CURRENT_SENSOR_GAIN),
        pressure_offset_bar=of(FaultKind.PRESSURE_SENSOR_OFFSET),
    )


def _as_left(model: ValveModel) -> Effective:
    return Effective(
        ramp_up_s=model.ramp_up_s,
        ramp_down_s=model.ramp_down_s,
        current_at_zero_a=model.current_at_zero_a,
        current_at_full_a=model.current_at_full_a,
        dither_amplitude_a=model.dither_amplitude_a,
        friction_half_a=model.friction_half_a(model.dither_amplitude_a),
        supply_v=model.supply_v,
        ambient_rise_k=0.0,
        relief_bar=model.relief_bar,
        drift_bar=0.0,
        seat_bar=0.0,
        wire=1.0,
        coil=1.0,
        unwanted_a=0.0,
        current_gain=1.0,
        pressure_offset_bar=0.0,
    )
