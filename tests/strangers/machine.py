"""A drawn machine: programme, driver, coil, valve with its hydraulics, logger, and what the sheet states.

All values are those of the healthy machine. `Disturbance` holds what only a fault changes; its defaults change
nothing. A field is addressed as "section.field", for example "driver.ramp_up_s".
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any


@dataclass(frozen=True)
class Programme:
    """What the controller commands. Levels are shares of the command span."""

    duration_s: float = 600.0
    levels: int = 5
    level_low: float = 0.0
    level_high: float = 1.0
    level_spread: float = 0.0  # largest departure of a level from cycle to cycle
    dwell_low_s: float = 2.0
    dwell_high_s: float = 6.0
    shape: str = "step"  # or "ramp", "s-curve"
    travel_s: float = 0.0  # of the controller's own ramp over the full span
    idle_s: float = 0.0  # time at zero command between two cycles
    strokes: int = 0  # full strokes in the whole log; 0 = cycles without end
    wire_noise: float = 0.0  # on the wire, seen by driver and logger alike
    scan_s: float = 0.01  # the controller's cycle time
    stops: int = 0  # stretches with pump and driver switched off
    load_share: float = 0.0  # share of the cycle in which the load makes the pressure


@dataclass(frozen=True)
class Driver:
    """The electronic driver as it was set up."""

    kind: str = "4-20mA"
    signal_zero: float = 4.0
    signal_full: float = 20.0
    off_below_pct: float = 0.0
    law: str = "linear"  # or "s-shaped", "kneed"
    bend: float = 0.0  # largest departure from the straight line
    jump: float = 0.0  # step of current just above zero command
    i_zero_a: float = 0.2  # current at exactly 0 % command
    i_full_a: float = 1.0
    ramp: str = "straight"  # or "two-slope", "first-order", "none"
    ramp_up_s: float = 1.0
    ramp_down_s: float = 1.0
    ramp_in_amperes: bool = False  # the setting is a rate in A/s: another span takes another time
    lag_s: float = 0.01
    overshoot_zeta: float = 0.0  # 0: first-order loop
    overshoot_hz: float = 10.0
    limit_a: float = 10.0
    dither_hz: float = 0.0
    dither_pp_a: float = 0.0
    pwm_hz: float = 2130.0
    gain: float = 1.0  # on demand, before the ramp
    offset: float = 0.0


@dataclass(frozen=True)
class Coil:
    """Coil, cable and supply."""

    r20_ohm: float = 8.0
    winding_degc: float = 60.0
    cable_ohm: float = 0.3
    supply_v: float = 24.0
    driver_drop_v: float = 0.8
    inductance_h: float = 0.05
    turns: float = 1.0  # share of the turns that carry the current


@dataclass(frozen=True)
class Valve:
    """The valve and the hydraulics it works on. Its characteristic hangs on currents of its own."""

    controls: str = "pressure"
    ref_zero_a: float = 0.2
    ref_full_a: float = 1.0
    p_zero_bar: float = 10.0
    p_full_bar: float = 200.0
    curve: float = 1.0
    dead_band: float = 0.0
    play_share: float = 0.01  # half width of the play, of the current span
    breakaway_share: float = 0.0  # more than the play to start from rest
    settling_s: float = 0.1
    fall_factor: float = 1.0  # settling downwards is so much slower
    creep_share: float = 0.0
    creep_s: float = 20.0
    pulsation_share: float = 0.0
    pulsation_hz: float = 225.0
    relief_share: float = 1e6  # of pressure at full, as the next two
    load_share: float = 0.1
    oil_start_degc: float = 45.0
    oil_end_degc: float = 45.0
    oil_coefficient: float = 0.0
    oil_now_degc: float = 45.0
    neighbour_s: float = 0.0
    neighbour_offset_share: float = 0.0


@dataclass(frozen=True)
class Logger:
    """The logger and its instruments."""

    rate_hz: float = 100.0  # as written down
    clock_ppm: float = 0.0  # its second is so much too long
    bits: int = 14
    jitter: float = 0.0
    irregular: bool = False
    holes: int = 0
    current_lag_s: float = 0.0
    pressure_lag_s: float = 0.0
    random_lag: bool = False
    command_noise: float = 0.0006  # of the reading alone
    current_noise: float = 0.001
    pressure_noise: float = 0.001
    hum_share: float = 0.0
    hum_hz: float = 50.0
    low_pass_hz: float = 20.0
    full_scale: float = 1.4  # of the largest current and pressure
    current: bool = True
    pressure: bool = True
    extra: tuple[str, ...] = ()  # supply, coil_voltage, enable, pump_running, oil_temperature, mode
    bursts: bool = False
    command_where: str = "at the driver's terminals"
    current_where: str = "sensor in the coil lead"


@dataclass(frozen=True)
class Paper:
    """What the technician wrote down."""

    quantities: tuple[str, ...] = ()
    characteristic: bool = False
    instruments: bool = False
    oil_window_degc: tuple[float, ...] = ()  # outside it the pressure is not to be judged
    own_tolerance: float = 0.0  # of the default; 0 = default, not written
    own_below: float = 1.0  # the side below, of the side above


@dataclass(frozen=True)
class Disturbance:
    """What only a fault changes."""

    wire_gain: float = 1.0  # of the signal between controller and driver
    command_factor: float = 1.0  # the controller's own levels
    command_failed: float = 0.0  # 1: signal at `command_failed_ma` on the wire
    command_failed_ma: float = 3.58
    current_open: float = 0.0  # 1: no current
    current_floor_a: float = 0.0
    spring_bar: float = 0.0
    seat_share: float = 0.0  # pressure lost at the top
    source_factor: float = 1.0
    source_ceiling: float = 1.0  # of pressure at full; 1: none
    pressure_floor_bar: float = 0.0
    stuck: float = 0.0  # 1: the spool does not move
    stuck_at_zero: bool = False
    pressure_gain: float = 1.0
    pressure_zero_bar: float = 0.0
    current_gain: float = 1.0
    current_zero_a: float = 0.0
    dead_command: float = 0.0
    dead_current: float = 0.0
    dead_pressure: float = 0.0
    dead_supply: float = 0.0
    late_command_s: float = 0.0
    late_pressure_s: float = 0.0
    missing: float = 0.0


@dataclass(frozen=True)
class Machine:
    """One machine with its logger and its sheet's contents."""

    seed: int
    programme: Programme = field(default_factory=Programme)
    driver: Driver = field(default_factory=Driver)
    coil: Coil = field(default_factory=Coil)
    valve: Valve = field(default_factory=Valve)
    logger: Logger = field(default_factory=Logger)
    paper: Paper = field(default_factory=Paper)
    disturbance: Disturbance = field(default_factory=Disturbance)

    @property
    def span_a(self) -> float:
        """Current span as left."""
        return self.valve.ref_full_a - self.valve.ref_zero_a

    @property
    def sampled_hz(self) -> float:
        """Rate at which the logger really samples."""
        return self.logger.rate_hz / (1.0 + 1e-6 * self.logger.clock_ppm)

    @property
    def signal_span(self) -> float:
        """Command span in signal units; negative for an inverted range."""
        return self.driver.signal_full - self.driver.signal_zero

    def get(self, path: str) -> Any:
        """Value of the field "section.field"."""
        section, name = path.split(".")
        return getattr(getattr(self, section), name)

    def set(self, values: Mapping[str, Any]) -> Machine:
        """A machine with other values of these fields."""
        machine = self
        for path, value in values.items():
            section, name = path.split(".")
            machine = replace(machine, **{section: replace(getattr(machine, section), **{name: value})})
        return machine
