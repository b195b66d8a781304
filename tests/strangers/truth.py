"""What is known of a drawn log: the true value of every quantity on its sheet, and its faults.

A true value is what the recorded channels show at rest and without noise, by the definitions of the design: as found
means as re-measured by this log's instruments. A sensor that has moved therefore moves the quantity it reads.
Interruptions (open coil, failed command, dead reading) are no value of a setting: they only take rows away.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from strangers.driver import asked_current, driver_demand, static_current
from strangers.hydraulics import characteristic, spool_input
from strangers.machine import Machine
from strangers.paper import write_csv

UNITS = {
    "current_at_zero": "A",
    "current_at_full": "A",
    "ramp_up": "s",
    "ramp_down": "s",
    "dither_frequency": "Hz",
    "dither_amplitude": "A",
    "pressure_at_zero": "bar",
    "pressure_at_full": "bar",
    "hysteresis": "%",
    "coil_resistance": "ohm",
    "supply_voltage": "V",
}

#: What a sheet may state, by its reader's own messages; currents and dither at full are above zero.
LIMITS = {
    "current_at_zero": (0.0, 5.0),
    "current_at_full": (1e-3, 5.0),
    "ramp_up": (0.0, 600.0),
    "ramp_down": (0.0, 600.0),
    "dither_frequency": (20.0, 500.0),
    "dither_amplitude": (1e-4, 5.0),
    "pressure_at_zero": (0.0, 1000.0),
    "pressure_at_full": (1e-3, 1000.0),
    "hysteresis": (0.0, 50.0),
    "coil_resistance": (1e-3, 1000.0),
    "supply_voltage": (9.0, 36.0),
}


@dataclass(frozen=True)
class Actual:
    """One quantity of the sheet. Tolerances are absolute and >= 0; an infinite side is not judged.

    `low`, `high`: smallest and largest true value within the log; `now`: at its end. `bound`: standard deviation by
    Cramer and Rao that this log allows, None where it cannot show the quantity; `untold`: that it allows to one who
    is not told the driver's law, nor when between two readings a command stepped.
    """

    quantity: str
    unit: str
    left: float
    tolerance_below: float
    tolerance_above: float
    low: float
    high: float
    now: float
    defined: bool
    why_undefined: str
    bound: float | None
    why_unseen: str
    untold: float | None


@dataclass(frozen=True)
class Fault:
    """A fault of the log. `size` is in tolerances of the quantity it moves first; `onset_s` from the first row."""

    name: str
    size: float
    course: str
    onset_s: float
    kinds: frozenset[str]  # finding kinds, any of which names it
    quantities: frozenset[str]  # sheet quantities it moves
    parts: frozenset[str]  # the part at fault
    tie: frozenset[str]  # parts no recorded channel can tell from it
    contradicted: frozenset[str]  # parts that the recorded evidence speaks against
    visible: bool  # the channels of this log can show it


@dataclass(frozen=True)
class Stranger:
    """A log with its sheet and its truth. `columns["time"]` is in seconds from the first row."""

    seed: int
    condition: str
    valve_id: str
    sheet: str
    columns: dict[str, np.ndarray]
    bursts: dict[str, np.ndarray] | None
    actuals: dict[str, Actual]
    faults: tuple[Fault, ...]
    misfit: str | None
    rate_hz: float
    description: str

    def write(self, folder: Path) -> tuple[Path, Path]:
        """Writes log.csv, sheet.toml and, where there is one, burst.csv; returns the first two paths."""
        folder.mkdir(parents=True, exist_ok=True)
        log, sheet = folder / "log.csv", folder / "sheet.toml"
        write_csv(log, self.columns)
        sheet.write_text(self.sheet, encoding="utf-8")
        if self.bursts is not None:
            write_csv(folder / "burst.csv", self.bursts)
        return log, sheet


def settings(m: Machine) -> dict[str, float]:
    """All quantities of a machine as its channels show them at rest.

    Currents at exactly 0 and 100 % of the recorded command; where the driver is off there (off threshold), the
    current that the straight line gives; where a limit cuts the top, the setting, as lower levels show it. Ramps:
    as-found span over as-found slope: the full-span time of the demand, and less where a floor takes from the span.
    Pressures on the falling branch at zero, on the rising branch at full. Hysteresis: 200 x half width of the
    play, in % of the span as left (a changed span moves it by less than a tenth of its tolerance).
    """
    d, x = m.driver, m.disturbance
    shift = (d.signal_zero * (x.wire_gain - 1.0)) / m.signal_span
    ends = np.array([0.0, 1.0]) * x.wire_gain + shift
    current = static_current(m, ends)
    scale = (d.i_full_a - d.i_zero_a) / m.span_a if d.ramp_in_amperes else 1.0
    asked = asked_current(m, driver_demand(m, ends))
    found = np.maximum(asked, x.current_floor_a)
    travel = float(ends[1] - ends[0]) * d.gain * scale * float(np.ptp(found) / np.ptp(asked))
    s = spool_input(m, current)
    p = characteristic(m, s + np.array([1.0, -1.0]) * m.valve.play_share, m.valve.oil_now_degc)
    if x.stuck_at_zero and x.stuck > 0.5:
        p[1] = p[0]
    p = np.maximum(p, x.pressure_floor_bar)
    p = np.minimum(p, 1e9 if x.source_ceiling >= 1.0 else x.source_ceiling * m.valve.p_full_bar)
    p = (p + m.valve.neighbour_offset_share * p) * x.pressure_gain + x.pressure_zero_bar
    read = found * x.current_gain + x.current_zero_a
    return {
        "current_at_zero": float(read[0]),
        "current_at_full": float(read[1]),
        "ramp_up": d.ramp_up_s * travel,
        "ramp_down": d.ramp_down_s * travel,
        "dither_frequency": d.dither_hz,
        "dither_amplitude": d.dither_pp_a * x.current_gain,
        "pressure_at_zero": float(p[0]),
        "pressure_at_full": float(p[1]),
        "hysteresis": 200.0 * m.valve.play_share,
        "coil_resistance": m.coil.r20_ohm * m.coil.turns,
        "supply_voltage": m.coil.supply_v,
    }


def default_tolerance(quantity: str, left: dict[str, float]) -> tuple[float, float]:
    """Default tolerance (below, above) of the design, absolute; an infinite side is not judged."""
    value = left[quantity]
    if quantity in ("current_at_zero", "current_at_full"):
        t = max(0.02 * abs(left["current_at_full"] - left["current_at_zero"]), 0.010)
        return t, t
    if quantity in ("ramp_up", "ramp_down"):
        return max(0.1 * value, 0.05), max(0.1 * value, 0.05)
    if quantity in ("pressure_at_zero", "pressure_at_full"):
        return 0.02 * left["pressure_at_full"], 0.02 * left["pressure_at_full"]
    if quantity == "hysteresis":
        return np.inf, 2.0
    if quantity == "supply_voltage":
        return 0.1 * value, np.inf
    share = {"dither_frequency": 0.10, "dither_amplitude": 0.25, "coil_resistance": 0.10}[quantity]
    return share * value, share * value


def undefined(m: Machine, quantity: str) -> str:
    """Why the machine has no such number; empty where it has one."""
    if quantity in ("ramp_up", "ramp_down") and m.driver.ramp in ("two-slope", "first-order"):
        return f"the ramp is {m.driver.ramp}: no one slope"
    if quantity == "current_at_zero" and m.driver.off_below_pct and m.driver.jump:
        return "off at zero command, and a jump above it"
    if quantity in ("dither_frequency", "dither_amplitude") and not m.driver.dither_pp_a:
        return "no dither"
    return ""
