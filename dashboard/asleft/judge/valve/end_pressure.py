"""Pressure at 0 % and 100 % command with its uncertainty, from stays near the ends in which the valve is in control.

What the valve makes and what the load makes is `pressure`'s; here the former is carried to the ends of the command.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from asleft.judge.decide import Estimate
from asleft.judge.features import Dwell
from asleft.judge.medians import median_of
from asleft.judge.noise import leftover
from asleft.judge.segments.dwells import settling_u_bar
from asleft.judge.types import FloatArray
from asleft.judge.valve.creep import Creep
from asleft.judge.valve.hysteresis import NoiseLoopCorrection
from asleft.judge.valve.pressure import ceiling_bar
from asleft.sheet.model import Sheet

#: Farthest a visited level may lie from the end that is reported (share of the command).
FARTHEST = 0.10
_BEYOND = 0.01
#: No pressure is known better from one stay to the next.
_LEAST_SCATTER_BAR = 1e-6
#: How often the variance of noise is counted against places that differ: few of them tell their spread badly.
_CALIBRATED = 4.0
_SAME_LEVEL = 0.02
#: Dwells from which some far off are left out, and from how many robust standard deviations on.
_LEAST_CLEANED, _OUTLIER = 5, 6.0
#: Visits from which a drift in time is believed, and the share of their scatter that it may leave.
_LEAST_DRIFTING, _DRIFTS = 8, 0.35
#: Visits that must lie together before some at the end of the readings are known to have left their place, from how
#: many standard deviations and from which share of the tolerance on.
_LEAST_BEFORE, _LEFT, _LEFT_SHARE = 4, 6.0, 0.5
#: How unsure the slope near an end is and how far the pressure may bow there (shares of the pressure's span; the bow
#: over the whole range), where a curve was recorded and where not: a valve may be half or twice as steep there.
_SLOPE_U, _BOW_U = 0.1, 0.3
_SLOPE_UNKNOWN_U, _BOW_UNKNOWN_U = 0.5, 1.0
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


def end_estimate(
    dwells: Sequence[Dwell],
    sheet: Sheet,
    *,
    at_full: bool,
    instrument_u_bar: float,
    resolution_bar: float = 0.0,
    swing: float = 0.0,
    creep: Creep | None = None,
    noise: NoiseLoopCorrection | None = None,
) -> Estimate | None:
    """Pressure at full command (arriving from below) or at zero (arriving from above).

    `dwells` are steady and in control. Those at most 10 % of the command from the end (the nearest of them where
    these are enough) are carried to it by a line and a bow through them: generalised least squares, with the slope of
    the as-left curve at the end as what is known before, so that a level near the end tells what it can and no more.
    Systematic is what the oil's temperature may do, the calibration, what a converter of step `resolution_bar`
    leaves, and what settling and `creep` do. `swing`: how far the current swings beyond its level on the way there
    (share of full, `ramp_fit.ramps`); where friction holds the spool, the pressure is that of the farthest point. So
    it is with `noise` on the wire: its peaks carry the spool beyond the mean current (`valve.hysteresis`).
    """
    end, arrival = (1.0, 1.0) if at_full else (0.0, -1.0)
    near = _near(dwells, end, arrival)
    slope = _end_slope(sheet, arrival, at_full=at_full)
    if not near or slope is None:
        return None
    beyond = [_followed_beyond(d, sheet) for d in near]
    x = np.array([min(max(d.demand, 0.0), 1.0) + more - end for d, (more, _) in zip(near, beyond, strict=True)])
    x_se, y = (np.array(column) for column in zip(*((d.demand_se, d.pressure_bar) for d in near), strict=True))
    x, misplaced = _believed(x, x_se), slope.bar * math.sqrt(float(np.mean(x_se**2)))
    beyond_u = slope.bar * math.sqrt(float(np.mean([u**2 for _, u in beyond])))
    own = math.sqrt(float(np.mean([d.pressure_se_bar**2 for d in near])))
    line = _carry(x, y, math.hypot(max(own, 1e-4 * float(np.abs(y).max())), misplaced), slope)
    place = _left_place(y - slope.bar * x, own, _LEFT_SHARE * _tolerance_bar(sheet, at_full=at_full))
    moved_u = 0.0
    if place is not None:  # where it is now only the last visit tells, and nobody knows yet whether it stays
        near, x, y = near[-1:], x[-1:], y[-1:]
        moved_u = 0.5 * abs(float(y[0] - slope.bar * x[0]) - place)
    if y.size >= _LEAST_CLEANED:
        kept = _no_outlier(line.left, own)
        near = [d for d, so in zip(near, kept.tolist(), strict=True) if so]
        x, y = x[kept], y[kept]
        if not kept.all():
            line = _carry(x, y, math.hypot(max(own, 1e-4 * float(np.abs(y).max())), misplaced), slope)
    line, held_bar = _scattered(x, y, line, (own, misplaced), slope, near), arrival * swing * slope.bar
    shaken, shaken_u = _shaken_bar(near, noise or NoiseLoopCorrection(), slope.bar)
    value = line.value - 0.5 * held_bar - shaken
    return Estimate(
        value=value,
        repeatability=line.standard,
        dof=float(max(y.size - 1, 1)),
        systematic=math.hypot(
            instrument_u_bar,
            _oil_u_share(sheet, near) * abs(value),
            settling_u_bar(near),
            creep.u_bar(near) if creep is not None else 0.0,
            _counted_u_bar(near, y, resolution_bar),
            moved_u,
            beyond_u,
            held_bar / math.sqrt(12.0),
            shaken_u,
        ),
        segments=y.size,
        from_s=min(d.from_s for d in near),
        to_s=max(d.to_s for d in near),
        command_min_pct=100.0 * min(d.demand for d in near),
        command_max_pct=100.0 * max(d.demand for d in near),
    )


def _shaken_bar(near: Sequence[Dwell], noise: NoiseLoopCorrection, slope_bar: float) -> tuple[float, float]:
    """How far noise on the wire carried the pressures of these dwells (bar), and its standard uncertainty."""
    beyond = np.array([noise.beyond(d.demand, d.arrival) for d in near])
    far, open_u = (float(column.mean()) for column in beyond.T)
    return near[0].arrival * far * slope_bar, abs(slope_bar) * math.hypot(far * noise.relative_u, open_u)


def _tolerance_bar(sheet: Sheet, *, at_full: bool) -> float:
    tolerance = sheet.tolerance.get("pressure_at_full" if at_full else "pressure_at_zero")
    return min(tolerance.below, tolerance.above) if tolerance is not None else math.inf


def _near(dwells: Sequence[Dwell], end: float, arrival: float) -> list[Dwell]:
    """Dwells arrived at from the right side near an end; the nearest of them alone where these are enough."""
    near = [d for d in dwells if d.arrival == arrival and abs(d.demand - end) <= FARTHEST]
    nearest = min((abs(d.demand - end) for d in near), default=0.0)
    there = [d for d in near if abs(d.demand - end) <= nearest + _SAME_LEVEL]
    return there if len(there) >= _LEAST_CLEANED else near


def _no_outlier(left: FloatArray, own: float) -> npt.NDArray[np.bool_]:
    """Which of the departures (n,) are within reach of their scatter, and of what a level scatters by itself."""
    off = np.abs(left - median_of(left))  # one load far off tilts the line, and all others lie beside it
    spread = 1.4826 * median_of(off)
    kept: npt.NDArray[np.bool_] = off <= _OUTLIER * max(spread, own)
    return kept


def _scattered(
    x: FloatArray, y: FloatArray, line: _Line, own_bar: tuple[float, float], slope: _Slope, near: Sequence[Dwell]
) -> _Line:
    """The line with the scatter that it leaves itself; its value at the last dwell where they drift.

    `own_bar`: standard uncertainties of one pressure (bar), by its own noise and by that of its command.
    """
    n, (own, misplaced) = y.size, own_bar
    scatter = math.sqrt(float(line.left @ line.left) / max(n - 1, 1)) if n > 1 else 0.0
    scatter = max(scatter * _slow_factor(line.left), own if n > 1 else max(own, 0.002 * float(np.abs(y).max())))
    line = _carry(x, y, math.hypot(scatter, misplaced), slope)
    later = _at_the_end(np.array([d.from_s for d in near]), line.left)
    if later is None:
        return line
    return line._replace(value=line.value + later[0], standard=math.hypot(own / math.sqrt(n), later[1]))


def _oil_u_share(sheet: Sheet, dwells: Sequence[Dwell]) -> float:
    """What the oil's temperature leaves open of a pressure (standard uncertainty, share of it)."""
    oils = [d.oil_degc for d in dwells if d.oil_degc == d.oil_degc]
    return oil_share(sheet, sum(oils) / len(oils) if oils else float("nan"))


def _counted_u_bar(dwells: Sequence[Dwell], bars: FloatArray, resolution_bar: float) -> float:
    """What the converter's step leaves open (bar), by the noise within dwells and between their pressures (n,)."""
    sds = [d.pressure_sd_bar for d in dwells if d.pressure_sd_bar == d.pressure_sd_bar]
    between = 1.4826 * median_of(np.abs(bars - median_of(bars)))
    return leftover(resolution_bar, math.hypot(median_of(sds) if sds else 0.0, between))


def _followed_beyond(dwell: Dwell, sheet: Sheet) -> tuple[float, float]:
    """How far beyond its range a driver followed the command (share of full), and how unsure that is.

    Some drivers stop at full, others go on: the current tells, as far as full is still the current it was left with.
    Where it is not read, half the way, give or take all of it evenly.
    """
    over = dwell.demand - min(max(dwell.demand, 0.0), 1.0)
    if abs(over) <= _BEYOND:
        return 0.0, 0.0
    zero, full = sheet.as_left.get("current_at_zero"), sheet.as_left.get("current_at_full")
    unsure = abs(over) / math.sqrt(12.0)
    if zero is None or full is None or not math.isfinite(dwell.current_a):
        return 0.5 * over, unsure
    share = (dwell.current_a - zero) / (full - zero)
    more = share - min(max(share, 0.0), 1.0)
    return min(max(more, min(over, 0.0)), max(over, 0.0)), unsure


class _Line(NamedTuple):
    value: float  # at the end
    standard: float
    left: FloatArray  # what the line leaves of each pressure


class _Slope(NamedTuple):
    """Of the as-left curve at an end (bar per unit of demand), how unsure it is, and how far it may bow (bar)."""

    bar: float
    unsure_bar: float
    bow_bar: float


def _end_slope(sheet: Sheet, arrival: float, *, at_full: bool) -> _Slope | None:
    inside = 1.0 - FARTHEST if at_full else FARTHEST
    there, here = ceiling_bar(sheet, 1.0 if at_full else 0.0, arrival), ceiling_bar(sheet, inside, arrival)
    if there is None or here is None:
        return None
    slope = (there - here) / ((1.0 if at_full else 0.0) - inside)
    low, high = ceiling_bar(sheet, 0.0, -1.0), ceiling_bar(sheet, 1.0, 1.0)
    usual = max((high or 0.0) - (low or 0.0), 0.0)
    share, bow = (_SLOPE_U, _BOW_U) if sheet.characteristic is not None else (_SLOPE_UNKNOWN_U, _BOW_UNKNOWN_U)
    return _Slope(slope, share * usual, bow * usual)


def _believed(x: FloatArray, se: FloatArray) -> FloatArray:
    """Places (n,) if they differ by clearly more than their own standard uncertainties `se`, else their middle.

    Else places that differ by noise alone are taken for a characteristic without a slope (regression dilution:
    Carroll et al., Measurement Error in Nonlinear Models). Part of the way would make it steeper than it is.
    """
    return x if float(x.var()) > _CALIBRATED * float(np.mean(se**2)) else np.full(x.size, float(x.mean()))


def _carry(x: FloatArray, y: FloatArray, scatter_bar: float, slope: _Slope) -> _Line:
    """Value at x = 0 of y = value + slope x + bow x^2, the last two known beforehand as `slope` says."""
    if slope.unsure_bar <= 0.0:
        return _Line(float(y.mean()), scatter_bar / math.sqrt(x.size), y - y.mean())
    scatter_bar = max(scatter_bar, _LEAST_SCATTER_BAR)
    basis = np.stack([np.ones(x.size), x, x**2], axis=1)
    # By QR and not by normal equations, which lose what is known beforehand where the readings hardly scatter.
    known = np.diag([0.0, 1.0 / slope.unsure_bar, 1.0 / slope.bow_bar])[1:]
    q, r = np.linalg.qr(np.vstack((basis / scatter_bar, known)))
    root = np.linalg.inv(r)
    found = root @ (q.T @ np.concatenate((y / scatter_bar, (slope.bar / slope.unsure_bar, 0.0))))
    return _Line(float(found[0]), float(np.linalg.norm(root[0])), y - basis @ found)


def _at_the_end(time_s: FloatArray, left: FloatArray) -> tuple[float, float] | None:
    """Where values that drift steadily stand at the last of them, beside their mean, and its standard uncertainty.

    None where a line in time does not take most of their scatter away: what is found is then the mean.
    """
    n = left.size
    power = float(left @ left)
    if n < _LEAST_DRIFTING or power <= 0.0 or float(np.ptp(time_s)) <= 0.0:
        return None
    t = (time_s - time_s.mean()) / float(np.ptp(time_s))
    off = left - left.mean()
    slope = float(t @ off) / float(t @ t)
    rest = off - slope * t
    spread = math.sqrt(float(rest @ rest) / (n - 2)) * _slow_factor(rest)
    if float(rest @ rest) > _DRIFTS * power:
        return None
    at = float(t[-1])
    return float(left.mean()) + slope * at, spread * math.sqrt(1.0 / n + at**2 / float(t @ t))


def _left_place(bars: FloatArray, own_bar: float, least_bar: float) -> float | None:
    """The place (bar) at which values in order of time lay together before the last ones left it; None: they did not.

    A value that departs between others that do not is a load's, or a mishap: then nothing has left.
    """
    for last in range(1, bars.size - _LEAST_BEFORE + 1):
        before, after = bars[:-last], bars[-last:]
        place = median_of(before)
        spread = max(1.4826 * median_of(np.abs(before - place)), own_bar)
        limit = max(_LEFT * spread, least_bar)
        side = math.copysign(1.0, after[-1] - place)
        if bool(np.all(side * (after - place) > limit)) and bool(np.all(np.abs(before - place) <= limit)):
            return place
    return None


def _slow_factor(left: FloatArray) -> float:
    """How much more the mean of values in order of time is unsure than if each were by itself: they drift together.

    From the ratio of their successive differences to their scatter (von Neumann 1941), as for an AR(1) process.
    """
    power = float(left @ left)
    if left.size < _LEAST_CLEANED or power <= 0.0:
        return 1.0
    steps = np.diff(left)
    together = min(max(1.0 - float(steps @ steps) / (2.0 * power), 0.0), 0.9)
    if together < 2.0 / math.sqrt(left.size):  # what independent values show by chance
        return 1.0
    return math.sqrt((1.0 + together) / (1.0 - together))
