"""Faults of the valve and of its pressure source."""

from __future__ import annotations

from strangers.fault_row import AGAINST_DRIVER_SIDE, WINDING, Context, Row, part_set
from strangers.truth import settings


def _ceiling(c: Context) -> dict[str, float]:
    """A ceiling `size` tolerances under the pressure that full command has when left."""
    v = c.m.valve
    left = settings(c.m)["pressure_at_full"] / (1.0 + v.neighbour_offset_share)
    return {"disturbance.source_ceiling": max(left / v.p_full_bar - c.p_share(), 0.1) - 1.0}


def _spring(c: Context) -> dict[str, float]:
    change = c.by("pressure_at_full")
    return {"disturbance.spring_bar": change if change > -0.8 * c.m.valve.p_zero_bar else -change}


VALVE: dict[str, Row] = {
    "valve spring": Row(
        "the pressure moves by one amount at every current",
        _spring,
        part_set("pressure-changed", "pressure-unwanted"),
        part_set("valve"),
        part_set("pressure-source", "pressure-sensor", "coil"),
        AGAINST_DRIVER_SIDE,
        needs="pressure",
    ),
    "seat worn": Row(
        "the valve loses pressure towards the top",
        lambda c: {"disturbance.seat_share": min(c.p_share(), 0.9)},
        part_set("pressure-changed", "pressure-clipped"),
        part_set("valve"),
        part_set("pressure-source", "pressure-sensor", "coil"),
        AGAINST_DRIVER_SIDE,
        needs="pressure",
    ),
    "friction grown": Row(
        "the play of the spool grows",
        lambda c: {"valve.play_share": c.by("hysteresis", 1.0) / 200.0},
        part_set("hysteresis-changed", "pressure-changed"),
        part_set("valve"),
        part_set("driver", "driver-setting"),
        part_set("pressure-source", "pressure-sensor", "command-wiring", "controller", "current-sensor", *WINDING),
        needs="pressure",
    ),
    "spool sticks": Row(
        "the spool stands still for 3 to 20 s, again and again",
        lambda _c: {"disturbance.stuck": 1.0},
        part_set("hysteresis-changed", "pressure-changed", "response-changed", "model-misfit", "pressure-unwanted"),
        part_set("valve"),
        part_set("pressure-sensor", "pressure-source", "driver", "driver-setting"),
        part_set("command-wiring", "controller", "current-sensor", *WINDING),
        needs="pressure",
        pattern="long breaks",
        sized=False,
    ),
    "spool stuck at zero": Row(
        "the spool stays where zero command left it",
        lambda _c: {"disturbance.stuck": 1.0},
        part_set("pressure-changed", "response-changed", "pressure-clipped", "model-misfit", "hysteresis-changed"),
        part_set("valve"),
        part_set("pressure-source", "pressure-sensor", "coil", "coil-wiring"),  # a short takes the force as well
        AGAINST_DRIVER_SIDE,
        needs="pressure",
        sized=False,
        forces={"disturbance.stuck_at_zero": True},
    ),
    "source weak at the top": Row(
        "the pressure source gives no more than a ceiling",
        _ceiling,
        part_set("pressure-clipped", "pressure-changed"),
        part_set("pressure-source"),
        part_set("valve", "pressure-sensor", "coil"),
        AGAINST_DRIVER_SIDE,
        needs="pressure",
    ),
    "pressures fall by a factor": Row(
        "all pressures fall by one factor",
        lambda c: {"disturbance.source_factor": -min(c.p_share(), 0.9)},
        part_set("pressure-changed"),
        part_set("pressure-source"),
        part_set("valve", "pressure-sensor", "coil"),
        AGAINST_DRIVER_SIDE,
        needs="pressure",
    ),
    "unwanted pressure": Row(
        "the pressure never falls below a floor above the characteristic",
        lambda c: {"disturbance.pressure_floor_bar": c.m.valve.p_zero_bar + c.by("pressure_at_zero", 1.0)},
        part_set("pressure-unwanted", "pressure-changed"),
        part_set("valve"),
        part_set("pressure-source", "pressure-sensor", "coil"),
        AGAINST_DRIVER_SIDE,
        needs="pressure",
    ),
}
