"""Faults of the command, the driver and its settings."""

from __future__ import annotations

from typing import Any

from strangers.fault_row import HYDRAULIC, SENSOR, SETTING, WINDING, Context, Row, part_set

AT_CONTROLLER: dict[str, Any] = {"logger.command_where": "controller's value", "paper.instruments": True}
AT_DRIVER: dict[str, Any] = {"logger.command_where": "at the driver's terminals", "paper.instruments": True}
LIVE_ZERO: dict[str, Any] = {"driver.kind": "4-20mA", "driver.signal_zero": 4.0, "driver.signal_full": 20.0}
CURRENT: dict[str, Any] = {
    "contradicted": HYDRAULIC | WINDING | SENSOR | {"controller"},
    "no_pressure": SENSOR,
    "kinds_no_current": part_set("pressure-changed"),
}
RAMP: dict[str, Any] = {
    "parts": SETTING,
    "tie": part_set("driver"),
    "contradicted": HYDRAULIC | WINDING | SENSOR | {"command-wiring"},
    "no_current": HYDRAULIC,
    "kinds_no_current": part_set("response-changed"),
}


def _gain(c: Context) -> float:
    return c.by("current_at_full") / c.m.span_a


DRIVER: dict[str, Row] = {
    "ramp up turned": Row(
        "the driver's ramp-up time is set anew",
        lambda c: {"driver.ramp_up_s": c.slower("ramp_up")},
        part_set("ramp-up-changed"),
        **RAMP,
    ),
    "ramp down turned": Row(
        "the driver's ramp-down time is set anew",
        lambda c: {"driver.ramp_down_s": c.slower("ramp_down")},
        part_set("ramp-down-changed"),
        **RAMP,
    ),
    "both ramps turned": Row(
        "both ramp times are set anew",
        lambda c: {"driver.ramp_up_s": c.slower("ramp_up"), "driver.ramp_down_s": c.slower("ramp_down")},
        part_set("ramp-up-changed", "ramp-down-changed"),
        **RAMP,
    ),
    "ramp slow one minute in three": Row(
        "the ramp up takes twice its time during one minute of three",
        lambda c: {"driver.ramp_up_s": max(c.m.driver.ramp_up_s, 0.3)},
        part_set("ramp-up-changed"),
        pattern="one minute in three",
        sized=False,
        **RAMP,
    ),
    "current at zero turned": Row(
        "the driver's current at zero command is set anew",
        lambda c: {"driver.i_zero_a": c.by("current_at_zero")},
        part_set("current-zero-changed"),
        SETTING,
        part_set("driver"),
        **CURRENT,
    ),
    "current at full turned": Row(
        "the driver's current at full command is set anew",
        lambda c: {"driver.i_full_a": c.by("current_at_full")},
        part_set("current-full-changed"),
        SETTING,
        part_set("driver"),
        **CURRENT,
    ),
    "both currents turned": Row(
        "both currents are set anew, in one direction",
        lambda c: {"driver.i_zero_a": c.by("current_at_zero"), "driver.i_full_a": c.by("current_at_full")},
        part_set("current-full-changed", "current-zero-changed"),
        SETTING,
        part_set("driver"),
        **CURRENT,
    ),
    "driver gain": Row(
        "the driver's gain drifts",
        lambda c: {"driver.gain": _gain(c)},
        part_set("current-full-changed"),
        part_set("driver"),
        SETTING,
        **CURRENT,
    ),
    "driver offset": Row(
        "the driver's zero drifts",
        lambda c: {"driver.offset": _gain(c)},
        part_set("current-full-changed", "current-zero-changed"),
        part_set("driver"),
        SETTING,
        **CURRENT,
    ),
    "command shunted": Row(
        "part of the signal leaks between controller and driver; it is recorded at the controller",
        lambda c: {"disturbance.wire_gain": -min(abs(_gain(c)), 0.5)},
        part_set("current-full-changed", "current-zero-changed"),
        part_set("command-wiring"),
        part_set("driver", "driver-setting"),
        forces=AT_CONTROLLER,
        **CURRENT,
    ),
    "command failed": Row(
        "the signal at the driver is 3.58 mA with 0.016 mA of noise (failed after NAMUR NE 43)",
        lambda _c: {"disturbance.command_failed": 1.0},
        part_set("command-failed"),
        part_set("command-wiring"),
        part_set("controller"),
        HYDRAULIC | WINDING | SENSOR | {"driver", "driver-setting"},
        no_current=frozenset(),
        needs="command",
        sized=False,
        forces={**LIVE_ZERO, **AT_DRIVER},
    ),
    "command beyond range": Row(
        "the signal at the driver is 21.6 mA (failed after NAMUR NE 43)",
        lambda _c: {"disturbance.command_failed": 1.0},
        part_set("command-failed", "command-clipped"),
        part_set("command-wiring"),
        part_set("controller"),
        HYDRAULIC | WINDING | SENSOR | {"driver", "driver-setting"},
        no_current=frozenset(),
        needs="command",
        sized=False,
        forces={**LIVE_ZERO, **AT_DRIVER, "disturbance.command_failed_ma": 21.6},
    ),
    "controller asks for more": Row(
        "the controller's levels grow by 4.5 %, so that its highest one leaves the range",
        lambda _c: {"disturbance.command_factor": 0.045},
        part_set("command-clipped"),
        part_set("controller"),
        part_set("command-wiring"),
        HYDRAULIC | WINDING | SENSOR | {"driver", "driver-setting"},
        no_current=frozenset(),
        needs="command",
        sized=False,
        forces={**LIVE_ZERO, "programme.level_high": 1.0},
    ),
    "current unasked": Row(
        "the driver never goes below half of its span",
        lambda c: {"disturbance.current_floor_a": c.m.driver.i_zero_a + 0.5 * c.m.span_a},
        part_set("current-unwanted", "current-zero-changed"),
        part_set("driver"),
        SETTING | {"coil-wiring"},  # a lead that touches the supply does the same
        sized=False,
        **{**CURRENT, "kinds_no_current": part_set("pressure-unwanted", "pressure-changed")},
    ),
    "dither lost": Row(
        "the driver no longer dithers; the spool's play grows",
        lambda c: {"driver.dither_pp_a": -c.m.driver.dither_pp_a, "valve.play_share": 0.006},
        part_set("dither-lost", "dither-changed"),
        part_set("driver"),
        SETTING,
        HYDRAULIC | WINDING | SENSOR | {"command-wiring", "controller"},
        needs="bursts",
        sized=False,
        forces={"logger.bursts": True},
    ),
    "dither strength": Row(
        "the dither's amplitude is set anew",
        lambda c: {"driver.dither_pp_a": max(c.by("dither_amplitude"), -0.9 * c.m.driver.dither_pp_a)},
        part_set("dither-changed", "dither-lost"),
        SETTING,
        part_set("driver"),
        HYDRAULIC | WINDING | SENSOR | {"command-wiring", "controller"},
        needs="bursts",
        forces={"logger.bursts": True},
    ),
    "dither frequency": Row(
        "the dither's frequency is set anew",
        lambda c: {"driver.dither_hz": c.by("dither_frequency")},
        part_set("dither-changed"),
        SETTING,
        part_set("driver"),
        HYDRAULIC | WINDING | SENSOR | {"command-wiring", "controller"},
        needs="bursts",
        forces={"logger.bursts": True},
    ),
}
