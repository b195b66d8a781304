"""R at 20 degC from a cold start: the dwells of its first three quarters of a minute, led back to its first moment.

The temperature is that of the oil beside the valve or of the air as the sheet has it; both are only known roughly,
and that is most of the uncertainty.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from asleft.judge.coil.coil import (
    ColdCoil,
    by_voltage,
    cable_in_voltage,
    reference_of,
    resistance_now,
    telling,
    winding,
)
from asleft.judge.coil.copper import copper
from asleft.judge.decide import Estimate
from asleft.judge.driver.clipping import Clip
from asleft.judge.features import Dwell
from asleft.judge.types import FloatArray
from asleft.sheet.model import Sheet

#: Dwells of this long after the first current are led back to it.
START_S = 45.0
BIN_S = 0.5
#: Usual time constant of a winding in its body; within a factor of three it leaves R unmoved.
_WINDING_S = 170.0
#: Oil beside a valve that has stood for hours stands for its winding within this (k = 1).
_OIL_U_K = 3.0
#: Largest rise of a winding at work, and the slowest time constant with which it goes.
_RISE_K, _SLOWEST_S = 80.0, 3600.0


@dataclass(slots=True)
class ColdStart:
    """First current after a soak: instant (unix s), length of the soak (s), oil then (degC, NaN if unknown).

    `square_a2s`: integral of the current squared over each half second since.
    """

    at_s: float
    soak_s: float
    oil_degc: float
    square_a2s: list[float] = field(default_factory=lambda: [0.0] * round(START_S / BIN_S))


def cold_temperature(sheet: Sheet, start: ColdStart) -> tuple[float, float] | None:
    """Temperature (degC) of a soaked winding and its standard uncertainty (K); None where nothing tells it.

    From the oil beside the valve, or the air as the sheet has it, whichever is surer; with what may be left of the
    heat of work.
    """
    known: list[tuple[float, float]] = []
    if math.isfinite(start.oil_degc):
        known.append((start.oil_degc, _OIL_U_K))
    air = sheet.conditions.ambient_temperature_degc
    if air is not None:
        known.append((0.5 * (air[0] + air[1]), (air[1] - air[0]) / math.sqrt(12.0)))
    if not known:
        return None
    degc, u_k = min(known, key=lambda item: item[1])
    return degc, math.hypot(u_k, _RISE_K * math.exp(-start.soak_s / _SLOWEST_S) / math.sqrt(3.0))


def measure_cold(dwells: Sequence[Dwell], sheet: Sheet, start: ColdStart) -> ColdCoil | None:
    """R at 20 degC from the first dwells, led back to the first moment; None if they do not tell.

    The heat since the start, the sum of I^2 dt that has not leaked away, warms the winding in proportion:
    R = R0 (1 + b E) by least squares weighted like `by_voltage`. Led back like the resistance after
    switching off in IEC 60034-1, with the roles of hot and cold exchanged.
    """
    temperature = cold_temperature(sheet, start)
    whole = by_voltage(dwells, sheet)
    if temperature is None or whole is None or whole.dwells < 3:
        return None
    rows = telling(dwells, sheet)
    heat = heat_at(start, np.array([0.5 * (d.from_s + d.to_s) for d in rows]))
    ampere = np.array([d.current_a for d in rows])
    ratio = np.array([d.coil_v for d in rows]) / ampere - cable_in_voltage(sheet)[0]
    weight = np.array([d.n for d in rows]) * ampere**2
    design = np.column_stack((np.ones(heat.size), heat))
    covariance = np.linalg.inv(design.T @ (design * weight[:, None]))
    solution = covariance @ (design.T @ (weight * ratio))
    dof = float(max(heat.size - 2, 1))
    scatter = float(weight @ (ratio - design @ solution) ** 2) / dof
    degc, u_k = temperature
    scale = 1.0 / copper(degc)
    return ColdCoil(
        ohm=float(solution[0]) * scale,
        se_ohm=math.sqrt(scatter * float(covariance[0, 0])) * scale,
        dof=dof,
        gain=whole.systematic_ohm / whole.ohm,
        temperature_degc=degc,
        temperature_u_k=u_k,
        from_s=whole.from_s,
        to_s=whole.to_s,
        dwells=whole.dwells,
    )


def heat_at(start: ColdStart, times_s: FloatArray) -> FloatArray:
    """Integral of I^2 dt (A^2 s) since the start that is still in the winding at some times (unix s).

    Heat leaks out of the winding with a time constant of some minutes: first-order, bin by bin.
    """
    kept = math.exp(-BIN_S / _WINDING_S)
    edge = [0.0]
    for square in start.square_a2s:
        edge.append(edge[-1] * kept + square * (1.0 - kept) * _WINDING_S / BIN_S)
    return np.asarray(np.interp(times_s - start.at_s, BIN_S * np.arange(len(edge)), edge))


def cold_estimate(sheet: Sheet, cold: ColdCoil | None, dwells: Sequence[Dwell], clip: Clip | None) -> Estimate | str:
    """R at 20 degC where the coil was met cold; else why it is not observed, and what R says instead."""
    if cold is not None:
        return Estimate(
            value=cold.ohm,
            repeatability=cold.se_ohm,
            dof=cold.dof,
            systematic=math.hypot(cold.gain, cold.temperature_share) * cold.ohm,
            segments=cold.dwells,
            from_s=cold.from_s,
            to_s=cold.to_s,
            note=f"from a cold start at {cold.temperature_degc:.0f} °C",
        )
    now = resistance_now(dwells, sheet, clip)
    if now is None:
        return "neither coil voltage nor full saturation"
    reference = reference_of(sheet, None)
    told = f"now {now.ohm:.2f} Ω"
    if reference is not None:
        told += f", so the winding is at {winding(now, reference).degc:.0f} °C"
    return f"only after a cold soak of 3 hours, with oil or air temperature known; {told}"
