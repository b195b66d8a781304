"""Which faults the benchmark simulates, how large one tolerance of each is, and which part is to be named.

Each case points at a row of the judge's fault table by its words. From the table follows which parts its channels
cannot tell apart (`expected`), so what counts as separable is decided before anything is simulated.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from asleft.catalogue.parts import Part
from asleft.judge.finding.signatures import CAUSES, SYMPTOMS, Cause, expected_parts
from asleft.sheet.model import Where
from asleft.sim.cycles import CLAMPING_CYCLE, CUSHION_CYCLE, PRESSING_CYCLE
from asleft.sim.faults import FaultKind
from asleft.sim.march import mean_square_a2
from asleft.sim.model import ALL_CHANNELS, Sensor, ValveModel

Tolerances = Mapping[str, float]
Amount = Callable[[ValveModel, Tolerances, float], float]

CHANNEL_SETS = ("full", "no supply", "no current", "no pressure", "monitor")
#: Channels that are not there.
DROPPED: Mapping[str, frozenset[str]] = {
    "full": frozenset(),
    "no supply": frozenset({"supply"}),
    "no current": frozenset({"current", "coil_voltage"}),
    "no pressure": frozenset({"pressure"}),
    "monitor": frozenset(),
}
#: Symptoms of the fault table that a channel set cannot show.
_HIDDEN: Mapping[str, frozenset[str]] = {
    "full": frozenset(),
    "no supply": frozenset({"supply", "limit"}),
    "no current": frozenset(
        {"currents", "ramps", "response", "flow", "top", "limit", "following", "idle", "resistance", "dither"}
    ),
    "no pressure": frozenset({"following", "pressure", "scatter", "vented"}),
    "monitor": frozenset(),
}


@dataclass(frozen=True, slots=True)
class Case:
    """One fault: what is simulated, at how much for so many tolerances, and the cause it is in the judge's table.

    `whole`: it is there or not, without sizes, and never comes slowly. `variant`: which valve it needs.
    """

    name: str
    kind: FaultKind
    part: Part
    cause: str
    amount: Amount
    whole: bool = False
    variant: str = "plain"
    channel: str = ""

    @property
    def row(self) -> Cause:
        """Its row in the fault table."""
        return next(row for row in CAUSES if row.part is self.part and row.words == self.cause)


def _of(name: str, sign: float = 1.0) -> Amount:
    def of(model: ValveModel, tolerance: Tolerances, size: float) -> float:
        del model
        return sign * size * tolerance[name]

    return of


def _times(amount: float) -> Amount:
    def of(model: ValveModel, tolerance: Tolerances, size: float) -> float:
        del model, tolerance
        return amount * size

    return of


def _one(model: ValveModel, tolerance: Tolerances, size: float) -> float:
    del model, tolerance, size
    return 1.0


def _steady_degc(model: ValveModel) -> float:
    heat = mean_square_a2(model) * model.coil_resistance_ohm * (model.winding_k_per_w + model.body_k_per_w)
    gain = heat * 0.00393
    return (model.ambient_degc + heat * (1.0 - 0.00393 * 20.0)) / (1.0 - gain)


def _ohm_for(model: ValveModel, current_a: float) -> float:
    """Resistance of coil, cable and source that lets just `current_a` flow."""
    return (model.supply_v - model.driver_drop_v) * model.duty_max / current_a


def _warm_ohm(model: ValveModel) -> float:
    return model.coil_resistance_ohm * (1.0 + 0.00393 * (_steady_degc(model) - 20.0))


def _limited_a(model: ValveModel, tolerance: Tolerances, size: float) -> float:
    return model.current_at_full_a - size * tolerance["current_at_full"]


def _hot(model: ValveModel, tolerance: Tolerances, size: float) -> float:
    ohm = _ohm_for(model, _limited_a(model, tolerance, size)) - model.cable_resistance_ohm - 0.05 * model.duty_max
    return max(0.0, (ohm - _warm_ohm(model)) / (0.00393 * model.coil_resistance_ohm))


def _cable(model: ValveModel, tolerance: Tolerances, size: float) -> float:
    ohm = _ohm_for(model, _limited_a(model, tolerance, size)) - model.cable_resistance_ohm - 0.05 * model.duty_max
    return max(0.0, ohm - _warm_ohm(model))


def _unasked(model: ValveModel, tolerance: Tolerances, size: float) -> float:
    del tolerance
    if size < 1.0:  # seen only while the driver is off, and there no danger yet
        return 0.4 * size * model.current_at_zero_a
    return model.current_at_zero_a + 0.2 * size * (model.current_at_full_a - model.current_at_zero_a)


def _shorted(model: ValveModel, tolerance: Tolerances, size: float) -> float:
    """Share of the turns: a tolerance of the coil's resistance; under one, what the pressure's tolerance leaves."""
    if size < 1.0:
        return 0.7 * size * tolerance["pressure_at_full"] / model.pressure_at_full_bar
    return 0.1 * size


def _relief(model: ValveModel, tolerance: Tolerances, size: float) -> float:
    return model.relief_bar - model.pressure_at_full_bar + size * tolerance["pressure_at_full"]


def _weak(model: ValveModel, tolerance: Tolerances, size: float) -> float:
    return 1.0 - (model.pressure_at_full_bar - size * tolerance["pressure_at_full"]) / model.relief_bar


def _share_of_full(name: str, full: str, sign: float = 1.0) -> Amount:
    return lambda model, tolerance, size: sign * size * tolerance[name] / float(getattr(model, full))


K, P = FaultKind, Part

CASES: tuple[Case, ...] = (
    Case("ramp up longer", K.RAMP_UP, P.DRIVER_SETTING, "ramp up turned", _of("ramp_up")),
    Case("ramp down longer", K.RAMP_DOWN, P.DRIVER_SETTING, "ramp down turned", _of("ramp_down")),
    Case("current at zero", K.CURRENT_AT_ZERO, P.DRIVER_SETTING, "current at zero turned", _of("current_at_zero")),
    Case("current at full", K.CURRENT_AT_FULL, P.DRIVER_SETTING, "current at full turned",
         _of("current_at_full", -1.0)),
    Case("driver's currents in proportion", K.CURRENT_GAIN, P.DRIVER, "all its currents changed in proportion",
         _share_of_full("current_at_full", "current_at_full_a", -1.0)),
    Case("driver limits", K.DRIVER_LIMITED, P.DRIVER, "its own limit is lower", _of("current_at_full")),
    Case("driver follows slowly", K.RESPONSE_SLOW, P.DRIVER, "it follows more slowly",
         _times(0.015)),
    Case("unwanted current", K.UNWANTED_CURRENT, P.DRIVER, "it lets current flow unasked", _unasked),
    Case("dither weak or lost", K.DITHER_LOST, P.DRIVER_SETTING, "dither turned",
         _times(0.24)),
    Case("dither frequency", K.DITHER_FREQUENCY, P.DRIVER_SETTING, "dither turned", _of("dither_frequency")),
    Case("supply sags", K.SUPPLY_SAG, P.SUPPLY, "the supply is low", _of("supply_voltage")),
    Case("coil hot", K.COIL_HOT, P.COIL, "the coil is hot", _hot, variant="near its limit"),
    Case("coil partly shorted", K.COIL_SHORTED, P.COIL, "turns are short-circuited",
         _shorted),
    Case("coil short-circuited", K.COIL_SHORTED, P.COIL, "its winding is open or short-circuited", _one, whole=True),
    Case("coil unplugged", K.COIL_UNPLUGGED, P.COIL_WIRING, "a wire or plug is open", _one, whole=True),
    Case("loose contact", K.COIL_CONTACT, P.COIL_WIRING, "a contact is loose",
         _times(0.1)),
    Case("resistance in the cable", K.CABLE_RESISTANCE, P.COIL_WIRING, "resistance in its wires", _cable,
         variant="near its limit"),
    Case("spring weak", K.PRESSURE_DRIFT, P.VALVE, "its spring gave way", _of("pressure_at_full", -1.0)),
    Case("seat worn", K.SEAT_DRIFT, P.VALVE, "its seat is worn", _of("pressure_at_full", 1.0)),
    Case("friction", K.FRICTION_GROWN, P.VALVE, "its friction grew", _times(1.0)),
    Case("stick-slip", K.STICK_SLIP, P.VALVE, "its spool sticks", _times(2.0)),
    Case("relief lowered", K.RELIEF_LOWERED, P.PRESSURE_SOURCE, "it gives less at the top", _relief),
    Case("pump weak", K.SOURCE_WEAK, P.PRESSURE_SOURCE, "it gives less at the top", _weak),
    Case("command wire broken", K.COMMAND_WIRE_BROKEN, P.COMMAND_WIRING, "the signal has failed", _one, whole=True,
         variant="live zero"),
    Case("command leaks", K.COMMAND_OFFSET, P.COMMAND_WIRING, "the signal leaks on its way",
         _times(0.02), variant="read at the controller"),
    Case("command shunted", K.COMMAND_GAIN, P.COMMAND_WIRING, "the signal is shunted on its way",
         _times(-0.02), variant="read at the controller"),
    Case("controller asks too much", K.CONTROLLER_GAIN, P.CONTROLLER, "it asks for more than there is",
         _times(0.02), variant="volts"),
    Case("current sensor's gain", K.CURRENT_SENSOR_GAIN, P.CURRENT_SENSOR, "its gain moved",
         _share_of_full("current_at_full", "current_at_full_a")),
    Case("current sensor's zero", K.CURRENT_SENSOR_OFFSET, P.CURRENT_SENSOR, "its zero moved",
         _of("current_at_zero")),
    Case("current reading late", K.READING_LATE, P.DATA, "readings come late", _times(0.03), channel="current"),
    Case("current reading dead", K.READING_STUCK, P.CURRENT_SENSOR, "its reading is dead", _one, whole=True,
         channel="current"),
    Case("pressure sensor's gain", K.PRESSURE_SENSOR_GAIN, P.PRESSURE_SENSOR, "its gain moved",
         _share_of_full("pressure_at_full", "pressure_at_full_bar")),
    Case("pressure sensor's zero", K.PRESSURE_SENSOR_OFFSET, P.PRESSURE_SENSOR, "its zero moved",
         _of("pressure_at_full")),
    Case("pressure reading dead", K.READING_STUCK, P.PRESSURE_SENSOR, "its reading is dead", _one, whole=True,
         channel="pressure"),
)  # fmt: skip


def places(case: Case, channels: str) -> dict[str, Where]:
    """Where channels are read for this case and channel set."""
    out = {"command": Where.CONTROLLER} if case.variant == "read at the controller" else {}
    return out | ({"current": Where.MONITOR} if channels == "monitor" else {"current": Where.OWN_SENSOR})


def expected(case: Case, channels: str) -> frozenset[Part]:
    """Parts that are right to be named, from the table alone: one where the fault is separable, none where unseen."""
    visible = frozenset(SYMPTOMS) - _HIDDEN[channels]
    if channels == "no current" and case.channel == "current":
        return frozenset()
    if channels == "no pressure" and case.channel == "pressure":
        return frozenset()
    return expected_parts(case.row, visible, places(case, channels))


def valve(seed: int, variant: str) -> ValveModel:
    """A random healthy valve of this variant, the same for the same seed."""
    rng = random.Random(f"faults {seed}")
    zero, span = rng.uniform(0.12, 0.35), rng.uniform(0.5, 0.9)
    full_bar = rng.uniform(150.0, 230.0)
    model = ValveModel(
        valve_id=f"bench-{seed}.{variant.replace(' ', '-')}",
        signal=rng.choice(("4-20mA", "0-10V", "0-5V")),
        current_at_zero_a=zero,
        current_at_full_a=zero + span,
        ramp_up_s=rng.uniform(0.3, 1.5),
        ramp_down_s=rng.uniform(0.3, 1.5),
        loop_time_constant_s=rng.uniform(0.006, 0.02),
        coil_resistance_ohm=rng.uniform(7.0, 9.5),
        cycle=rng.choice((PRESSING_CYCLE, CUSHION_CYCLE, CLAMPING_CYCLE)),
        dither_frequency_hz=rng.uniform(90.0, 160.0),
        dither_amplitude_a=rng.uniform(0.2, 0.3),
        pressure_at_zero_bar=rng.uniform(8.0, 16.0),
        pressure_at_full_bar=full_bar,
        relief_bar=1.2 * full_bar,
        current_sensor=Sensor(0.0, 2.0, 0.0008, low_pass_hz=rng.uniform(8.0, 20.0), where=Where.OWN_SENSOR.value),
        records=(*ALL_CHANNELS, "coil_voltage"),
    )
    if variant == "near its limit":
        # A coil that at work takes a little more than the full current.
        hot = 1.0 + 0.00393 * (_steady_degc(model) + 4.0 - 20.0)
        ohm = _ohm_for(model, 1.03 * model.current_at_full_a) - model.cable_resistance_ohm - 0.05 * model.duty_max
        for _ in range(6):
            model = replace(model, coil_resistance_ohm=ohm / hot)
            hot = 1.0 + 0.00393 * (_steady_degc(model) + 4.0 - 20.0)
    if variant == "read at the controller":
        full = model.at_full
        model = replace(
            model, command_sensor=Sensor(0.0, full * 1.1, full * 1e-4, 20.0, where=Where.CONTROLLER.value)
        )
    if variant == "live zero":
        model = replace(model, signal="4-20mA")
    if variant == "volts":
        model = replace(model, signal="0-10V")
    return model
