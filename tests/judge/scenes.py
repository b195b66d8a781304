"""Which valves are simulated for the tests: random healthy ones, and one per fault the judge must name."""

from __future__ import annotations

import random
from dataclasses import replace

from asleft.sim.cycles import CLAMPING_CYCLE, CUSHION_CYCLE, PRESSING_CYCLE, RIGID_BAR, CyclePlan, Step
from asleft.sim.faults import Fault, FaultKind
from asleft.sim.model import ALL_CHANNELS, Sensor, ValveModel, default_valve
from lanes import START_S

#: Every stroke between 20 and 25 % of the command.
PARTIAL_CYCLE = CyclePlan(
    (
        *(Step(level, 1.5, RIGID_BAR, pressing=True) for level in (0.02, 0.24, 0.46, 0.68, 0.9)),
        *(Step(level, 1.5, RIGID_BAR, pressing=True) for level in (0.69, 0.48, 0.27)),
    )
)

HEALTHY = tuple(f"healthy-{k}" for k in range(34))
ONSET_S = START_S + 660.0


def random_model(rng: random.Random) -> ValveModel:
    """A healthy valve with a sheet of its own."""
    zero = rng.uniform(0.08, 0.4)
    span = rng.uniform(0.5, 1.1)
    return replace(
        default_valve(),
        signal=rng.choice(("4-20mA", "0-10V", "0-5V")),
        current_at_zero_a=zero,
        current_at_full_a=zero + span,
        ramp_up_s=rng.choice((0.3, rng.uniform(0.3, 1.0), rng.uniform(1.0, 4.0))),
        ramp_down_s=rng.choice((0.3, rng.uniform(0.3, 1.0), rng.uniform(1.0, 4.0))),
        loop_time_constant_s=rng.uniform(0.006, 0.02),
        coil_resistance_ohm=rng.uniform(6.0, 9.0),
        cycle=rng.choice((PRESSING_CYCLE, CUSHION_CYCLE, CLAMPING_CYCLE)),
        pressure_at_zero_bar=rng.uniform(8.0, 16.0),
        pressure_at_full_bar=rng.uniform(150.0, 240.0),
        current_sensor=Sensor(0.0, 2.0, 0.0008, low_pass_hz=rng.uniform(8.0, 20.0)),
    )


def healthy_models() -> list[ValveModel]:
    rng = random.Random(20_26)
    models = [random_model(rng) for _ in HEALTHY]
    # What is hardest: the shortest ramp with only small strokes.
    models[0] = replace(models[0], ramp_up_s=0.3, ramp_down_s=0.3, cycle=PARTIAL_CYCLE)
    models[1] = replace(models[1], ramp_up_s=0.8, ramp_down_s=1.5, cycle=PARTIAL_CYCLE)
    return models


_FAULTS: dict[str, tuple[Fault, ...]] = {
    "ramp-up": (Fault(FaultKind.RAMP_UP, ONSET_S, 0.5),),
    "ramp-up-faster": (Fault(FaultKind.RAMP_UP, ONSET_S, -0.5),),
    "ramp-down": (Fault(FaultKind.RAMP_DOWN, ONSET_S, 0.8),),
    "ramp-down-much": (Fault(FaultKind.RAMP_DOWN, ONSET_S, 8.0),),
    "current-at-zero": (Fault(FaultKind.CURRENT_AT_ZERO, ONSET_S, 0.05),),
    "current-at-full": (Fault(FaultKind.CURRENT_AT_FULL, ONSET_S, -0.07),),
    "coil-hot": (Fault(FaultKind.COIL_HOT, ONSET_S, 150.0),),
    "supply-sag": (Fault(FaultKind.SUPPLY_SAG, ONSET_S, 9.0),),
    "relief-lowered": (Fault(FaultKind.RELIEF_LOWERED, ONSET_S, 85.0),),
    "command-wire-broken": (Fault(FaultKind.COMMAND_WIRE_BROKEN, ONSET_S),),
    "coil-unplugged": (Fault(FaultKind.COIL_UNPLUGGED, ONSET_S),),
    "unwanted-current": (Fault(FaultKind.UNWANTED_CURRENT, ONSET_S, 0.6),),
    "current-sensor-gain": (Fault(FaultKind.CURRENT_SENSOR_GAIN, ONSET_S, 0.08),),
    "pressure-sensor-offset": (Fault(FaultKind.PRESSURE_SENSOR_OFFSET, ONSET_S, 12.0),),
    "current-stuck": (Fault(FaultKind.READING_STUCK, ONSET_S, channel="current"),),
    "pressure-stuck": (Fault(FaultKind.READING_STUCK, ONSET_S, channel="pressure"),),
    "pressure-drift": (Fault(FaultKind.PRESSURE_DRIFT, ONSET_S, -14.0),),
    "dither-lost": (Fault(FaultKind.DITHER_LOST, ONSET_S, 1.0),),
    "coil-shorted": (Fault(FaultKind.COIL_SHORTED, ONSET_S, 0.3),),
    "coil-short-circuited": (Fault(FaultKind.COIL_SHORTED, ONSET_S, 1.0),),
    "coil-contact": (Fault(FaultKind.COIL_CONTACT, ONSET_S, 0.3),),
    "friction-grown": (Fault(FaultKind.FRICTION_GROWN, ONSET_S, 3.5),),
    "stick-slip": (Fault(FaultKind.STICK_SLIP, ONSET_S, 5.0),),
    "driver-gain": (Fault(FaultKind.CURRENT_GAIN, ONSET_S, -0.06),),
    "source-weak": (Fault(FaultKind.SOURCE_WEAK, ONSET_S, 0.3),),
}
FAULTS = tuple(_FAULTS)


def fault_models() -> list[ValveModel]:
    """The default valve with each fault, with the changes that make the fault show (a coil near its limit)."""
    models = []
    for name, faults in _FAULTS.items():
        model = replace(default_valve(), faults=faults)
        if name in {"coil-hot", "supply-sag"}:
            model = replace(model, coil_resistance_ohm=14.0)
        if name == "coil-shorted":
            model = replace(model, records=(*ALL_CHANNELS, "coil_voltage"))
        models.append(model)
    return models
