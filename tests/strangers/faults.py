"""The catalogue of faults: what each does to the machine, which findings name it, whose part it is.

`parts` is the truth. `tie` are parts that no recorded channel can tell from it; it grows where a channel is missing.
`contradicted` are parts that the evidence of a full log speaks against; those in `tie` are taken out of it.
Sizes are in tolerances of the quantity that the fault moves first.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from strangers.machine import Machine
from strangers.truth import settings

HYDRAULIC = frozenset({"valve", "pressure-source", "pressure-sensor"})
WINDING = frozenset({"coil", "coil-wiring", "supply"})
DRIVING = frozenset({"driver", "driver-setting", "command-wiring", "controller"})
SENSOR = frozenset({"current-sensor"})
SETTING = frozenset({"driver-setting"})


@dataclass(frozen=True)
class Context:
    """What a fault is made from: the machine, absolute tolerances (below, above), the size, a sign, chance."""

    m: Machine
    tolerance: Mapping[str, tuple[float, float]]
    size: float
    sign: float
    rng: np.random.Generator

    def by(self, quantity: str, sign: float | None = None) -> float:
        """Signed change of `size` tolerances of a quantity."""
        s = self.sign if sign is None else sign
        below, above = self.tolerance[quantity]
        return s * self.size * (above if s > 0 else below)

    def slower(self, quantity: str) -> float:
        """Change of a ramp time that leaves at least a tenth of it."""
        change = self.by(quantity)
        left = self.m.get(f"driver.{quantity}_s")
        return change if left + change > max(0.1 * left, 0.02) else self.by(quantity, 1.0)

    def p_share(self, quantity: str = "pressure_at_full") -> float:
        """Size in tolerances as a share of pressure at full."""
        return abs(self.by(quantity, -1.0)) / self.m.valve.p_full_bar

    def i_clip(self) -> float:
        """Current at which a limit cuts, `size` tolerances under current at full."""
        return max(self.m.driver.i_full_a + self.by("current_at_full", -1.0), 0.3 * self.m.driver.i_full_a)


Changes = Callable[[Context], dict[str, float]]


@dataclass(frozen=True)
class Row:
    """One fault. `needs`: what must be recorded to see it; `no_...`: what a missing channel adds to the tie."""

    effect: str
    changes: Changes
    kinds: frozenset[str]
    parts: frozenset[str]
    tie: frozenset[str] = frozenset()
    contradicted: frozenset[str] = frozenset()
    kinds_no_current: frozenset[str] = frozenset({"pressure-changed"})
    no_current: frozenset[str] = DRIVING | HYDRAULIC | WINDING
    no_pressure: frozenset[str] = frozenset()
    needs: str = "any"  # "current", "pressure", "command", "supply", "bursts"
    pattern: str = ""  # a course of its own
    sized: bool = True
    forces: Mapping[str, Any] = field(default_factory=dict)  # fields of the healthy machine; may be functions of it

    def forced(self, m: Machine) -> Machine:
        """The healthy machine as this fault wants it."""
        values = {path: value(m) if callable(value) else value for path, value in self.forces.items()}
        if "logger.extra" in values:
            values["logger.extra"] = tuple(dict.fromkeys((*m.logger.extra, *values["logger.extra"])))
        return m.set(values)


def _set(*names: str) -> frozenset[str]:
    return frozenset(names)


AT_CONTROLLER = {"logger.command_where": "controller's value", "paper.instruments": True}
AT_DRIVER = {"logger.command_where": "at the driver's terminals", "paper.instruments": True}
LIVE_ZERO = {"driver.kind": "4-20mA", "driver.signal_zero": 4.0, "driver.signal_full": 20.0}
AGAINST_DRIVER_SIDE = DRIVING | SENSOR | _set("coil-wiring", "supply")
CURRENT = {"contradicted": HYDRAULIC | WINDING | SENSOR | {"controller"}, "no_pressure": SENSOR}
RAMP = {
    "parts": SETTING,
    "tie": _set("driver"),
    "contradicted": HYDRAULIC | WINDING | SENSOR | {"command-wiring"},
    "no_current": _set("valve", "pressure-source"),
}
CLIPPED = {
    "kinds": _set("current-clipped"),
    "contradicted": HYDRAULIC | SENSOR | {"command-wiring", "controller"},
    "kinds_no_current": _set("pressure-clipped", "pressure-changed"),
    "needs": "current",
}
INTERRUPTED = {
    "kinds": _set("current-lost"),
    "contradicted": HYDRAULIC | {"command-wiring", "controller", "driver-setting"},
    "kinds_no_current": _set("pressure-changed", "response-changed", "model-misfit", "pressure-clipped"),
    "no_pressure": SENSOR,
    "sized": False,
}


def _needed_winding_degc(c: Context) -> dict[str, float]:
    k, need = c.m.coil, c.i_clip()
    hot = (k.supply_v - k.driver_drop_v) / need - k.cable_ohm
    return {"coil.winding_degc": (hot / k.r20_ohm - 1.0) / 0.00393 + 20.0 - k.winding_degc}


def _needed_cable_ohm(c: Context) -> dict[str, float]:
    k = c.m.coil
    hot = k.r20_ohm * (1 + 0.00393 * (k.winding_degc - 20.0))
    return {"coil.cable_ohm": (k.supply_v - k.driver_drop_v) / c.i_clip() - hot - k.cable_ohm}


def _ceiling(c: Context) -> dict[str, float]:
    """A ceiling `size` tolerances under the pressure that full command has when left."""
    v = c.m.valve
    left = settings(c.m)["pressure_at_full"] / (1.0 + v.neighbour_offset_bar / v.p_full_bar)
    return {"disturbance.source_ceiling": max(left / v.p_full_bar - c.p_share(), 0.1) - 1.0}


def _shorted(c: Context) -> dict[str, float]:
    v = c.m.valve
    lost = c.p_share() * v.p_full_bar / (v.p_full_bar - v.p_zero_bar) * c.m.span_a / v.ref_full_a
    return {"coil.turns": -min(lost, 0.5)}


def _spring(c: Context) -> dict[str, float]:
    change = c.by("pressure_at_full")
    return {"disturbance.spring_bar": change if change > -0.8 * c.m.valve.p_zero_bar else -change}


def _gain(c: Context) -> float:
    return c.by("current_at_full") / c.m.span_a


CATALOGUE: dict[str, Row] = {
    "ramp up turned": Row(
        "the driver's ramp-up time is set anew",
        lambda c: {"driver.ramp_up_s": c.slower("ramp_up")},
        _set("ramp-up-changed"),
        kinds_no_current=_set("ramp-up-changed", "response-changed"),
        **RAMP,
    ),
    "ramp down turned": Row(
        "the driver's ramp-down time is set anew",
        lambda c: {"driver.ramp_down_s": c.slower("ramp_down")},
        _set("ramp-down-changed"),
        kinds_no_current=_set("ramp-down-changed", "response-changed"),
        **RAMP,
    ),
    "both ramps turned": Row(
        "both ramp times are set anew",
        lambda c: {"driver.ramp_up_s": c.slower("ramp_up"), "driver.ramp_down_s": c.slower("ramp_down")},
        _set("ramp-up-changed", "ramp-down-changed"),
        kinds_no_current=_set("ramp-up-changed", "ramp-down-changed", "response-changed"),
        **RAMP,
    ),
    "ramp slow one minute in three": Row(
        "the ramp up takes twice its time during one minute of three",
        lambda c: {"driver.ramp_up_s": max(c.m.driver.ramp_up_s, 0.3)},
        _set("ramp-up-changed"),
        kinds_no_current=_set("ramp-up-changed", "response-changed"),
        pattern="one minute in three",
        sized=False,
        **RAMP,
    ),
    "current at zero turned": Row(
        "the driver's current at zero command is set anew",
        lambda c: {"driver.i_zero_a": c.by("current_at_zero")},
        _set("current-zero-changed"),
        SETTING,
        _set("driver"),
        **CURRENT,
    ),
    "current at full turned": Row(
        "the driver's current at full command is set anew",
        lambda c: {"driver.i_full_a": c.by("current_at_full")},
        _set("current-full-changed"),
        SETTING,
        _set("driver"),
        **CURRENT,
    ),
    "both currents turned": Row(
        "both currents are set anew, in one direction",
        lambda c: {"driver.i_zero_a": c.by("current_at_zero"), "driver.i_full_a": c.by("current_at_full")},
        _set("current-full-changed", "current-zero-changed"),
        SETTING,
        _set("driver"),
        **CURRENT,
    ),
    "driver gain": Row(
        "the driver's gain drifts",
        lambda c: {"driver.gain": _gain(c)},
        _set("current-full-changed"),
        _set("driver"),
        SETTING,
        **CURRENT,
    ),
    "driver offset": Row(
        "the driver's zero drifts",
        lambda c: {"driver.offset": _gain(c)},
        _set("current-full-changed", "current-zero-changed"),
        _set("driver"),
        SETTING,
        **CURRENT,
    ),
    "command shunted": Row(
        "part of the signal leaks between controller and driver; it is recorded at the controller",
        lambda c: {"disturbance.wire_gain": -min(abs(_gain(c)), 0.5)},
        _set("current-full-changed", "current-zero-changed"),
        _set("command-wiring"),
        _set("driver", "driver-setting"),
        forces=AT_CONTROLLER,
        **CURRENT,
    ),
    "command failed": Row(
        "the signal at the driver is 3.58 mA with 0.016 mA of noise (failed after NAMUR NE 43)",
        lambda _c: {"disturbance.command_failed": 1.0},
        _set("command-failed"),
        _set("command-wiring"),
        _set("controller"),
        HYDRAULIC | WINDING | SENSOR | {"driver", "driver-setting"},
        kinds_no_current=_set("command-failed"),
        no_current=frozenset(),
        needs="command",
        sized=False,
        forces={**LIVE_ZERO, **AT_DRIVER},
    ),
    "command beyond range": Row(
        "the signal at the driver is 21.6 mA (failed after NAMUR NE 43)",
        lambda _c: {"disturbance.command_failed": 1.0},
        _set("command-failed", "command-clipped"),
        _set("command-wiring"),
        _set("controller"),
        HYDRAULIC | WINDING | SENSOR | {"driver", "driver-setting"},
        kinds_no_current=_set("command-failed", "command-clipped"),
        no_current=frozenset(),
        needs="command",
        sized=False,
        forces={**LIVE_ZERO, **AT_DRIVER, "disturbance.command_failed_ma": 21.6},
    ),
    "controller asks for more": Row(
        "the controller's levels grow by 4.5 %, so that its highest one leaves the range",
        lambda _c: {"disturbance.command_factor": 0.045},
        _set("command-clipped"),
        _set("controller"),
        _set("command-wiring"),
        HYDRAULIC | WINDING | SENSOR | {"driver", "driver-setting"},
        kinds_no_current=_set("command-clipped"),
        no_current=frozenset(),
        needs="command",
        sized=False,
        forces={"programme.level_high": 1.0},
    ),
    "coil hot": Row(
        "the winding's resistance no longer lets the full current flow",
        _needed_winding_degc,
        parts=_set("coil"),
        tie=_set("supply", "coil-wiring", "driver"),
        forces={"coil.r20_ohm": lambda m: 0.74 * m.coil.supply_v / m.driver.i_full_a},  # clips at about 100 degC
        **CLIPPED,
    ),
    "driver limit lower": Row(
        "the driver cuts the current below what was set",
        lambda c: {"driver.limit_a": c.i_clip() - c.m.driver.limit_a},
        parts=_set("driver"),
        tie=WINDING | SETTING,
        **CLIPPED,
    ),
    "wiring resistance": Row(
        "a corroded terminal in the coil's circuit",
        _needed_cable_ohm,
        parts=_set("coil-wiring"),
        tie=_set("supply", "coil", "driver"),
        **CLIPPED,
    ),
    "supply low": Row(
        "the driver's supply falls",
        lambda c: {"coil.supply_v": max(c.by("supply_voltage", -1.0), -0.6 * c.m.coil.supply_v)},
        _set("supply-low"),
        _set("supply"),
        contradicted=HYDRAULIC | SENSOR | {"command-wiring", "controller", "driver-setting"},
        kinds_no_current=_set("supply-low"),
        no_current=frozenset(),
        needs="supply",
        forces={"logger.extra": ("supply",)},
    ),
    "shorted turns": Row(
        "part of the turns carry no current: less resistance, less force at the same current",
        _shorted,
        _set("pressure-changed", "coil-changed"),
        _set("coil"),
        HYDRAULIC,
        AGAINST_DRIVER_SIDE,
        needs="pressure",
    ),
    "open coil": Row(
        "the coil's circuit is open",
        lambda _c: {"disturbance.current_open": 1.0},
        parts=_set("coil"),
        tie=_set("coil-wiring", "driver", "supply"),
        **INTERRUPTED,
    ),
    "open coil in breaks": Row(
        "the coil's circuit opens 25 times for 0.05 to 0.5 s",
        lambda _c: {"disturbance.current_open": 1.0},
        parts=_set("coil"),
        tie=_set("coil-wiring", "driver", "supply"),
        pattern="breaks",
        **INTERRUPTED,
    ),
    "loose contact": Row(
        "a contact opens some hundred times for 10 to 80 ms",
        lambda _c: {"disturbance.current_open": 1.0},
        parts=_set("coil-wiring"),
        tie=_set("coil", "driver", "supply"),
        pattern="short breaks",
        **{**INTERRUPTED, "kinds": _set("current-lost", "model-misfit")},
    ),
    "driver output off": Row(
        "the driver's output stage switches off",
        lambda _c: {"disturbance.current_open": 1.0},
        parts=_set("driver"),
        tie=_set("coil", "coil-wiring", "supply"),
        **INTERRUPTED,
    ),
    "current unasked": Row(
        "the driver never goes below half of its span",
        lambda c: {"disturbance.current_floor_a": c.m.driver.i_zero_a + 0.5 * c.m.span_a},
        _set("current-unwanted", "current-zero-changed"),
        _set("driver"),
        SETTING,
        kinds_no_current=_set("pressure-unwanted", "pressure-changed"),
        sized=False,
        **CURRENT,
    ),
    "valve spring": Row(
        "the pressure moves by one amount at every current",
        _spring,
        _set("pressure-changed", "pressure-unwanted"),
        _set("valve"),
        _set("pressure-source", "pressure-sensor", "coil"),
        AGAINST_DRIVER_SIDE,
        needs="pressure",
    ),
    "seat worn": Row(
        "the valve loses pressure towards the top",
        lambda c: {"disturbance.seat_share": min(c.p_share(), 0.9)},
        _set("pressure-changed", "pressure-clipped"),
        _set("valve"),
        _set("pressure-source", "pressure-sensor", "coil"),
        AGAINST_DRIVER_SIDE,
        needs="pressure",
    ),
    "friction grown": Row(
        "the play of the spool grows",
        lambda c: {"valve.play_share": c.by("hysteresis", 1.0) / 200.0},
        _set("hysteresis-changed", "pressure-changed"),
        _set("valve"),
        _set("driver", "driver-setting"),
        _set("pressure-source", "pressure-sensor", "command-wiring", "controller", "current-sensor", *WINDING),
        kinds_no_current=_set("hysteresis-changed", "pressure-changed"),
        needs="pressure",
    ),
    "spool sticks": Row(
        "the spool stands still for 3 to 20 s, again and again",
        lambda _c: {"disturbance.stuck": 1.0},
        _set("hysteresis-changed", "pressure-changed", "response-changed", "model-misfit", "pressure-unwanted"),
        _set("valve"),
        _set("pressure-sensor", "pressure-source", "driver", "driver-setting"),
        _set("command-wiring", "controller", "current-sensor", *WINDING),
        kinds_no_current=_set("hysteresis-changed", "pressure-changed", "response-changed", "model-misfit"),
        needs="pressure",
        pattern="long breaks",
        sized=False,
    ),
    "spool stuck at zero": Row(
        "the spool stays where zero command left it",
        lambda _c: {"disturbance.stuck": 1.0},
        _set("pressure-changed", "response-changed", "pressure-clipped", "model-misfit", "hysteresis-changed"),
        _set("valve"),
        _set("pressure-source", "pressure-sensor"),
        AGAINST_DRIVER_SIDE | {"coil"},
        needs="pressure",
        sized=False,
        forces={"disturbance.stuck_at_zero": True},
    ),
    "source weak at the top": Row(
        "the pressure source gives no more than a ceiling",
        _ceiling,
        _set("pressure-clipped", "pressure-changed"),
        _set("pressure-source"),
        _set("valve", "pressure-sensor", "coil"),
        AGAINST_DRIVER_SIDE,
        needs="pressure",
    ),
    "pressures fall by a factor": Row(
        "all pressures fall by one factor",
        lambda c: {"disturbance.source_factor": -min(c.p_share(), 0.9)},
        _set("pressure-changed"),
        _set("pressure-source"),
        _set("valve", "pressure-sensor", "coil"),
        AGAINST_DRIVER_SIDE,
        needs="pressure",
    ),
    "unwanted pressure": Row(
        "the pressure never falls below a floor above the characteristic",
        lambda c: {"disturbance.pressure_floor_bar": c.m.valve.p_zero_bar + c.by("pressure_at_zero", 1.0)},
        _set("pressure-unwanted", "pressure-changed"),
        _set("valve"),
        _set("pressure-source", "pressure-sensor", "coil"),
        AGAINST_DRIVER_SIDE,
        needs="pressure",
    ),
    "pressure sensor zero": Row(
        "the pressure transmitter's zero moves",
        lambda c: {"disturbance.pressure_zero_bar": c.by("pressure_at_full")},
        _set("pressure-changed", "pressure-unwanted"),
        _set("pressure-sensor"),
        _set("valve", "pressure-source", "coil"),
        AGAINST_DRIVER_SIDE,
        needs="pressure",
    ),
    "pressure sensor gain": Row(
        "the pressure transmitter's gain moves",
        lambda c: {"disturbance.pressure_gain": c.sign * min(c.p_share(), 0.9)},
        _set("pressure-changed", "pressure-unwanted"),
        _set("pressure-sensor"),
        _set("valve", "pressure-source", "coil"),
        AGAINST_DRIVER_SIDE,
        needs="pressure",
    ),
    "current sensor zero": Row(
        "the current sensor's zero moves; the pressure does not follow",
        lambda c: {"disturbance.current_zero_a": c.by("current_at_full")},
        _set("current-zero-changed", "current-full-changed"),
        SENSOR,
        contradicted=HYDRAULIC | WINDING | DRIVING,
        no_pressure=_set("driver", "driver-setting"),
        needs="current",
    ),
    "current sensor gain": Row(
        "the current sensor's gain moves; the pressure does not follow",
        lambda c: {"disturbance.current_gain": c.by("current_at_full") / c.m.driver.i_full_a},
        _set("current-full-changed", "current-zero-changed"),
        SENSOR,
        contradicted=HYDRAULIC | WINDING | DRIVING,
        no_pressure=_set("driver", "driver-setting"),
        needs="current",
    ),
    "monitor output moved": Row(
        "the driver's monitor output, recorded as current, gets another gain",
        lambda c: {"disturbance.current_gain": c.by("current_at_full") / c.m.driver.i_full_a},
        _set("current-full-changed", "current-zero-changed"),
        _set("driver"),
        SENSOR,
        HYDRAULIC | WINDING | _set("command-wiring", "controller"),
        no_pressure=SETTING,
        needs="current",
        forces={"logger.current_where": "driver's monitor output", "paper.instruments": True},
    ),
    "command reading dead": Row(
        "the command's reading stands still",
        lambda _c: {"disturbance.dead_command": 1.0},
        _set("reading-pinned", "data-missing", "model-misfit"),
        _set("data"),
        _set("command-wiring", "controller"),
        HYDRAULIC | WINDING,
        kinds_no_current=_set("reading-pinned", "data-missing", "model-misfit"),
        needs="command",
        sized=False,
    ),
    "current reading dead": Row(
        "the current's reading stands still",
        lambda _c: {"disturbance.dead_current": 1.0},
        _set("reading-pinned", "data-missing", "model-misfit"),
        SENSOR,
        _set("data"),
        HYDRAULIC | _set("command-wiring", "controller"),
        no_pressure=_set("driver", "driver-setting"),
        needs="current",
        sized=False,
    ),
    "pressure reading dead": Row(
        "the pressure's reading stands still",
        lambda _c: {"disturbance.dead_pressure": 1.0},
        _set("reading-pinned", "data-missing", "model-misfit"),
        _set("pressure-sensor"),
        _set("data"),
        AGAINST_DRIVER_SIDE,
        kinds_no_current=_set("reading-pinned", "data-missing", "model-misfit"),
        needs="pressure",
        sized=False,
    ),
    "supply reading dead": Row(
        "the supply's reading stands still",
        lambda _c: {"disturbance.dead_supply": 1.0},
        _set("reading-pinned", "data-missing"),
        _set("data"),
        contradicted=HYDRAULIC | SENSOR | DRIVING,
        kinds_no_current=_set("reading-pinned", "data-missing"),
        needs="supply",
        sized=False,
        forces={"logger.extra": ("supply",)},
    ),
    "pressure readings late": Row(
        "the pressure column comes 0.8 s late",
        lambda _c: {"disturbance.late_pressure_s": 0.8},
        _set("response-changed", "clock-wrong", "model-misfit", "data-missing"),
        _set("data"),
        HYDRAULIC,
        AGAINST_DRIVER_SIDE | {"coil"},
        kinds_no_current=_set("response-changed", "clock-wrong", "model-misfit", "data-missing"),
        needs="pressure",
        sized=False,
    ),
    "command readings late": Row(
        "the command column comes 0.8 s late: the current moves before it",
        lambda _c: {"disturbance.late_command_s": 0.8},
        _set("response-changed", "clock-wrong", "model-misfit", "data-missing"),
        _set("data"),
        contradicted=HYDRAULIC | WINDING | DRIVING | SENSOR,
        kinds_no_current=_set("response-changed", "clock-wrong", "model-misfit", "data-missing"),
        no_current=frozenset(),
        needs="command",
        sized=False,
    ),
    "readings missing": Row(
        "cells of current and pressure are empty for 3 to 20 s, again and again",
        lambda _c: {"disturbance.missing": 1.0},
        _set("data-missing"),
        _set("data"),
        contradicted=HYDRAULIC | WINDING | DRIVING | SENSOR,
        kinds_no_current=_set("data-missing"),
        no_current=frozenset(),
        needs="command",
        pattern="long breaks",
        sized=False,
    ),
    "dither lost": Row(
        "the driver no longer dithers; the spool's play grows",
        lambda c: {"driver.dither_pp_a": -c.m.driver.dither_pp_a, "valve.play_share": 0.006},
        _set("dither-lost", "dither-changed"),
        _set("driver"),
        SETTING,
        HYDRAULIC | WINDING | SENSOR | {"command-wiring", "controller"},
        needs="bursts",
        sized=False,
        forces={"logger.bursts": True},
    ),
    "dither strength": Row(
        "the dither's amplitude is set anew",
        lambda c: {"driver.dither_pp_a": max(c.by("dither_amplitude"), -0.9 * c.m.driver.dither_pp_a)},
        _set("dither-changed", "dither-lost"),
        SETTING,
        _set("driver"),
        HYDRAULIC | WINDING | SENSOR | {"command-wiring", "controller"},
        needs="bursts",
        forces={"logger.bursts": True},
    ),
    "dither frequency": Row(
        "the dither's frequency is set anew",
        lambda c: {"driver.dither_hz": c.by("dither_frequency")},
        _set("dither-changed"),
        SETTING,
        _set("driver"),
        HYDRAULIC | WINDING | SENSOR | {"command-wiring", "controller"},
        needs="bursts",
        forces={"logger.bursts": True},
    ),
}
FAULTS: tuple[str, ...] = tuple(CATALOGUE)
