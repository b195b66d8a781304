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
from typing import NamedTuple

import numpy as np
from asleft.judge.decide import Estimate
from asleft.judge.features import Dwell
from asleft.judge.intake.holding import BoolArray
from asleft.judge.noise.command_noise import leftover
from asleft.judge.types import FloatArray
from asleft.judge.valve.branches import levelled
from asleft.judge.valve.settling import at_rest, settling_of, settling_u_bar
from asleft.sheet.model import Sheet

#: How far below the characteristic a level may lie that the valve makes: when it is learnt from the first production
#: of a valve that is watched from then on, and in a log, where a fault may have been there from its first row.
ACCEPT_LEFT, ACCEPT_LOG = 0.05, 0.15
#: Farthest a visited level may lie from the end that is reported (share of the command).
FARTHEST = 0.10
_LEVEL_STEP = 0.05
#: Visits from which a level is known, and share of them that the valve makes where the load has no say in it.
_LEAST_DWELLS, _MOSTLY = 3, 0.8
#: Stays at high levels from which it is known that the pressure never rises, and the pause between two stays (s).
_LEAST_NEVER, _NEXT_STAY_S = 6, 1.0
#: Share of the span up to which a straight line is near enough to any characteristic.
_AT_ZERO = 0.02
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
#: Change over the last part of a dwell at which a pressure rests, and the way left that may be reckoned with (shares
#: of full pressure). Where the sheet gives no pressure, full is taken for this much.
_STILL, _FAR, _USUAL_FULL_BAR = 0.003, 0.03, 70.0
_SAME_DIGIT = 1e-6  # share of a reading under which two are one
_LOWER = 0.8  # of the highest demand: levels that what cuts off the top leaves alone

LevelKey = tuple[int, int]  # command level in steps of 5 %, arrival (+1 or -1)


@dataclass(frozen=True, slots=True)
class LevelPressure:
    """What a level looked like when it was learnt: median pressure (bar), dwells seen, in control or not.

    `off_bar`: how far it lay from the characteristic at the command, for a level that differs from visit to visit;
    `least_bar`: how far below the characteristic at the current a visit is still the valve's, where the load has the
    level at times.
    """

    pressure_bar: float
    dwells: int
    in_control: bool
    off_bar: float | None = None  # None: known only as a pressure
    least_bar: float = -math.inf


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

    They carry the pressure that they were on their way to (`settling`), and are left out where that was far off.
    Where the driver is off, below its threshold, the pressure is that of a valve without current: no setting's doing.
    """
    window = sheet.conditions.oil_temperature_degc
    off = sheet.signal.off_below_pct / 100.0
    end = end_of_range_bar(dwells)
    settling = settling_of(dwells)
    resting = (at_rest(d, settling.of(d.arrival)) for d in dwells if d.producing > 0.5 and d.arrival != 0.0)
    return [
        d
        for d in resting
        if math.isfinite(d.pressure_bar)
        and not at_end_of_range(d, end)
        and (off <= 0.0 or d.demand >= off)
        and still(d, sheet)
        and not (window and math.isfinite(d.oil_degc) and not window[0] <= d.oil_degc <= window[1])
    ]


def end_of_range_bar(dwells: Sequence[Dwell]) -> float:
    """Where a reading of pressure ends that is too small for the press; infinite where it is not seen to end.

    There dwells read the same to the last digit, and every lower one scatters: it is no step of a converter. What
    they read is a bound and no pressure.
    """
    rows = np.array([(d.pressure_bar, d.pressure_sd_bar) for d in dwells]).reshape(-1, 2)
    rows = rows[np.isfinite(rows).all(axis=1)]
    if rows.shape[0] == 0:
        return math.inf
    highest = float(rows[:, 0].max())
    there = rows[:, 0] >= highest - _SAME_DIGIT * abs(highest)
    quiet = rows[:, 1] <= _SAME_DIGIT * abs(highest)
    ends = np.count_nonzero(there) >= _LEAST_DWELLS and bool(quiet[there].all())
    return highest if ends and np.count_nonzero(~there) >= _LEAST_DWELLS and not quiet[~there].any() else math.inf


def at_end_of_range(dwell: Dwell, end_bar: float) -> bool:
    """Whether a dwell reads what the reading of pressure ends at."""
    return dwell.pressure_bar >= end_bar - _SAME_DIGIT * abs(end_bar) if math.isfinite(end_bar) else False


def still(dwell: Dwell, sheet: Sheet) -> bool:
    """Whether the pressure had come to rest, or near enough for the way that was left to be known."""
    full = sheet.as_left.get("pressure_at_full") or sheet.as_left.get("pressure_at_zero") or _USUAL_FULL_BAR
    limit = max(_STILL * full, 4.0 * dwell.pressure_se_bar)
    return abs(dwell.pressure_moves_bar) <= limit and abs(dwell.pressure_left_bar) <= _FAR * full


def oil_outside(dwells: Sequence[Dwell], sheet: Sheet) -> bool:
    """Whether every dwell was outside the oil temperature window of the sheet."""
    window = sheet.conditions.oil_temperature_degc
    known = [d.oil_degc for d in dwells if math.isfinite(d.oil_degc)]
    return bool(window and known and all(not window[0] <= oil <= window[1] for oil in known))


def expected_bar(dwell: Dwell, sheet: Sheet, arrival: float | None = None) -> float | None:
    """Pressure as left at the current that flows (at the command where none is read); None without numbers.

    `arrival`: another branch than the dwell's own.
    """
    zero, full = sheet.as_left.get("current_at_zero"), sheet.as_left.get("current_at_full")
    share = dwell.demand
    if zero is not None and full is not None and math.isfinite(dwell.current_a):
        share = (dwell.current_a - zero) / (full - zero)
    return ceiling_bar(sheet, min(max(share, 0.0), 1.0), dwell.arrival if arrival is None else arrival)


def highest_bar(dwell: Dwell, sheet: Sheet) -> float | None:
    """The most that the valve as left can make of this command and of this current; None without numbers.

    The falling branch is the higher one. Between the ends of a sheet without a recorded curve the characteristic may
    be anything that rises: nothing is surely above it but what is above full pressure.
    """
    by_command = ceiling_bar(sheet, min(max(dwell.demand, 0.0), 1.0), -1.0)
    by_current = expected_bar(dwell, sheet, arrival=-1.0)
    if by_command is None or by_current is None:
        return None
    highest = max(by_command, by_current)
    if sheet.characteristic is not None:
        return highest
    zero, full = sheet.as_left["pressure_at_zero"], sheet.as_left["pressure_at_full"]
    return highest if highest < zero + _AT_ZERO * (full - zero) else max(highest, full)


def learn_control(
    dwells: Sequence[Dwell], sheet: Sheet, tolerance_bar: float, *, accept: float
) -> dict[LevelKey, LevelPressure]:
    """Which levels the valve controls, from steady dwells in order of time: at least 3, repeatable and near enough.

    Near is what lies at most `accept` below the characteristic at the current that flows (`_nearest_bar`), or above
    it by anything: a load only lowers the pressure. Where the current is already cut off below what was commissioned,
    the sheet says what the pressure was. A level that was near from the first and then never again is the valve's,
    and has changed; where near and far alternate, the load has it at times, and only what repeats counts.
    """
    groups: dict[LevelKey, list[tuple[Dwell, bool]]] = {}
    for dwell, cut in zip(dwells, cut_off(dwells, sheet), strict=True):
        groups.setdefault(key_of(dwell), []).append((dwell, cut))
    out: dict[LevelKey, LevelPressure] = {}
    lowered = _lowered_bar(dwells, sheet, tolerance_bar, accept)
    gone = _never_rises(dwells, sheet, tolerance_bar)
    for key, rows in groups.items():
        if len(rows) < _LEAST_DWELLS:
            continue
        group = [dwell for dwell, _ in rows]
        expected = [expected_bar(d, sheet) for d in group]
        at_command = [ceiling_bar(sheet, min(max(d.demand, 0.0), 1.0), d.arrival) for d in group]
        if any(bar is None for bar in (*expected, *at_command)):
            continue
        should, asked = np.array(expected, dtype=float), np.array(at_command, dtype=float)
        pressure = np.array([d.pressure_bar for d in group])
        least = lowered - _nearest_bar(should, sheet, tolerance_bar, accept)
        near = (pressure - should >= least) | gone
        usual = max(tolerance_bar, 0.01 * (sheet.as_left.get("pressure_at_full") or 0.0))
        kept, lowest = _valves_own(levelled_bar(group, sheet), near, usual)
        own = np.array([not cut for _, cut in rows]) & kept
        off = float(np.median((pressure - asked)[own])) if own.any() else 0.0
        some = kept if kept.any() else np.ones(len(group), dtype=bool)
        left = float(np.median(np.where([cut for _, cut in rows], asked, pressure)[some]))
        floor = -math.inf if lowest is None else float(np.median((pressure - should)[kept])) - lowest
        out[key] = LevelPressure(left, len(group), bool(kept.any()), off, floor)
    return out


def _valves_own(levelled: FloatArray, near: BoolArray, usual_bar: float) -> tuple[BoolArray, float | None]:
    """Which visits of one level the valve made (none: it is not its own), and how far below them others may be.

    `levelled`: pressures at one current; `near`: those near the characteristic. None: any distance, because the level
    is always the valve's.
    """
    none = np.zeros(near.size, dtype=bool)
    if np.count_nonzero(near) < _LEAST_DWELLS:
        return none, None
    first_far = int(np.argmin(near)) if not near.all() else near.size
    if near.mean() >= _MOSTLY or (first_far >= _LEAST_DWELLS and not near[first_far:].any()):
        below = float(np.median(levelled[near])) - levelled[near]
        spread = 1.4826 * float(np.median(np.abs(below)))
        if spread > usual_bar and np.count_nonzero(below > usual_bar) < _LEAST_DWELLS:
            spread = 0.0  # only upwards, which no load does
        return (near if spread <= usual_bar else none), None
    # The load has a say: what the valve makes repeats, what the load makes does not.
    ordered = np.sort(levelled[near])
    count = np.searchsorted(ordered, ordered + 0.5 * usual_bar, side="right") - np.arange(ordered.size)
    best = ordered.size - 1 - int(np.argmax(count[::-1]))
    if count[best] < max(_LEAST_DWELLS, 0.5 * ordered.size):
        return none, None
    kept = near & (levelled >= ordered[best]) & (levelled <= ordered[best] + 0.5 * usual_bar)
    return kept, 0.5 * usual_bar


def levelled_bar(group: Sequence[Dwell], sheet: Sheet) -> FloatArray:
    """Pressures of dwells of one level and arrival at its mean current, (n,); at its mean demand if none is read."""
    place, span = np.array([d.demand for d in group]), 1.0
    zero, full = sheet.as_left.get("current_at_zero"), sheet.as_left.get("current_at_full")
    current = np.array([d.current_a for d in group])
    if np.isfinite(current).all():
        place, span = current, full - zero if zero is not None and full is not None else math.inf
    low, high = sheet.as_left.get("pressure_at_zero"), sheet.as_left.get("pressure_at_full")
    usual = (high - low) / span if low is not None and high is not None else 0.0
    return levelled(place, np.array([d.pressure_bar for d in group]), usual)


def _nearest_bar(expected_bar: FloatArray, sheet: Sheet, tolerance_bar: float, accept: float) -> FloatArray:
    """How far below the characteristic a pressure may lie that the valve makes (bar).

    A share of the pressure itself: at a low level a load that makes nothing at all is not far off. Between the ends
    of a sheet without a recorded curve nobody knows the characteristic: there, of full pressure, most in the middle.
    """
    full = sheet.as_left.get("pressure_at_full") or 0.0
    nearest = np.maximum(accept * expected_bar, tolerance_bar)
    if sheet.characteristic is not None:
        return nearest
    zero = sheet.as_left.get("pressure_at_zero") or 0.0
    share = np.clip((expected_bar - zero) / max(full - zero, 1e-9), 0.0, 1.0)
    return np.maximum(nearest, accept * full * 4.0 * share * (1.0 - share))


def _never_rises(dwells: Sequence[Dwell], sheet: Sheet, tolerance_bar: float) -> bool:
    """Whether the pressure stays at that of zero command whatever the command and the current: no load makes it so.

    Below it a pump that does not deliver would be, above it any load.
    """
    zero, full = sheet.as_left.get("pressure_at_zero"), sheet.as_left.get("pressure_at_full")
    if zero is None or full is None:
        return False
    high = [d for d in dwells if (expected_bar(d, sheet) or 0.0) > zero + 0.3 * (full - zero)]
    if stays(high) < _LEAST_NEVER:
        return False
    return all(abs(d.pressure_bar - zero) <= min(tolerance_bar, 0.02 * full) for d in dwells)


def stays(dwells: Sequence[Dwell]) -> int:
    """How often the command came to these dwells, oldest first: a long stay is cut into several of them."""
    return sum(
        k == 0 or dwell.from_s - dwells[k - 1].to_s > _NEXT_STAY_S or key_of(dwell) != key_of(dwells[k - 1])
        for k, dwell in enumerate(dwells)
    )


def _lowered_bar(dwells: Sequence[Dwell], sheet: Sheet, tolerance_bar: float, accept: float) -> float:
    """By how much all higher levels lie below the characteristic alike (bar, at most 0): so may the lowest.

    0 where they do not, or by more than is accepted of the highest.
    """
    full = sheet.as_left.get("pressure_at_full") or 0.0
    rows = [(d, bar) for d in dwells if (bar := expected_bar(d, sheet)) is not None and bar > 0.5 * full]
    off = np.array([d.pressure_bar - bar for d, bar in rows])
    if off.size < _LEAST_DWELLS or len({key_of(d) for d, _ in rows}) < 2:
        return 0.0
    middle = float(np.median(off))
    alike = 1.4826 * float(np.median(np.abs(off - middle))) <= 0.5 * tolerance_bar
    return min(middle, 0.0) if alike and middle >= -accept * full else 0.0


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


def change_bar(dwell: Dwell, level: LevelPressure, sheet: Sheet) -> float:
    """Pressure of a dwell less what it was at its command when the level was learnt."""
    there = ceiling_bar(sheet, min(max(dwell.demand, 0.0), 1.0), dwell.arrival)
    return dwell.pressure_bar - (
        level.pressure_bar if there is None or level.off_bar is None else there + level.off_bar
    )


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
    if level is None or not level.in_control:
        return False
    expected = expected_bar(dwell, sheet)
    return expected is None or dwell.pressure_bar - expected >= level.least_bar


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
    dwells: Sequence[Dwell], sheet: Sheet, *, at_full: bool, instrument_u_bar: float, resolution_bar: float = 0.0
) -> Estimate | None:
    """Pressure at full command (arriving from below) or at zero (arriving from above).

    `dwells` are steady and in control. Those at most 10 % of the command from the end (the nearest of them where
    these are enough) are carried to it by a line and a bow through them: generalised least squares, with the slope of
    the as-left curve at the end as what is known before, so that a level near the end tells what it can and no more.
    Systematic is what the oil's temperature may do, the calibration, what a converter of step `resolution_bar`
    leaves, and what settling does.
    """
    end, arrival = (1.0, 1.0) if at_full else (0.0, -1.0)
    near = [d for d in dwells if d.arrival == arrival and abs(d.demand - end) <= FARTHEST]
    nearest = min((abs(d.demand - end) for d in near), default=0.0)
    there = [d for d in near if abs(d.demand - end) <= nearest + _SAME_LEVEL]
    near = there if len(there) >= _LEAST_CLEANED else near
    slope = _end_slope(sheet, arrival, at_full=at_full)
    if not near or slope is None:
        return None
    x = np.array([min(max(d.demand, 0.0), 1.0) - end for d in near])
    y = np.array([d.pressure_bar for d in near])
    own = math.sqrt(float(np.mean([d.pressure_se_bar**2 for d in near])))
    line = _carry(x, y, max(own, 1e-4 * float(np.abs(y).max())), slope)
    tolerance = sheet.tolerance.get("pressure_at_full" if at_full else "pressure_at_zero")
    width = min(tolerance.below, tolerance.above) if tolerance is not None else math.inf
    place = _left_place(y - slope.bar * x, own, _LEFT_SHARE * width)
    moved_u = 0.0
    if place is not None:  # where it is now only the last visit tells, and nobody knows yet whether it stays
        near, x, y = near[-1:], x[-1:], y[-1:]
        moved_u = 0.5 * abs(float(y[0] - slope.bar * x[0]) - place)
    if y.size >= _LEAST_CLEANED:
        spread = 1.4826 * float(np.median(np.abs(line.left)))
        kept = np.abs(line.left) <= _OUTLIER * max(spread, own)
        near = [d for d, so in zip(near, kept.tolist(), strict=True) if so]
        x, y, line = x[kept], y[kept], line._replace(left=line.left[kept])
    n = y.size
    scatter = math.sqrt(float(line.left @ line.left) / max(n - 1, 1)) if n > 1 else 0.0
    scatter = max(scatter * _slow_factor(line.left), own if n > 1 else max(own, 0.002 * float(np.abs(y).max())))
    line = _carry(x, y, scatter, slope)
    later = _at_the_end(np.array([d.from_s for d in near]), line.left)
    if later is not None:
        line = line._replace(value=line.value + later[0], standard=math.hypot(own / math.sqrt(n), later[1]))
    value = line.value
    oils = [d.oil_degc for d in near if d.oil_degc == d.oil_degc]
    oil = oil_share(sheet, sum(oils) / len(oils) if oils else float("nan"))
    sds = [d.pressure_sd_bar for d in near if d.pressure_sd_bar == d.pressure_sd_bar]
    shaken = math.hypot(float(np.median(sds)) if sds else 0.0, 1.4826 * float(np.median(np.abs(y - np.median(y)))))
    return Estimate(
        value=value,
        repeatability=line.standard,
        dof=float(max(n - 1, 1)),
        systematic=math.hypot(
            instrument_u_bar, oil * abs(value), settling_u_bar(near), leftover(resolution_bar, shaken), moved_u
        ),
        segments=n,
        from_s=min(d.from_s for d in near),
        to_s=max(d.to_s for d in near),
        command_min_pct=100.0 * min(d.demand for d in near),
        command_max_pct=100.0 * max(d.demand for d in near),
    )


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


def _carry(x: FloatArray, y: FloatArray, scatter_bar: float, slope: _Slope) -> _Line:
    """Value at x = 0 of y = value + slope x + bow x^2, the last two known beforehand as `slope` says."""
    basis = np.stack([np.ones(x.size), x, x**2], axis=1) / scatter_bar
    known = np.diag([0.0, 1.0 / slope.unsure_bar**2, 1.0 / slope.bow_bar**2]) if slope.unsure_bar > 0.0 else None
    if known is None:
        return _Line(float(y.mean()), scatter_bar / math.sqrt(x.size), y - y.mean())
    covariance = np.linalg.inv(basis.T @ basis + known)
    found = covariance @ (basis.T @ (y / scatter_bar) + known @ np.array([0.0, slope.bar, 0.0]))
    left = y - basis @ found * scatter_bar
    return _Line(float(found[0]), math.sqrt(float(covariance[0, 0])), left)


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
        place = float(np.median(before))
        spread = max(1.4826 * float(np.median(np.abs(before - place))), own_bar)
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
