"""Every parameter of one simulated valve, from the controller's output to the logger's converter.

| field | symbol | unit | range | source |
|---|---|---|---|---|
| signal | s | - | 4-20mA (IEC 60381-1), 0-10V, 0-5V (IEC 60381-2) | standard |
| off_below_pct | - | % | 0..10 | common practice |
| controller_ramp_s | - | s over full span | 0 (fixed steps)..60 | common practice |
| outer_loop | - | - | see `asleft.sim.outer_loop`; None: the command is the cycle's level | - |
| command_noise_pct | - | % of span, rms | 0..1 | own choice |
| current_at_zero_a, current_at_full_a | I0, I1 | A | 0..5, I0 < I1 | common practice |
| ramp_up_s, ramp_down_s | T_up, T_down | s over full span | 0..600, 0 means none | common practice |
| loop_time_constant_s | tau_i | s | 0.002..0.1 | common practice (5-20 ms) |
| driver_drop_v, duty_max | -, D | V, 1 | 0..4, 0.5..1 | common practice |
| pwm_frequency_hz | f_pwm | Hz | 100..20000 | common practice |
| dither_frequency_hz | f_d | Hz | 0, 20..500 | common practice |
| dither_amplitude_a | A | A peak to peak as demanded of the coil | 0..1 | common practice |
| supply_v | V | V | 9..36 | common practice |
| supply_source_ohm, cable_resistance_ohm | Rs, Rc | ohm | 0..5 | common practice |
| coil_resistance_ohm | R | ohm at 20 degC | 1..50 | common practice |
| coil_inductance_h | L | H | 0.001..1 | common practice |
| winding_k_per_w, winding_time_constant_s | - | K/W, s | 0..20, 10..600 | own choice |
| body_k_per_w, body_time_constant_s | - | K/W, s | 0..20, 300..7200 | own choice |
| ambient_degc, ambient_swing_k | Ta | degC, K | -40..85 | common practice |
| pressure_at_zero_bar, pressure_at_full_bar | p0, p1 | bar gauge, oil at 45 degC | 0..1000 | own choice |
| bow | b | 1 | 0..0.6 | own choice: p = p0 + (p1 - p0) (w (1 - b) + b w^2) |
| friction_dry_pct, friction_least_pct | r | % of I1 - I0, half width | 0..10 | common practice (hysteresis 1-8 %) |
| dither_effect_a | - | A peak to peak | above 0 | own choice |
| pressure_time_constant_s | tau_p | s | 0.005..1 | common practice (oil's compressibility) |
| pressure_rise_bar_s, pressure_fall_bar_s | K Q / V | bar/s | above 0 | common practice |
| relief_bar | - | bar | above p1 | common practice |
| viscosity_share | - | 1 | 0..0.05 | own choice: share of pressure that follows viscosity |
| oil_degc | - | degC | 0..80 | common practice |
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from asleft.sim.cycles import PRESSING_CYCLE, CyclePlan
from asleft.sim.dither import DitherShape, friction_half_width, passed_share
from asleft.sim.faults import Fault
from asleft.sim.outer_loop import OuterLoop

SignalName = Literal["4-20mA", "0-10V", "0-5V"]

#: Ends of the command signals in their units, and the unit (IEC 60381-1, IEC 60381-2).
SIGNAL_ENDS: dict[str, tuple[float, float, str]] = {
    "4-20mA": (4.0, 20.0, "mA"),
    "0-10V": (0.0, 10.0, "V"),
    "0-5V": (0.0, 5.0, "V"),
}

#: Channels of a fully instrumented valve.
ALL_CHANNELS = ("command", "current", "pressure", "supply", "oil_temperature", "enable", "pump_running", "mode")


@dataclass(frozen=True, slots=True)
class Sensor:
    """The measuring chain of one channel: place, range, noise, first-order low-pass, converter.

    `low`, `high` and `noise` (rms, after the filter) are in the channel's unit. Counts run from 5 % below `low` to
    full scale; the value of a count is low + count * (high - low) / (2^bits - 1).
    """

    low: float
    high: float
    noise: float
    low_pass_hz: float = 10.0
    bits: int = 12
    where: str = "own sensor"

    def __post_init__(self) -> None:
        if not self.low < self.high:
            raise ValueError(f"range of a sensor must rise, not {self.low}..{self.high}")
        if not 4 <= self.bits <= 15:
            raise ValueError(f"bits of a converter must lie in 4..15 to fit int16, not {self.bits}")
        if self.noise < 0 or self.low_pass_hz <= 0:
            raise ValueError(f"noise must be >= 0 and low_pass_hz > 0, not {self.noise} and {self.low_pass_hz}")

    @property
    def scale(self) -> float:
        """Value of one count, in the channel's unit."""
        full_scale: int = (1 << self.bits) - 1
        return (self.high - self.low) / full_scale


@dataclass(frozen=True, slots=True)
class ValveModel:
    """One valve with everything round it (see the table above); a healthy one when `faults` is empty.

    `valve_current_at_zero_a` / `_full_a` are the currents at which the valve itself gives `pressure_at_zero_bar` and
    `pressure_at_full_bar` on a gauge (arriving from above and from below); None: the driver's, as left.
    """

    valve_id: str = "press-9.platen"
    press: str = "Press 9"
    name: str = "platen pressure"
    # command
    signal: SignalName = "4-20mA"
    off_below_pct: float = 0.0
    controller_ramp_s: float = 0.0
    outer_loop: OuterLoop | None = None  # a controller that holds the pressure; None: the level is the command
    command_noise_pct: float = 0.03
    command_kept_s: float = 3.0  # how long a controller leaves its command standing after an emergency stop
    cycle: CyclePlan = PRESSING_CYCLE
    pressing_mode: bool = False  # whether `mode` tells the pressing phase (3) from the rest of automatic (1)
    # driver
    current_at_zero_a: float = 0.18
    current_at_full_a: float = 0.92
    ramp_up_s: float = 1.2
    ramp_down_s: float = 2.0
    loop_time_constant_s: float = 0.012
    driver_drop_v: float = 1.2
    duty_max: float = 0.97
    pwm_frequency_hz: float = 2000.0
    dither_frequency_hz: float = 120.0
    dither_amplitude_a: float = 0.24
    dither_shape: DitherShape = "sine"
    supply_v: float = 24.0
    supply_source_ohm: float = 0.05
    # coil
    coil_resistance_ohm: float = 11.0
    coil_inductance_h: float = 0.06
    cable_resistance_ohm: float = 0.3
    winding_k_per_w: float = 2.0
    winding_time_constant_s: float = 120.0
    body_k_per_w: float = 4.0
    body_time_constant_s: float = 1500.0
    ambient_degc: float = 30.0
    ambient_swing_k: float = 4.0
    # valve and hydraulics
    valve_current_at_zero_a: float | None = None
    valve_current_at_full_a: float | None = None
    pressure_at_zero_bar: float = 12.0
    pressure_at_full_bar: float = 210.0
    bow: float = 0.18
    friction_dry_pct: float = 3.0
    friction_least_pct: float = 0.6
    dither_effect_a: float = 0.015
    pressure_time_constant_s: float = 0.06
    pressure_rise_bar_s: float = 1500.0
    pressure_fall_bar_s: float = 1000.0
    relief_bar: float = 260.0
    viscosity_share: float = 0.02
    oil_degc: float = 45.0
    # measuring
    records: tuple[str, ...] = ALL_CHANNELS
    command_sensor: Sensor | None = None  # None: 12 bits over a range that fits the signal
    current_sensor: Sensor = Sensor(0.0, 2.0, 0.0008, where="sensor in the coil lead")
    pressure_sensor: Sensor = Sensor(0.0, 400.0, 0.25)
    supply_sensor: Sensor = Sensor(0.0, 36.0, 0.03, where="at the driver's terminals")
    oil_sensor: Sensor = Sensor(-10.0, 110.0, 0.05, low_pass_hz=0.1)
    coil_voltage_sensor: Sensor = Sensor(0.0, 36.0, 0.03)
    burst_sensor: Sensor = Sensor(0.0, 2.5, 0.002, low_pass_hz=2000.0, where="sensor in the coil lead")
    burst_rate_hz: float = 5000.0
    burst_s: float = 0.5
    faults: tuple[Fault, ...] = ()

    def __post_init__(self) -> None:
        _check(self)

    @property
    def press_key(self) -> str:
        """Which press it is on: the part of the id before the first dot."""
        return self.valve_id.partition(".")[0]

    @property
    def at_zero(self) -> float:
        """Command signal at 0 %, in its unit."""
        return float(SIGNAL_ENDS[self.signal][0])

    @property
    def at_full(self) -> float:
        """Command signal at 100 %, in its unit."""
        return SIGNAL_ENDS[self.signal][1]

    @property
    def signal_unit(self) -> str:
        """The command signal's unit, mA or V."""
        return SIGNAL_ENDS[self.signal][2]

    @property
    def command_chain(self) -> Sensor:
        """The command's measuring chain: the given one, or 10 % more range than the signal uses."""
        if self.command_sensor is not None:
            return self.command_sensor
        return Sensor(0.0, self.at_full * 1.1, self.at_full * 1e-4, low_pass_hz=20.0, where="own sensor")

    @property
    def coil_time_constant_s(self) -> float:
        """L/R of the coil at 20 degC."""
        return self.coil_inductance_h / (self.coil_resistance_ohm + self.cable_resistance_ohm)

    def dither_in_coil_a(
        self, demanded_a: float, *, frequency_hz: float | None = None, coil_time_constant_s: float | None = None
    ) -> float:
        """Peak-to-peak dither in the coil (A) when the driver demands `demanded_a`; as left where not given."""
        frequency_hz = self.dither_frequency_hz if frequency_hz is None else frequency_hz
        tau_s = self.coil_time_constant_s if coil_time_constant_s is None else coil_time_constant_s
        return demanded_a * passed_share(self.dither_shape, frequency_hz, tau_s)

    def friction_half_a(
        self,
        demanded_dither_a: float,
        *,
        frequency_hz: float | None = None,
        coil_time_constant_s: float | None = None,
    ) -> float:
        """Half width of the friction play (A) at a demanded dither; frequency and L/R as left where not given."""
        half_pct = friction_half_width(
            self.friction_dry_pct,
            self.friction_least_pct,
            self.dither_in_coil_a(
                demanded_dither_a, frequency_hz=frequency_hz, coil_time_constant_s=coil_time_constant_s
            ),
            self.dither_effect_a,
        )
        return half_pct / 100.0 * (self.current_at_full_a - self.current_at_zero_a)

    @property
    def valve_ends_a(self) -> tuple[float, float]:
        """Currents of the valve's own characteristic at zero and full pressure."""
        low = self.current_at_zero_a if self.valve_current_at_zero_a is None else self.valve_current_at_zero_a
        high = self.current_at_full_a if self.valve_current_at_full_a is None else self.valve_current_at_full_a
        return low, high


def _check(model: ValveModel) -> None:
    """Refuse parameters outside the table, naming field, value and limit."""
    limits: tuple[tuple[str, float, float], ...] = (
        ("off_below_pct", 0.0, 10.0),
        ("controller_ramp_s", 0.0, 60.0),
        ("command_noise_pct", 0.0, 1.0),
        ("current_at_zero_a", 0.0, 5.0),
        ("current_at_full_a", 0.0, 5.0),
        ("ramp_up_s", 0.0, 600.0),
        ("ramp_down_s", 0.0, 600.0),
        ("loop_time_constant_s", 0.002, 0.1),
        ("duty_max", 0.5, 1.0),
        ("dither_frequency_hz", 0.0, 500.0),
        ("dither_amplitude_a", 0.0, 1.0),
        ("supply_v", 9.0, 36.0),
        ("coil_resistance_ohm", 1.0, 50.0),
        ("coil_inductance_h", 0.001, 1.0),
        ("ambient_degc", -40.0, 85.0),
        ("pressure_at_zero_bar", 0.0, 1000.0),
        ("pressure_at_full_bar", 0.0, 1000.0),
        ("bow", 0.0, 0.6),
        ("friction_dry_pct", 0.0, 10.0),
        ("friction_least_pct", 0.0, 10.0),
        ("pressure_time_constant_s", 0.005, 1.0),
    )
    wrong = [
        f"{name} of {model.valve_id} must lie in {low:g}..{high:g}, not {getattr(model, name)!r}"
        for name, low, high in limits
        if not (math.isfinite(getattr(model, name)) and low <= getattr(model, name) <= high)
    ]
    if model.signal not in SIGNAL_ENDS:
        wrong.append(f"signal of {model.valve_id} must be one of {', '.join(SIGNAL_ENDS)}, not {model.signal!r}")
    if not model.current_at_zero_a < model.current_at_full_a:
        wrong.append(f"current_at_zero_a of {model.valve_id} must be below current_at_full_a")
    if not model.pressure_at_zero_bar < model.pressure_at_full_bar:
        wrong.append(f"pressure_at_zero_bar of {model.valve_id} must be below pressure_at_full_bar")
    known = {*ALL_CHANNELS, "coil_voltage"}
    wrong += [
        f"records of {model.valve_id} names an unknown channel {name!r}"
        for name in model.records
        if name not in known
    ]
    if wrong:
        raise ValueError("; ".join(wrong))


def default_valve() -> ValveModel:
    """A healthy platen valve on 4-20 mA with every channel recorded."""
    return ValveModel()
