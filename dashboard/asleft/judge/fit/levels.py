"""Mean readings at each level of the command, and how well a reading of the columns agrees with the sheet there."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from asleft.judge.fit import points as pt
from asleft.judge.types import FloatArray
from asleft.judge.valve.curve import curve_of
from asleft.sheet.model import Sheet

_LEAST_READINGS = 3.0
_STILL = 1e-6  # of the largest current: no noise, as far as sums can tell
_MOST_WEIGHT = 50.0  # readings at one level count up to so many: a machine that idles is not judged by that alone
#: Shares of the weight: what agrees must agree nearly everywhere, what does not must be off in a quarter at least.
_AGREES, _OFF = 0.9, 0.75
#: A command may go beyond the ends of its range by this share before it speaks against the reading of it.
_BEYOND = 0.06


@dataclass(eq=False, frozen=True, slots=True)
class Levels:
    """Means at each level, shape (m,): command, current and pressure as read, NaN where not read.

    `current_sd`: spread of the current within a level. `high`: highest pressure sustained there. `at_rest`: whether
    only readings after a rest of the command are in it.
    """

    weight: FloatArray
    command: FloatArray
    current: FloatArray
    current_sd: FloatArray
    pressure: FloatArray
    high: FloatArray
    at_rest: bool

    @property
    def spread(self) -> float:
        """Distance of the highest from the lowest level (command as read); 0 without levels."""
        return float(np.ptp(self.command)) if self.command.size else 0.0

    def swapped(self, one: str, other: str) -> Levels:
        """The same with two columns taken for each other."""
        values = {"command": self.command, "current": self.current, "pressure": self.pressure}
        taken = {**values, one: values[other], other: values[one]}
        high = self.high if "pressure" not in (one, other) else taken["pressure"]
        command, current, pressure = taken["command"], taken["current"], taken["pressure"]
        return replace(self, command=command, current=current, pressure=pressure, high=high)


def levels_of(table: pt.Table, *, at_rest: bool) -> Levels:
    """From a table; levels with fewer than three readings are left out."""
    rows = table.rows[table.rows[:, pt.N] >= _LEAST_READINGS]
    n = rows[:, pt.N]
    with np.errstate(divide="ignore", invalid="ignore"):
        current = rows[:, pt.CURRENT] / rows[:, pt.N_CURRENT]
        variance = rows[:, pt.CURRENT_2] / rows[:, pt.N_CURRENT] - current**2
        pressure = rows[:, pt.PRESSURE] / rows[:, pt.N_PRESSURE]
        high = np.where(np.isfinite(rows[:, pt.HIGH]), rows[:, pt.HIGH], pressure)
        command = rows[:, pt.COMMAND] / n
    spread = np.sqrt(np.maximum(variance, 0.0))
    current = np.where(_saturated(current, spread), np.nan, current)
    return Levels(np.minimum(n, _MOST_WEIGHT), command, current, spread, pressure, high, at_rest)


def _saturated(current: FloatArray, spread: FloatArray) -> npt.NDArray[np.bool_]:
    """Levels at which the current's reading stands at its highest value without any noise, where others have some."""
    read = np.isfinite(current)
    none = np.zeros(current.size, dtype=bool)
    if read.sum() < 4:
        return none
    top = float(np.max(np.abs(current[read])))
    still = read & (spread <= _STILL * top)
    stands = still & (np.abs(current) >= (1.0 - _STILL) * top)
    return stands if (read & ~still).sum() >= 3 else none


def share_at(values: FloatArray, weight: FloatArray, share: float) -> float:
    """Weighted quantile; infinite without values."""
    if values.size == 0:
        return float("inf")
    order = np.argsort(values)
    total = np.cumsum(weight[order])
    return float(values[order][int(np.searchsorted(total, share * total[-1]))])


@dataclass(frozen=True, slots=True)
class Agreement:
    """How far readings lie from the sheet, as shares of the span.

    `most`: nine tenths of the weight lie within it. `off`: a quarter of the weight lies beyond it. `spread`: of the
    demand that was seen, in its range.
    """

    most: float
    off: float
    spread: float
    levels: int


NO_AGREEMENT = Agreement(float("inf"), 0.0, 0.0, 0)


def current_agreement(sheet: Sheet, demand: FloatArray, current: FloatArray, weight: FloatArray) -> Agreement:
    """Of a current (A) with the straight line between the sheet's ends; demand outside its range counts as far."""
    zero, full = sheet.as_left.get("current_at_zero"), sheet.as_left.get("current_at_full")
    known = np.isfinite(demand) & np.isfinite(current)
    if zero is None or full is None or known.sum() < 2:
        return NO_AGREEMENT
    u, i, w = demand[known], current[known], weight[known]
    inside = np.clip(u, 0.0, 1.0)
    beyond = np.maximum(np.abs(u - inside) - _BEYOND, 0.0)
    far = np.abs(i - zero - inside * (full - zero)) / (full - zero) + beyond
    return Agreement(share_at(far, w, _AGREES), share_at(far, w, _OFF), float(np.ptp(inside)), int(known.sum()))


def expected_bar(sheet: Sheet, demand: FloatArray) -> FloatArray | None:
    """Pressure by the sheet at these demands; None where it gives none or the valve does not control pressure."""
    top = sheet.as_left.get("pressure_at_full")
    if sheet.controls != "pressure" or top is None:
        return None
    curve = curve_of(sheet)
    if curve is None:  # without a pressure at zero: a line through nothing, which is near enough here
        return np.clip(demand, 0.0, 1.0) * top
    zero, full = sheet.as_left.get("current_at_zero", 0.0), sheet.as_left.get("current_at_full", 1.0)
    return curve.pressure_at(zero + np.clip(demand, 0.0, 1.0) * (full - zero))


@dataclass(frozen=True, slots=True)
class PressureAgreement:
    """Of a pressure with the sheet's characteristic, where a load may hold it lower than the valve would.

    `above`: share of the weight that lies above it. `on`: share that lies on it. `off`: median distance of what lies
    on it, share of full. `spread`: of the demand of what lies on it. `ratio`: median of highest pressure over that of
    the sheet, where the sheet has at least a quarter of full; NaN where not seen.
    """

    above: float
    on: float
    off: float
    spread: float
    ratio: float
    levels: int


def pressure_agreement(
    sheet: Sheet, demand: FloatArray, levels: Levels, scale: float = 1.0, offset: float = 0.0, *, near: float = 0.12
) -> PressureAgreement | None:
    """Of pressure = offset + scale * reading; `near` is what counts as on the characteristic, share of full."""
    expected = expected_bar(sheet, demand)
    known = np.isfinite(levels.pressure) & np.isfinite(demand)
    if expected is None or known.sum() < 2:
        return None
    full = sheet.as_left["pressure_at_full"]
    mean, high = (offset + scale * values[known] for values in (levels.pressure, levels.high))
    wanted, weight, u = expected[known], levels.weight[known], np.clip(demand[known], 0.0, 1.0)
    total = float(weight.sum())
    above = mean > wanted + near * full
    on = ~above & ((high if levels.at_rest else mean + near * full) >= wanted - near * full)
    tall = wanted >= 0.25 * full
    best = np.clip(wanted, np.minimum(mean, high), np.maximum(mean, high))
    return PressureAgreement(
        float(weight[above].sum()) / total,
        float(weight[on].sum()) / total,
        float(np.median(np.abs(best[on] - wanted[on]))) / full if on.any() else float("inf"),
        float(np.ptp(u[on])) if on.any() else 0.0,
        float(np.median(high[tall] / wanted[tall])) if tall.any() else float("nan"),
        int(on.sum()),
    )
