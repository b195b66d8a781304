"""The ranges that machines are drawn from, each with its unit and its reason.

They are wider than any one plant. "Common practice" means a fact of the trade written from memory, without a
published source; standards are named where one gives the figure.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Range:
    """A closed interval. `logarithmic` draws each decade equally often."""

    low: float
    high: float
    unit: str
    reason: str
    logarithmic: bool = False

    def draw(self, rng: np.random.Generator) -> float:
        """One value of the interval."""
        if self.logarithmic:
            return float(np.exp(rng.uniform(np.log(self.low), np.log(self.high))))
        return float(rng.uniform(self.low, self.high))


RANGES: dict[str, Range] = {
    # Command programme
    "level_spread": Range(0.02, 0.10, "of span", "levels of recipes differ from part to part; common practice"),
    "short_dwell_s": Range(0.3, 1.2, "s", "fast small presses, clamping and ejecting; common practice"),
    "dwell_s": Range(1.5, 8.0, "s", "moulding and forming cycles of 10 to 60 s; common practice"),
    "long_dwell_s": Range(8.0, 30.0, "s", "holding and curing; common practice"),
    "controller_travel_s": Range(1.0, 12.0, "s", "a controller's own ramp over the full span; common practice"),
    "idle_s": Range(30.0, 90.0, "s", "a press that waits for parts most of the time; common practice"),
    "stop_s": Range(15.0, 60.0, "s", "loading, measuring, a short break with the pump off; common practice"),
    "command_noise": Range(0.0003, 0.0015, "of span", "noise of a reading of 4-20 mA over 250 ohm; common practice"),
    "command_reading_noise": Range(0.0008, 0.0015, "of span", "0.1 % of span on the reading alone; common practice"),
    "wire_noise": Range(0.0008, 0.004, "of span", "unshielded command lead next to a motor cable; common practice"),
    # Driver
    "current_full_a": Range(0.6, 2.6, "A", "24 V proportional solenoids; common practice"),
    "current_zero_share": Range(
        0.02, 0.35, "of current at full", "dead band compensated by the driver; common practice"
    ),
    "ramp_s": Range(0.3, 5.0, "s", "usual setting of driver ramps; common practice"),
    "short_ramp_s": Range(0.05, 0.25, "s", "ramps set to spare pipes from hammer; common practice"),
    "long_ramp_s": Range(5.0, 15.0, "s", "heavy platens; common practice"),
    "bend": Range(0.015, 0.05, "of span", "drivers that linearise the valve; common practice"),
    "jump": Range(0.02, 0.10, "of span", "dead-band jump of a driver just above zero command; common practice"),
    "loop_lag_s": Range(0.004, 0.04, "s", "L/R of a solenoid with a current loop; common practice"),
    "overshoot_zeta": Range(0.4, 0.9, "1", "current loop tuned for speed; common practice"),
    "overshoot_hz": Range(4.0, 20.0, "Hz", "natural frequency of such a loop; common practice"),
    "off_below_pct": Range(1.0, 3.0, "%", "off threshold of drivers with a live zero; common practice"),
    "dither_hz": Range(60.0, 250.0, "Hz", "dither of on-off and pilot stages; common practice"),
    "pwm_hz": Range(
        400.0, 20_000.0, "Hz", "from output stages that hum to silent ones; common practice, from memory", True
    ),
    "coil_lag_s": Range(0.01, 0.04, "s", "L/R of a cold solenoid; common practice"),
    "dither_share": Range(0.03, 0.15, "of span, peak to peak", "dither settings; common practice"),
    "resistance_load": Range(
        0.4, 0.62, "of supply", "share of 24 V a cold coil takes at full current; common practice"
    ),
    "supply_v": Range(23.0, 26.0, "V", "24 V supplies, IEC 61131-2 allows 19.2 to 30 V"),
    # Hydraulics
    "pressure_full_bar": Range(60.0, 320.0, "bar", "press hydraulics; common practice"),
    "pilot_full_bar": Range(3.0, 5.8, "bar", "pilot pressure of 6 bar full scale; common practice"),
    "pressure_zero_share": Range(
        0.02, 0.10, "of pressure at full", "lowest pressure of a relief valve; common practice"
    ),
    "play_share": Range(0.005, 0.02, "of span, half width", "hysteresis of 1 to 4 % with dither; common practice"),
    "stiction_share": Range(
        0.02, 0.035, "of span, half width", "hysteresis up to 7 % without dither; common practice"
    ),
    "breakaway_share": Range(
        0.002, 0.01, "of span", "static above sliding friction, without dither; common practice"
    ),
    "curve": Range(0.9, 1.35, "exponent", "solenoid force against current is bent; common practice"),
    "dead_band": Range(0.0, 0.02, "of span", "dead band left by the setting of zero current; common practice"),
    "settling_s": Range(0.02, 0.2, "s", "stiff small volumes; common practice"),
    "slow_settling_s": Range(0.3, 1.5, "s", "large cylinders and hoses; common practice"),
    "accumulator_fall": Range(2.0, 6.0, "times slower", "an accumulator empties through a throttle; common practice"),
    "pulsation_share": Range(0.004, 0.02, "of pressure", "axial piston pump with 9 pistons; common practice"),
    "pulsation_hz": Range(170.0, 320.0, "Hz", "9 pistons at 1150 to 2100 rev/min"),
    "relief_share": Range(0.80, 0.97, "of pressure at full", "relief valve set under what the valve could give"),
    "load_share": Range(0.35, 0.77, "of cycle", "approach, part contact and decompression; common practice"),
    "load_pressure": Range(0.05, 0.5, "of pressure at full", "pressure that moves a platen; common practice"),
    "oil_low_degc": Range(20.0, 40.0, "degC", "a cold start; common practice"),
    "oil_high_degc": Range(45.0, 60.0, "degC", "warm oil under the usual 60 degC limit; common practice"),
    "oil_coefficient": Range(
        -0.0004, 0.0004, "of pressure per K", "viscosity changes the pilot flow; common practice"
    ),
    "creep_share": Range(0.003, 0.01, "of pressure", "pressure that creeps up to its value; common practice"),
    "neighbour_s": Range(0.4, 2.0, "s", "gauge behind a damping throttle or a long hose; common practice"),
    "neighbour_offset": Range(-0.03, -0.005, "of pressure at full", "pressure lost by leakage on the way"),
    # Readings
    "current_noise": Range(0.0005, 0.003, "of span", "a hall sensor of 0.5 % class; common practice"),
    "pressure_noise": Range(0.0003, 0.002, "of full scale", "a transmitter of 0.5 % class; common practice"),
    "hum_share": Range(0.002, 0.01, "of span, amplitude", "mains hum on unscreened readings; common practice"),
    "jitter": Range(0.05, 0.3, "of period", "a logger on a desktop computer; common practice"),
    "channel_lag_s": Range(0.02, 0.2, "s", "channels scanned over one bus after another; common practice"),
    "low_pass_hz": Range(8.0, 40.0, "Hz", "input filters of logger modules; common practice"),
    "full_scale": Range(1.15, 2.0, "of largest value", "instrument ranges come in steps; common practice"),
    "saturation": Range(0.82, 0.95, "of largest value", "an instrument chosen too small; common practice"),
    "clock_ppm": Range(5.0, 50.0, "ppm, either sign", "quartz of a logger or computer; common practice"),
    "own_tolerance": Range(0.6, 2.0, "of default", "tolerances a plant sets for itself"),
    # Faults
    "onset_share": Range(0.3, 0.7, "of log", "a fault that begins well within the log"),
}


def drawn(name: str, rng: np.random.Generator) -> float:
    """One value of the range `name`."""
    return RANGES[name].draw(rng)
