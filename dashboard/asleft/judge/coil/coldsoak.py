"""Cold starts: the only times at which the temperature of the winding is known without its resistance.

After three hours without current the winding has the temperature of what it is bolted to. The first current then
meets a cold coil; the dwells of its first three quarters of a minute, led back to its first moment, give R at that
temperature. It is that of the oil beside the valve or of the air as the sheet has it; both are only known roughly,
and that is most of the uncertainty. What it misses: starts after pauses in the readings (nobody can say that no
current flowed).
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
    copper,
    reference_of,
    resistance_now,
    telling,
    winding,
)
from asleft.judge.decide import Estimate
from asleft.judge.driver.clipping import Clip
from asleft.judge.features import Dwell
from asleft.judge.intake.intake import CURRENT, OIL, TIME
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
    text = f"now {now.ohm:.2f} Ω"
    if reference is not None:
        text += f", so the winding is at {winding(now, reference).degc:.0f} °C"
    return f"only after a cold soak of 3 hours, with oil or air temperature known; {text}"


SOAK_S = 3.0 * 3600.0
#: Readings further apart than this do not show that no current flowed between them.
_PAUSE_S = 60.0
_NO_CURRENT = 0.03
#: A measured R at 20 degC is taken for the present one for this long.
KEPT_S = 14.0 * 86400.0
_MOST_COLDS = 40


@dataclass(slots=True)
class SoakCarry:
    """Between calls: since when no current flows, the last reading, starts not yet measured, results."""

    quiet_since_s: float | None = None
    last_s: float | None = None
    oil_degc: float = math.nan
    starts: list[ColdStart] = field(default_factory=list)
    colds: list[ColdCoil] = field(default_factory=list)  # oldest first

    def cold_at(self, time_s: float) -> ColdCoil | None:
        """The last result before `time_s`, unless it is too old."""
        known = [cold for cold in self.colds if time_s - KEPT_S <= cold.to_s and cold.from_s <= time_s]
        return known[-1] if known else None


def see_soak(columns: FloatArray, sheet: Sheet, carry: SoakCarry) -> None:
    """Follow the current through new samples (shape (ROWS, n)); `carry` is updated in place."""
    full = sheet.as_left.get("current_at_full")
    known = np.isfinite(columns[CURRENT])
    if full is None or not known.any():
        return
    seen_now = columns if known.all() else columns[:, known]
    time_s, current, oil = seen_now[TIME], seen_now[CURRENT], seen_now[OIL]
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
    for start in carry.starts:
        _warm(start, time_s, current, np.diff(time_s, prepend=before))
    carry.quiet_since_s, carry.last_s = quiet, float(time_s[-1])
    seen = oil[np.isfinite(oil)]
    if seen.size:
        carry.oil_degc = float(seen[-1])


def _warm(start: ColdStart, time_s: FloatArray, current: FloatArray, step_s: FloatArray) -> None:
    """Put the heat of new samples into their half seconds; a pause counts as a second at most."""
    inside = slice(*np.searchsorted(time_s, (start.at_s, start.at_s + START_S)).tolist())
    if inside.start < inside.stop:
        which = ((time_s[inside] - start.at_s) / BIN_S).astype(np.int64)
        square = current[inside] ** 2 * np.minimum(step_s[inside], 1.0)
        added = np.bincount(which, weights=square, minlength=len(start.square_a2s))
        start.square_a2s = (np.array(start.square_a2s) + added[: len(start.square_a2s)]).tolist()


def take_cold(dwells: Sequence[Dwell], sheet: Sheet, carry: SoakCarry, *, closed: bool = False) -> None:
    """Measure every start whose first dwells are over (all of them if `closed`)."""
    while carry.starts:
        start = carry.starts[0]
        if not closed and (not dwells or dwells[-1].from_s <= start.at_s + START_S):
            return
        carry.starts.pop(0)
        cold = measure_cold([d for d in dwells if start.at_s <= d.from_s <= start.at_s + START_S], sheet, start)
        if cold is not None:
            carry.colds = [*carry.colds, cold][-_MOST_COLDS:]
