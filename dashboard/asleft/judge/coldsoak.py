"""Cold starts: the only times at which the temperature of the winding is known without its resistance.

After three hours without current the winding has the temperature of what it is bolted to. The first current then
meets a cold coil, and the dwells of the next minute, led back to that instant along the heat put in since, give R at
that temperature. What it misses: starts after pauses in the readings (nobody can say that no current flowed).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from asleft.judge.clipping import Clip
from asleft.judge.coil import (
    ColdCoil,
    by_voltage,
    cable_in_voltage,
    copper,
    reference_of,
    resistance_now,
    telling,
    winding,
)
from asleft.judge.columns import CURRENT, OIL, TIME
from asleft.judge.decide import Estimate
from asleft.judge.features import Dwell
from asleft.judge.types import FloatArray
from asleft.sheet.model import Sheet

SOAK_S = 3.0 * 3600.0
#: Dwells of this long after the first current are led back to it.
START_S = 60.0
#: Readings further apart than this do not show that no current flowed between them.
_PAUSE_S = 60.0
_NO_CURRENT = 0.03
#: A measured R at 20 degC is taken for the present one for this long.
KEPT_S = 14.0 * 86400.0
_MOST_COLDS = 40
#: Oil beside a valve that has stood for hours stands for its winding within this (k = 1).
_OIL_U_K = 3.0
#: Largest rise of a winding at work, and the slowest time constant with which it goes.
_RISE_K, _SLOWEST_S = 80.0, 3600.0


@dataclass(frozen=True, slots=True)
class ColdStart:
    """First current after a soak: instant (unix s), length of the soak (s), oil then (degC, NaN if unknown)."""

    at_s: float
    soak_s: float
    oil_degc: float


@dataclass(slots=True)
class SoakCarry:
    """Between calls: since when no current flows, the last reading, starts not yet measured, results."""

    quiet_since_s: float | None = None
    last_s: float | None = None
    oil_degc: float = math.nan
    starts: list[ColdStart] = field(default_factory=list)
    colds: list[ColdCoil] = field(default_factory=list)  # oldest first

    def copy(self) -> SoakCarry:
        """An independent copy."""
        return replace(self, starts=list(self.starts), colds=list(self.colds))

    def cold_at(self, time_s: float) -> ColdCoil | None:
        """The last result before `time_s`, unless it is too old."""
        known = [cold for cold in self.colds if time_s - KEPT_S <= cold.to_s and cold.from_s <= time_s]
        return known[-1] if known else None


def soak_in(raw: Mapping[str, Any]) -> SoakCarry:
    """From the plain values that `dataclasses.asdict` makes of one."""
    starts = [ColdStart(**start) for start in raw["starts"]]
    return SoakCarry(**{**raw, "starts": starts, "colds": [ColdCoil(**cold) for cold in raw["colds"]]})


def see_soak(columns: FloatArray, sheet: Sheet, carry: SoakCarry) -> None:
    """Follow the current through new samples (shape (ROWS, n)); `carry` is updated in place."""
    full = sheet.as_left.get("current_at_full")
    known = np.isfinite(columns[CURRENT])
    if full is None or not known.any():
        return
    time_s, current = columns[TIME, known], columns[CURRENT, known]
    oil = columns[OIL, known]
    flows = current > _NO_CURRENT * full
    before = time_s[0] if carry.last_s is None else carry.last_s
    fresh = np.diff(time_s, prepend=before) > _PAUSE_S
    quiet = carry.quiet_since_s
    if carry.last_s is None and not flows[0]:
        quiet = float(time_s[0])
    edges = np.flatnonzero(fresh | (np.diff(flows, prepend=quiet is None) != 0))
    for k in edges.tolist():
        if flows[k]:
            soak = 0.0 if quiet is None or fresh[k] else float(time_s[k]) - quiet
            if soak >= SOAK_S:
                seen = oil[: k + 1][np.isfinite(oil[: k + 1])]
                warm = float(seen[-1]) if seen.size else carry.oil_degc
                carry.starts.append(ColdStart(float(time_s[k]), soak, warm))
            quiet = None
        else:
            quiet = float(time_s[k])
    carry.quiet_since_s, carry.last_s = quiet, float(time_s[-1])
    seen = oil[np.isfinite(oil)]
    if seen.size:
        carry.oil_degc = float(seen[-1])


def take_cold(dwells: Sequence[Dwell], sheet: Sheet, carry: SoakCarry, *, closed: bool = False) -> None:
    """Measure every start whose minute is over (all of them if `closed`)."""
    while carry.starts:
        start = carry.starts[0]
        if not closed and (not dwells or dwells[-1].from_s <= start.at_s + START_S):
            return
        carry.starts.pop(0)
        cold = measure_cold([d for d in dwells if start.at_s <= d.from_s <= start.at_s + START_S], sheet, start)
        if cold is not None:
            carry.colds = [*carry.colds, cold][-_MOST_COLDS:]


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
    """R at 20 degC from the dwells of the first minute, led back to its beginning; None if they do not tell.

    The heat since the start, the sum of I^2 t, warms the winding in proportion as long as that is short against its
    time constant; R = R0 (1 + b E) by least squares weighted like `by_voltage`. Led back like the resistance after
    switching off in IEC 60034-1, with the roles of hot and cold exchanged.
    """
    temperature = cold_temperature(sheet, start)
    whole = by_voltage(dwells, sheet)
    if temperature is None or whole is None or whole.dwells < 3:
        return None
    rows = telling(dwells, sheet)
    put_in = {d.from_s: heat for d, heat in zip(dwells, _heat(dwells, start.at_s), strict=True)}
    heat = np.array([put_in[d.from_s] for d in rows])
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


def _heat(dwells: Sequence[Dwell], start_s: float) -> list[float]:
    """Sum of I^2 dt (A^2 s) from the start to the middle of each dwell; what lies between two goes with the later."""
    out, total, last_s = [], 0.0, start_s
    for dwell in dwells:
        middle_s = 0.5 * (dwell.from_s + dwell.to_s)
        square = dwell.current_a**2 if math.isfinite(dwell.current_a) else 0.0
        out.append(total + square * (middle_s - last_s))
        total, last_s = total + square * (dwell.to_s - last_s), dwell.to_s
    return out


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
            note=f"from a cold start at {cold.temperature_degc:.0f} degC",
        )
    now = resistance_now(dwells, sheet, clip)
    if now is None:
        return "neither coil voltage nor full saturation"
    reference = reference_of(sheet, None)
    told = f"now {now.ohm:.2f} ohm"
    if reference is not None:
        told += f", so the winding is at {winding(now, reference).degc:.0f} degC"
    return f"only after a cold soak of 3 hours, with oil or air temperature known; {told}"
