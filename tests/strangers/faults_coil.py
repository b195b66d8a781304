"""Faults of coil, wiring, supply and output stage."""

from __future__ import annotations

from typing import Any

from strangers.fault_row import AGAINST_DRIVER_SIDE, HYDRAULIC, SENSOR, SETTING, WINDING, Context, Row, part_set

CLIPPED: dict[str, Any] = {
    "kinds": part_set("current-clipped"),
    "contradicted": HYDRAULIC | SENSOR | {"command-wiring", "controller"},
    "kinds_no_current": part_set("pressure-clipped", "pressure-changed"),
    "no_pressure": SENSOR,  # a reading at the end of its range is flat as well
    "needs": "current",
}
INTERRUPTED: dict[str, Any] = {
    "kinds": part_set("current-lost"),
    "contradicted": HYDRAULIC | {"command-wiring", "controller", "driver-setting"},
    "kinds_no_current": part_set("pressure-changed", "response-changed", "model-misfit", "pressure-clipped"),
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


def _shorted(c: Context) -> dict[str, float]:
    v = c.m.valve
    lost = c.p_share() * v.p_full_bar / (v.p_full_bar - v.p_zero_bar) * c.m.span_a / v.ref_full_a
    return {"coil.turns": -min(lost, 0.5)}


COIL: dict[str, Row] = {
    "coil hot": Row(
        "the winding's resistance no longer lets the full current flow",
        _needed_winding_degc,
        parts=part_set("coil"),
        tie=part_set("supply", "coil-wiring", "driver"),
        forces={"coil.r20_ohm": lambda m: 0.74 * m.coil.supply_v / m.driver.i_full_a},  # clips at about 100 degC
        **CLIPPED,
    ),
    "driver limit lower": Row(
        "the driver cuts the current below what was set",
        lambda c: {"driver.limit_a": c.i_clip() - c.m.driver.limit_a},
        parts=part_set("driver"),
        tie=WINDING | SETTING,
        **CLIPPED,
    ),
    "wiring resistance": Row(
        "a corroded terminal in the coil's circuit",
        _needed_cable_ohm,
        parts=part_set("coil-wiring"),
        tie=part_set("supply", "coil", "driver"),
        **CLIPPED,
    ),
    "supply low": Row(
        "the driver's supply falls",
        lambda c: {"coil.supply_v": max(c.by("supply_voltage", -1.0), -0.6 * c.m.coil.supply_v)},
        part_set("supply-low", "current-clipped"),
        part_set("supply"),
        contradicted=HYDRAULIC | SENSOR | {"command-wiring", "controller", "driver-setting"},
        no_current=frozenset(),
        needs="supply",
        forces={"logger.extra": ("supply",)},
    ),
    "shorted turns": Row(
        "part of the turns carry no current: less resistance, less force at the same current",
        _shorted,
        part_set("pressure-changed", "coil-changed"),
        part_set("coil"),
        HYDRAULIC,
        AGAINST_DRIVER_SIDE,
        needs="pressure",
    ),
    "open coil": Row(
        "the coil's circuit is open",
        lambda _c: {"disturbance.current_open": 1.0},
        parts=part_set("coil"),
        tie=part_set("coil-wiring", "driver", "supply"),
        **INTERRUPTED,
    ),
    "open coil in breaks": Row(
        "the coil's circuit opens 25 times for 0.05 to 0.5 s",
        lambda _c: {"disturbance.current_open": 1.0},
        parts=part_set("coil"),
        tie=part_set("coil-wiring", "driver", "supply"),
        pattern="breaks",
        **INTERRUPTED,
    ),
    "loose contact": Row(
        "a contact opens some hundred times for 10 to 80 ms",
        lambda _c: {"disturbance.current_open": 1.0},
        parts=part_set("coil-wiring"),
        tie=part_set("coil", "driver", "supply"),
        pattern="short breaks",
        **{**INTERRUPTED, "kinds": part_set("current-lost", "model-misfit")},
    ),
    "driver output off": Row(
        "the driver's output stage switches off",
        lambda _c: {"disturbance.current_open": 1.0},
        parts=part_set("driver"),
        tie=part_set("coil", "coil-wiring", "supply"),
        **INTERRUPTED,
    ),
}
