"""Pressure at 0 % and 100 % command, as a gauge shows it, and only where the valve makes it.

A pressure valve sets a ceiling. During approach, decompression or part contact the load makes less pressure than the
characteristic says, and that is no fault. The valve is *in control* where the sheet says so (a command range, a mode)
or at a level whose pressure, steady and repeated, lay on the characteristic when the valve was left; which levels
those are is learnt once after each revision (`learn_control`) and not again. Pressure above the characteristic is
evidence whoever is in control.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from asleft.judge.decide import Estimate
from asleft.judge.segments.features import Dwell
from asleft.sheet.model import Sheet

#: Farthest a visited level may lie from the end that is reported (share of the command).
FARTHEST = 0.10
_LEVEL_STEP = 0.05
_SAME_LEVEL = 0.02
_LOWER = 0.8  # of the highest demand: levels that what cuts off the top leaves alone

LevelKey = tuple[int, int]  # command level in steps of 5 %, arrival (+1 or -1)


@dataclass(frozen=True, slots=True)
class LevelPressure:
    """What a level looked like when it was learnt: median pressure (bar), dwells seen, in control or not."""

    pressure_bar: float
    dwells: int
    in_control: bool


def key_of(dwell: Dwell) -> LevelKey:
    """Level and arrival of a dwell."""
    return round(dwell.demand / _LEVEL_STEP), int(dwell.arrival)


def ceiling_bar(sheet: Sheet, demand: float, arrival: float) -> float | None:
    """As-left pressure at a demand on the branch of that arrival (mean of both if unknown); None without numbers."""
    zero, full = sheet.as_left.get("pressure_at_zero"), sheet.as_left.get("pressure_at_full")
    curve = sheet.characteristic
    i0, i1 = sheet.as_left.get("current_at_zero"), sheet.as_left.get("current_at_full")
    if curve is not None and i0 is not None and i1 is not None:
        current = i0 + demand * (i1 - i0)
        rising = _interpolate(current, curve.current_a, curve.rising_bar)
        falling = _interpolate(current, curve.current_a, curve.falling_bar)
        return rising if arrival > 0 else falling if arrival < 0 else 0.5 * (rising + falling)
    if zero is None or full is None:
        return None
    return zero + demand * (full - zero)


def _interpolate(x: float, xs: Sequence[float], ys: Sequence[float]) -> float:
    """Linear, extended beyond the ends at the slope of the last piece."""
    k = min(max(bisect_left(xs, x) - 1, 0), len(xs) - 2)  # of a dozen numbers: far quicker than an array's search
    return ys[k] + (ys[k + 1] - ys[k]) / (xs[k + 1] - xs[k]) * (x - xs[k])


def steady(dwells: Sequence[Dwell], sheet: Sheet) -> list[Dwell]:
    """Dwells whose pressure can be judged: producing, pressure settled, arrival known, oil inside its window.

    Where the driver is off, below its threshold, the pressure is that of a valve without current: no setting's doing.
    """
    full = sheet.as_left.get("pressure_at_full") or sheet.as_left.get("pressure_at_zero") or 0.0
    window = sheet.conditions.oil_temperature_degc
    still = max(0.003 * full, 0.2)
    off = sheet.signal.off_below_pct / 100.0
    return [
        d
        for d in dwells
        if d.producing > 0.5
        and math.isfinite(d.pressure_bar)
        and d.arrival != 0.0
        and (off <= 0.0 or d.demand >= off)
        and abs(d.pressure_moves_bar) <= max(still, 4.0 * d.pressure_se_bar)
        and not (window and math.isfinite(d.oil_degc) and not window[0] <= d.oil_degc <= window[1])
    ]


def oil_outside(dwells: Sequence[Dwell], sheet: Sheet) -> bool:
    """Whether every dwell was outside the oil temperature window of the sheet."""
    window = sheet.conditions.oil_temperature_degc
    known = [d.oil_degc for d in dwells if math.isfinite(d.oil_degc)]
    return bool(window and known and all(not window[0] <= oil <= window[1] for oil in known))


def learn_control(
    dwells: Sequence[Dwell], sheet: Sheet, tolerance_bar: float, *, accept: float
) -> dict[LevelKey, LevelPressure]:
    """Which levels the valve controls: at least 3 steady dwells, repeatable, median within `accept` x full pressure.

    `dwells` are steady ones. A pressure above the characteristic counts as in control whatever its distance. Where
    the current is already cut off below what was commissioned, the sheet says what the pressure was.
    """
    full = sheet.as_left.get("pressure_at_full") or 0.0
    groups: dict[LevelKey, list[tuple[Dwell, bool]]] = {}
    for dwell, cut in zip(dwells, cut_off(dwells, sheet), strict=True):
        groups.setdefault(key_of(dwell), []).append((dwell, cut))
    out: dict[LevelKey, LevelPressure] = {}
    for key, group in groups.items():
        if len(group) < 3:
            continue
        off = np.array([_departure(d, sheet) for d, _ in group])
        if not np.isfinite(off).all():
            continue
        median = float(np.median(off))
        spread = 1.4826 * float(np.median(np.abs(off - median)))
        near = median >= -max(accept * full, 3.0 * tolerance_bar) and spread <= max(tolerance_bar, 0.01 * full)
        left = np.array([d.pressure_bar for d, _ in group]) - np.where([cut for _, cut in group], off, 0.0)
        out[key] = LevelPressure(float(np.median(left)), len(group), near)
    return out


def cut_off(dwells: Sequence[Dwell], sheet: Sheet) -> list[bool]:
    """Which dwells have a current short of the commissioned line by more than its tolerance, with lower ones right.

    A setting that is another than the sheet says moves the lower ones too: that is how such a valve was left.
    """
    zero, full = sheet.as_left.get("current_at_zero"), sheet.as_left.get("current_at_full")
    tolerance = sheet.tolerance.get("current_at_full")
    if zero is None or full is None or tolerance is None or not dwells:
        return [False] * len(dwells)
    demand = np.clip([d.demand for d in dwells], 0.0, 1.0)
    expected = np.maximum(zero + demand * (full - zero), 1e-6)
    short = expected - np.array([d.current_a for d in dwells])
    lower = (demand <= _LOWER * demand.max()) & np.isfinite(short)
    usual = float(np.median(short[lower] / expected[lower])) if lower.any() else math.inf
    cut: list[bool] = ((short > tolerance.below) & (short / expected > 3.0 * usual)).tolist()
    return cut


def _departure(dwell: Dwell, sheet: Sheet) -> float:
    ceiling = ceiling_bar(sheet, min(max(dwell.demand, 0.0), 1.0), dwell.arrival)
    return float("nan") if ceiling is None else dwell.pressure_bar - ceiling


def in_control(dwell: Dwell, sheet: Sheet, control: Mapping[LevelKey, LevelPressure]) -> bool:
    """Whether the valve makes the pressure in this dwell: by the sheet's own marks, or by what was learnt."""
    conditions = sheet.conditions
    if dwell.mode in conditions.in_control_modes:
        return True
    if conditions.in_control_command_pct is not None:
        low, high = conditions.in_control_command_pct
        if low <= 100.0 * dwell.demand <= high:
            return True
    level = control.get(key_of(dwell))
    return level is not None and level.in_control


#: Share of the pressure that follows the oil's viscosity: unknown for a valve, taken as anything from 0 to 5 %.
_VISCOSITY_SHARE_U = 0.05 / np.sqrt(3.0)
#: Relative fall of an oil's viscosity per kelvin near working temperature (it halves in about 20 K: common practice).
_VISCOSITY_PER_K = 0.032
#: How far the oil may have been from today's when the valve was left, if the sheet does not say (K, k = 1).
_UNKNOWN_OIL_K = 3.0


def oil_share(sheet: Sheet, oil_degc: float) -> float:
    """Relative standard uncertainty of a pressure by the oil's temperature.

    The valve was left in the middle of the sheet's window; the pressure follows an unknown share of the viscosity.
    `oil_degc`: mean temperature while measured, NaN if not recorded (then anywhere in the window). Without window
    and temperature nothing can be said and 0 is returned: repeatability only.
    """
    window = sheet.conditions.oil_temperature_degc
    known = oil_degc == oil_degc
    if window is None:
        return float(_VISCOSITY_SHARE_U * _VISCOSITY_PER_K * _UNKNOWN_OIL_K) if known else 0.0
    middle = 0.5 * (window[0] + window[1])
    if known:
        return float(_VISCOSITY_SHARE_U * abs(np.expm1(-_VISCOSITY_PER_K * (oil_degc - middle))))
    return float(_VISCOSITY_SHARE_U * _VISCOSITY_PER_K * (window[1] - window[0]) / np.sqrt(12.0))


def pressure_systematic_bar(sheet: Sheet, pressure_bar: float, oil_degc: float) -> float:
    """Standard uncertainty (bar) that repetition does not shrink: the instrument's calibration and the oil."""
    instrument = sheet.instruments.get("pressure")
    expanded = instrument.expanded_uncertainty if instrument is not None else None
    return float(np.hypot((expanded or 0.0) / 2.0, oil_share(sheet, oil_degc) * abs(pressure_bar)))


def end_estimate(dwells: Sequence[Dwell], sheet: Sheet, *, at_full: bool, instrument_u_bar: float) -> Estimate | None:
    """Pressure at full command (arriving from below) or at zero (arriving from above).

    `dwells` are steady and in control. Those at the level nearest to the end, at most 10 % from it, are carried to it
    along the as-left curve; the distance carried adds a fifth of that rise as uncertainty. What the oil's temperature
    may do is systematic, as is the calibration.
    """
    end, arrival = (1.0, 1.0) if at_full else (0.0, -1.0)
    near = [d for d in dwells if d.arrival == arrival and abs(d.demand - end) <= FARTHEST]
    if not near:
        return None
    nearest = min(abs(d.demand - end) for d in near)
    near = [d for d in near if abs(d.demand - end) <= nearest + _SAME_LEVEL]
    carried, reach = [], []
    there = ceiling_bar(sheet, end, arrival)
    for dwell in near:
        here = ceiling_bar(sheet, min(max(dwell.demand, 0.0), 1.0), arrival)
        if here is None or there is None:
            return None
        carried.append(dwell.pressure_bar + there - here)
        reach.append(abs(there - here))
    values = np.array(carried)
    n = values.size
    own = float(np.sqrt(np.mean([d.pressure_se_bar**2 for d in near])))
    scatter = float(values.std(ddof=1)) if n > 1 else own
    se = max(scatter, own) / np.sqrt(n) if n > 1 else max(own, 0.002 * float(np.abs(values).max()))
    value = float(np.median(values)) if n >= 5 else float(values.mean())
    oils = [d.oil_degc for d in near if d.oil_degc == d.oil_degc]
    oil = oil_share(sheet, sum(oils) / len(oils) if oils else float("nan"))
    return Estimate(
        value=value,
        repeatability=float(np.hypot(se * (1.2533 if n >= 5 else 1.0), 0.2 * float(np.mean(reach)))),
        dof=float(max(n - 1, 1)),
        systematic=float(np.hypot(instrument_u_bar, oil * abs(value))),
        segments=n,
        from_s=min(d.from_s for d in near),
        to_s=max(d.to_s for d in near),
        command_min_pct=100.0 * min(d.demand for d in near),
        command_max_pct=100.0 * max(d.demand for d in near),
    )
