"""Logs that do not fit their sheet: units, ranges, swapped columns, another valve's sheet. The machine is healthy."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from strangers.machine import Machine
from strangers.truth import Stranger

Columns = dict[str, np.ndarray]


def _scaled(name: str, factor: float) -> Callable[[Columns, Machine], Columns]:
    return lambda c, _m: {**c, name: c[name] * factor}


def _swapped(a: str, b: str) -> Callable[[Columns, Machine], Columns]:
    return lambda c, _m: {**c, a: c[b], b: c[a]}


def _share(c: Columns, m: Machine) -> np.ndarray:
    return (c["command"] - m.driver.signal_zero) / m.signal_span


def _transmitter_ma(c: Columns, m: Machine) -> Columns:
    top = 1.25 * m.valve.p_full_bar
    return {**c, "pressure": 4.0 + 16.0 * c["pressure"] / top}


def _counts(c: Columns, m: Machine) -> Columns:
    top = 1.25 * m.valve.p_full_bar
    return {**c, "pressure": np.round(27648.0 * c["pressure"] / top)}


#: name: (what the log's columns become, columns it needs)
TABLE: dict[str, tuple[Callable[[Columns, Machine], Columns], tuple[str, ...]]] = {
    "current in mA": (_scaled("current", 1000.0), ("current",)),
    "command in percent": (lambda c, m: {**c, "command": 100.0 * _share(c, m)}, ()),
    "command in volts": (lambda c, m: {**c, "command": 10.0 * _share(c, m)}, ()),
    "command in counts": (lambda c, m: {**c, "command": np.round(27648.0 * _share(c, m))}, ()),
    "pressure in psi": (_scaled("pressure", 14.5038), ("pressure",)),
    "pressure in MPa": (_scaled("pressure", 0.1), ("pressure",)),
    "pressure in counts": (_counts, ("pressure",)),
    "pressure in transmitter mA": (_transmitter_ma, ("pressure",)),
    "0-20 mA on the sheet": (lambda c, _m: c, ()),
    "current and pressure swapped": (_swapped("current", "pressure"), ("current", "pressure")),
    "command and current swapped": (_swapped("command", "current"), ("current",)),
    "another valve's sheet": (lambda c, _m: c, ()),
}
MISFITS: tuple[str, ...] = tuple(TABLE)


def misfitted(s: Stranger, misfit: str, m: Machine, other: Callable[[int], Stranger]) -> Stranger:
    """The stranger with a log or a sheet that does not fit; `other` draws a plain stranger from a seed.

    Raises:
        ValueError: The misfit is not known, or the log lacks a column it needs.
    """
    if misfit not in TABLE:
        raise ValueError(f"unknown misfit {misfit!r}")
    change, needs = TABLE[misfit]
    missing = [name for name in needs if name not in s.columns]
    if missing:
        raise ValueError(f"{misfit!r} needs the columns {missing}")
    sheet = s.sheet
    if misfit == "0-20 mA on the sheet":
        if m.driver.kind != "4-20mA":
            raise ValueError(f"{misfit!r} needs a 4-20 mA signal")
        sheet = sheet.replace('kind = "4-20mA"', 'unit = "mA"\nat_zero = 0.0\nat_full = 20.0')
    if misfit == "another valve's sheet":
        sheet = next(o.sheet for o in map(other, range(s.seed + 1000, s.seed + 1100)) if _differs(o, s))
    return replace(s, sheet=sheet, columns=change(s.columns, m))


def _differs(other: Stranger, s: Stranger) -> bool:
    """Whether another valve's currents or pressures are far enough away to be noticed: a quarter and more."""
    pairs = [
        (other.actuals[q].left, s.actuals[q].left) for q in ("current_at_full", "pressure_at_full") if q in s.actuals
    ]
    return all(abs(a / b - 1.0) > 0.25 for a, b in pairs)
