"""Where the valve makes the pressure, and where the load does: steady stays and who is in control of them.

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
from asleft.judge.features import Dwell
from asleft.judge.intake.holding import BoolArray
from asleft.judge.medians import median_of
from asleft.judge.segments.dwells import at_rest, settling_of
from asleft.judge.types import FloatArray
from asleft.judge.valve.branches import levelled
from asleft.judge.valve.creep import Creep, creep_of
from asleft.sheet.model import Sheet

#: How far below the characteristic a level may lie that the valve makes: when it is learnt from the first production
#: of a valve that is watched from then on, and in a log, where a fault may have been there from its first row.
ACCEPT_LEFT, ACCEPT_LOG = 0.05, 0.15
#: A command this far beyond its range (share of full) is meant to be.
_LEVEL_STEP = 0.05
#: Commands further than this outside 0 to 1 lie beyond their range.
BEYOND = 0.02
#: Visits from which a level is known, and share of them that the valve makes where the load has no say in it.
_LEAST_DWELLS, _MOSTLY, _LEAST_CREEPING = 3, 0.8, 6
#: Stays at high levels from which it is known that the pressure never rises, and the pause between two stays (s).
_LEAST_NEVER, _NEXT_STAY_S = 3, 1.0
#: Levels from which it is known that the pressure follows, how steeply (of the as-left slope), how far in all (of its
#: span), and from which command on.
_LEAST_RISING, _AS_STEEP, _AS_HIGH, _WELL_ABOVE = 4, 0.3, 0.4, 0.2
#: Share of the span up to which a straight line is near enough to any characteristic.
_AT_ZERO = 0.02
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


def steady(dwells: Sequence[Dwell], sheet: Sheet, creep: Creep | None = None) -> list[Dwell]:
    """Dwells whose pressure can be judged: producing, pressure settled, arrival known, oil inside its window.

    They carry the pressure that they were on their way to (`creep`, asked of the dwells if not given, and
    `dwells`), and are left out where that was far off.
    Where the driver is off, below its threshold, the pressure is that of a valve without current: no setting's doing.
    """
    window = sheet.conditions.oil_temperature_degc
    off = sheet.signal.off_below_pct / 100.0
    end = end_of_range_bar(dwells)
    creep = creep_of(dwells) if creep is None else creep
    dwells = [creep.at_rest(d) for d in dwells]
    settling = settling_of(dwells)
    placed = (_in_range(d, sheet) for d in dwells if d.producing > 0.5 and d.arrival != 0.0)
    resting = (at_rest(d, settling.of(d.arrival)) for d in placed if d is not None)
    return [
        d
        for d in resting
        if math.isfinite(d.pressure_bar)
        and not at_end_of_range(d, end)
        and (off <= 0.0 or d.demand >= off)
        and still(d, sheet)
        and not (window and math.isfinite(d.oil_degc) and not window[0] <= d.oil_degc <= window[1])
    ]


def _in_range(dwell: Dwell, sheet: Sheet) -> Dwell | None:
    """A dwell whose command lies beyond its range, at the command that its current belongs to; None: not known.

    Some drivers stop at the end of the range, others go on along their line: only the current tells.
    """
    if -BEYOND <= dwell.demand <= 1.0 + BEYOND:
        return dwell
    zero, full = sheet.as_left.get("current_at_zero"), sheet.as_left.get("current_at_full")
    if zero is None or full is None or not math.isfinite(dwell.current_a):
        return None
    end, there = float(dwell.demand > 0.5), (dwell.current_a - zero) / (full - zero)
    low, high = sorted((end, dwell.demand))
    return dwell._replace(demand=min(max(there, low), high), demand_se=dwell.current_se_a / (full - zero))


def end_of_range_bar(dwells: Sequence[Dwell]) -> float:
    """Where a reading of pressure ends that is too small for the press; infinite where it is not seen to end.

    There dwells read the same to the last digit, and every lower one scatters: it is no step of a converter. None of
    them has the lowest command, as a dead reading would. What they read is a bound and no pressure.
    """
    rows = np.array([(d.pressure_bar, d.pressure_sd_bar, d.demand) for d in dwells]).reshape(-1, 3)
    rows = rows[np.isfinite(rows).all(axis=1)]
    if rows.shape[0] == 0:
        return math.inf
    highest = float(rows[:, 0].max())
    there = rows[:, 0] >= highest - _SAME_DIGIT * abs(highest)
    quiet = rows[:, 1] <= _SAME_DIGIT * abs(highest)
    ends = np.count_nonzero(there) >= _LEAST_DWELLS and bool(quiet[there].all())
    if ends and not there.all():
        ends = bool(rows[there, 2].min() > rows[~there, 2].min() + _LEVEL_STEP)
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
    gone = _never_rises(dwells, sheet, tolerance_bar) or _follows(groups, sheet, tolerance_bar)
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
        off = median_of((pressure - asked)[own]) if own.any() else 0.0
        some = kept if kept.any() else np.ones(len(group), dtype=bool)
        left = median_of(np.where([cut for _, cut in rows], asked, pressure)[some])
        floor = -math.inf if lowest is None else median_of((pressure - should)[kept]) - lowest
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
        below = median_of(levelled[near]) - levelled[near]
        spread = 1.4826 * median_of(np.abs(below))
        if spread > usual_bar and below.size >= _LEAST_CREEPING:  # what creeps is near to what it was a visit before
            spread = 1.4826 * median_of(np.abs(np.diff(below)))
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
    """Pressures of dwells of one level and arrival at its mean current, (n,); at its mean demand if none is read.

    At the mean demand too where the pressures lie closer so: then it is the current's reading that wanders.
    """
    demand, bars = np.array([d.demand for d in group]), np.array([d.pressure_bar for d in group])
    current = np.array([d.current_a for d in group])
    zero, full = sheet.as_left.get("current_at_zero"), sheet.as_left.get("current_at_full")
    low, high = sheet.as_left.get("pressure_at_zero"), sheet.as_left.get("pressure_at_full")
    usual = high - low if low is not None and high is not None else 0.0
    by_demand = levelled(demand, bars, usual)
    if not np.isfinite(current).all():
        return by_demand
    by_current = levelled(current, bars, usual / (full - zero) if zero is not None and full is not None else 0.0)
    return by_current if _spread(by_current) <= _spread(by_demand) else by_demand


def _spread(values: FloatArray) -> float:
    return median_of(np.abs(values - median_of(values)))


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


def _follows(groups: Mapping[LevelKey, Sequence[tuple[Dwell, bool]]], sheet: Sheet, tolerance_bar: float) -> bool:
    """Whether the pressure repeats at all levels reached from below, and rises from each to the next.

    No load does so: however far below the characteristic it lies, valve, source or gauge make it then.
    """
    zero, full = sheet.as_left.get("pressure_at_zero"), sheet.as_left.get("pressure_at_full")
    well_above = round(_WELL_ABOVE / _LEVEL_STEP)  # lower down a dead band may lie
    rising = sorted(
        key for key, rows in groups.items() if key[1] > 0 and key[0] >= well_above and len(rows) >= _LEAST_DWELLS
    )
    if zero is None or full is None or len(rising) < _LEAST_RISING or 0.05 * rising[-1][0] < _LOWER:
        return False
    bars, should = [], []
    for key in rising:
        group = [dwell for dwell, _ in groups[key]]
        levelled = levelled_bar(group, sheet)
        if float(np.ptp(levelled)) > tolerance_bar:
            return False
        bars.append(median_of(levelled))
        should.append(median_of([expected_bar(dwell, sheet) or 0.0 for dwell in group]))
    steps, asked = np.diff(bars), np.diff(should)
    if bool(np.any(steps < _AS_STEEP * asked)):
        return False
    return bars[-1] - bars[0] > _AS_HIGH * (full - zero)


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
    middle = median_of(off)
    alike = 1.4826 * median_of(np.abs(off - middle)) <= 0.5 * tolerance_bar
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
    usual = median_of(short[lower] / expected[lower]) if lower.any() else math.inf
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
