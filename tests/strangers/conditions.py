"""The oddities ("conditions") of machines: what each changes on a plain one, and which exclude each other."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from strangers.machine import Machine
from strangers.ranges import drawn

Change = Callable[[Machine, np.random.Generator], dict[str, Any]]

CURRENTS = ("current_at_zero", "current_at_full")
RAMPS = ("ramp_up", "ramp_down")
PRESSURES = ("pressure_at_zero", "pressure_at_full")
ALL = (*CURRENTS, *RAMPS, *PRESSURES, "hysteresis")


def _controller(m: Machine, rng: np.random.Generator, shape: str) -> dict[str, Any]:
    travel = max(drawn("controller_travel_s", rng), 1.4 * max(m.driver.ramp_up_s, m.driver.ramp_down_s))
    if shape == "s-curve":  # its steepest part is pi/2 times the mean slope
        travel *= 1.6
    return {"programme.shape": shape, "programme.travel_s": travel}


def _beat(m: Machine, rng: np.random.Generator, beat_hz: float) -> dict[str, Any]:
    """Dither at a multiple of the logger's rate plus `beat_hz`, through a filter that lets much of it pass.

    A logger that is faster than any dither has no such multiple: there the dither stays as drawn.
    """
    multiple = round(drawn("dither_hz", rng) / m.logger.rate_hz)
    if not multiple and m.logger.rate_hz < 400.0:
        multiple = 1
    return {
        "driver.dither_hz": multiple * m.sampled_hz + beat_hz if multiple else m.driver.dither_hz,
        "logger.low_pass_hz": 80.0,
        "paper.quantities": (*m.paper.quantities, "dither_frequency", "dither_amplitude")
        if rng.random() < 0.5
        else m.paper.quantities,
    }


def _locked_ripple(m: Machine) -> dict[str, Any]:
    """Switching at a multiple of the logger's rate: every row meets it at the same phase."""
    multiple = max(1, round(m.driver.pwm_hz / m.logger.rate_hz))
    return {"driver.pwm_hz": multiple * m.sampled_hz, "logger.low_pass_hz": 80.0}


def _inverted(rng: np.random.Generator) -> dict[str, Any]:
    ends = [(20.0, 4.0, "mA"), (10.0, 0.0, "V"), (9.0, 1.0, "V")][int(rng.integers(3))]
    return {"driver.kind": ends[2], "driver.signal_zero": ends[0], "driver.signal_full": ends[1]}


def _part_range(rng: np.random.Generator) -> dict[str, Any]:
    ends = [(6.0, 14.0, "mA"), (12.0, 20.0, "mA"), (2.0, 8.0, "V"), (0.5, 4.5, "V"), (0.0, 20.0, "mA")]
    zero, full, unit = ends[int(rng.integers(len(ends)))]
    return {"driver.kind": unit, "driver.signal_zero": zero, "driver.signal_full": full}


def _voltage(rng: np.random.Generator) -> dict[str, Any]:
    full = float(rng.choice([5.0, 10.0]))
    return {"driver.kind": f"0-{full:.0f}V", "driver.signal_zero": 0.0, "driver.signal_full": full}


def _ramps(rng: np.random.Generator, name: str) -> dict[str, Any]:
    up, down = drawn(name, rng), drawn(name, rng)
    return {
        "driver.ramp_up_s": up,
        "driver.ramp_down_s": down,
        "programme.dwell_low_s": 2.0 + 0.5 * max(up, down),
        "programme.dwell_high_s": 5.0 + 1.5 * max(up, down),
    }


def _pilot(rng: np.random.Generator) -> dict[str, Any]:
    full = drawn("pilot_full_bar", rng)
    return {"valve.p_full_bar": full, "valve.p_zero_bar": full * float(rng.uniform(0.0, 0.1))}


def _flow(_m: Machine, rng: np.random.Generator) -> dict[str, Any]:
    return {
        "valve.controls": "flow",
        "programme.load_share": 1.0,
        "valve.load_share": drawn("load_pressure", rng),
        "paper.quantities": (*CURRENTS, *RAMPS),
    }


def _sparse(rng: np.random.Generator) -> tuple[str, ...]:
    pairs = [CURRENTS, RAMPS, (*CURRENTS, *RAMPS), (*CURRENTS, *PRESSURES), ("current_at_full", "ramp_up")]
    return pairs[int(rng.integers(len(pairs)))]


RICH: dict[str, Any] = {
    "logger.extra": ("supply", "coil_voltage", "enable", "pump_running", "oil_temperature", "mode"),
    "logger.bursts": True,
    "logger.low_pass_hz": 40.0,
    "paper.instruments": True,
    "paper.characteristic": True,
    "paper.quantities": (*ALL, "dither_frequency", "dither_amplitude", "coil_resistance", "supply_voltage"),
}


TABLE: dict[str, Change] = {
    # commands
    "levels vary": lambda _m, r: {"programme.level_spread": drawn("level_spread", r)},
    "exact command": lambda _m, _r: {"logger.command_noise": 0.0},
    "command reading noise": lambda _m, r: {"logger.command_noise": drawn("command_reading_noise", r)},
    "wire noise": lambda _m, r: {"programme.wire_noise": drawn("wire_noise", r)},
    "short dwells": lambda _m, r: {
        "programme.dwell_low_s": (low := drawn("short_dwell_s", r)),
        "programme.dwell_high_s": 3 * low,
    },
    "long dwells": lambda _m, r: {
        "programme.dwell_low_s": (low := drawn("long_dwell_s", r)),
        "programme.dwell_high_s": min(30.0, 1.5 * low),
    },
    "on/off only": lambda _m, _r: {"programme.levels": 2},
    "middle only": lambda _m, _r: {"programme.level_low": 0.4, "programme.level_high": 0.6, "programme.levels": 4},
    "never settled": lambda m, _r: {
        "programme.dwell_low_s": 0.15 * m.driver.ramp_up_s + 0.05,
        "programme.dwell_high_s": 0.5 * m.driver.ramp_up_s + 0.1,
    },
    "controller ramps": lambda m, r: _controller(m, r, "ramp"),
    "s-curves": lambda m, r: _controller(m, r, "s-curve"),
    "idle mostly": lambda _m, r: {"programme.idle_s": drawn("idle_s", r), "programme.levels": 3},
    "three strokes": lambda _m, _r: {"programme.strokes": 3},
    "voltage signal": lambda _m, r: _voltage(r),
    "part range": lambda _m, r: _part_range(r),
    "inverted range": lambda _m, r: _inverted(r),
    # driver
    "s-shaped law": lambda _m, r: {"driver.law": "s-shaped", "driver.bend": drawn("bend", r)},
    "kneed law": lambda _m, r: {"driver.law": "kneed", "driver.bend": drawn("bend", r) * float(r.choice([-1, 1]))},
    "dead-band jump": lambda _m, r: {"driver.jump": drawn("jump", r)},
    "two-slope ramp": lambda _m, _r: {"driver.ramp": "two-slope"},
    "first-order ramp": lambda _m, _r: {"driver.ramp": "first-order"},
    "short ramps": lambda _m, r: _ramps(r, "short_ramp_s"),
    "long ramps": lambda _m, r: _ramps(r, "long_ramp_s"),
    "no ramps": lambda _m, _r: {"driver.ramp": "none", "driver.ramp_up_s": 0.0, "driver.ramp_down_s": 0.0},
    "ramp in amperes": lambda _m, _r: {"driver.ramp_in_amperes": True},
    "overshooting loop": lambda _m, r: {
        "driver.overshoot_zeta": drawn("overshoot_zeta", r),
        "driver.overshoot_hz": drawn("overshoot_hz", r),
    },
    "off threshold": lambda _m, r: {"driver.off_below_pct": drawn("off_below_pct", r)},
    # readings
    "coarse readings": lambda _m, r: {"logger.bits": int(r.integers(8, 11))},
    "slow logger": lambda _m, r: {"logger.rate_hz": float(r.choice([10.0, 20.0]))},
    "fast logger": lambda _m, r: {"logger.rate_hz": float(r.choice([500.0, 1000.0])), "programme.duration_s": 180.0},
    "irregular sampling": lambda _m, _r: {"logger.irregular": True},
    "jitter": lambda _m, r: {"logger.jitter": drawn("jitter", r)},
    "holes": lambda _m, r: {"logger.holes": int(r.integers(3, 25))},
    "channel lag": lambda _m, r: {
        "logger.current_lag_s": drawn("channel_lag_s", r),
        "logger.pressure_lag_s": drawn("channel_lag_s", r),
    },
    "random lag": lambda _m, r: {"logger.current_lag_s": drawn("channel_lag_s", r), "logger.random_lag": True},
    "hum": lambda _m, r: {
        "logger.hum_share": drawn("hum_share", r),
        "logger.hum_hz": float(r.choice([49.98, 60.02])),
    },
    "dither beats": lambda m, r: _beat(m, r, float(np.exp(r.uniform(np.log(0.02), np.log(20.0))))),
    "dither stands still": lambda m, r: _beat(m, r, 0.0),
    "saturated reading": lambda _m, r: {"logger.full_scale": drawn("saturation", r)},
    "no current channel": lambda _m, _r: {"logger.current": False},
    "no pressure channel": lambda _m, _r: {"logger.pressure": False},
    "neighbouring volume": lambda _m, r: {
        "valve.neighbour_s": drawn("neighbour_s", r),
        "valve.neighbour_offset_share": drawn("neighbour_offset", r),
    },
    # hydraulics
    "slow pressure": lambda _m, r: {"valve.settling_s": drawn("slow_settling_s", r)},
    "pump pulsation": lambda _m, r: {
        "valve.pulsation_share": drawn("pulsation_share", r),
        "valve.pulsation_hz": drawn("pulsation_hz", r),
        "logger.low_pass_hz": 80.0,
    },
    "relief cuts the top": lambda _m, r: {"valve.relief_share": drawn("relief_share", r)},
    "accumulator": lambda _m, r: {"valve.fall_factor": drawn("accumulator_fall", r), "valve.settling_s": 0.3},
    "stops": lambda m, r: {
        "programme.stops": int(r.integers(2, 5)),
        "logger.extra": (*m.logger.extra, "enable", "pump_running"),
    },
    "unmarked stops": lambda _m, r: {"programme.stops": int(r.integers(2, 5))},
    "load makes pressure": lambda m, r: {
        "programme.load_share": drawn("load_share", r),
        "valve.load_share": drawn("load_pressure", r),
        "logger.extra": (*m.logger.extra, "mode") if r.random() < 0.5 else m.logger.extra,
    },
    "oil warms": lambda m, r: {
        "valve.oil_start_degc": drawn("oil_low_degc", r),
        "valve.oil_end_degc": drawn("oil_high_degc", r),
        "valve.oil_coefficient": drawn("oil_coefficient", r),
        "logger.extra": (*m.logger.extra, "oil_temperature"),
        "paper.oil_window_degc": (35.0, 58.0) if r.random() < 0.5 else (),
    },
    "stiction": lambda _m, r: {
        "valve.play_share": drawn("stiction_share", r),
        "valve.breakaway_share": drawn("breakaway_share", r),
        "driver.dither_pp_a": 0.0,
    },
    "creep": lambda _m, r: {"valve.creep_share": drawn("creep_share", r)},
    "pilot pressure": lambda _m, r: _pilot(r),
    "flow valve": _flow,
    # sheet and log
    "sparse sheet": lambda _m, r: {"paper.quantities": _sparse(r)},
    "rich sheet": lambda _m, _r: RICH,
    "own tolerances": lambda _m, r: {
        "paper.own_tolerance": drawn("own_tolerance", r),
        "paper.own_below": float(r.choice([0.6, 1.0])),
    },
    "command read at the controller": lambda _m, _r: {
        "logger.command_where": "controller's value",
        "paper.instruments": True,
    },
    "current from the monitor output": lambda _m, _r: {
        "logger.current_where": "driver's monitor output",
        "paper.instruments": True,
    },
    "three minutes": lambda _m, _r: {"programme.duration_s": 180.0},
    "thirty minutes": lambda _m, _r: {"programme.duration_s": 1800.0, "logger.rate_hz": 50.0},
    # Last, for it hangs on the rate that the oddities above leave.
    "ripple stands still": lambda m, _r: _locked_ripple(m),
}
#: Oddities of which a mixture takes at most one each; those not named here are free.
EXCLUSIVE: tuple[tuple[str, ...], ...] = (
    ("short dwells", "long dwells", "never settled", "short ramps", "long ramps", "three strokes"),
    ("on/off only", "middle only", "idle mostly"),
    ("controller ramps", "s-curves", "no ramps", "two-slope ramp", "first-order ramp", "ramp in amperes"),
    ("voltage signal", "part range", "inverted range"),
    ("exact command", "command reading noise", "wire noise"),
    ("s-shaped law", "kneed law", "dead-band jump", "off threshold"),
    ("slow logger", "fast logger", "thirty minutes", "three minutes", "irregular sampling"),
    ("jitter", "channel lag", "random lag", "holes"),
    ("dither beats", "dither stands still", "ripple stands still", "stiction", "hum", "pump pulsation"),
    ("no current channel", "no pressure channel", "saturated reading"),
    ("neighbouring volume", "slow pressure", "accumulator", "load makes pressure", "flow valve"),
    ("stops", "unmarked stops"),
    ("sparse sheet", "rich sheet", "pilot pressure", "own tolerances"),
)
CONDITIONS: tuple[str, ...] = ("plain", *TABLE, "mixture")
