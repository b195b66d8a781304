"""Another way to read the columns that explains the readings where the sheet's does not: a unit, a range, a swap.

Two conditions for every claim: as the sheet says the readings are far off (in a quarter of their weight at least),
and read in the other way nearly all of them agree, at levels far enough apart. A fault of the machine, however large,
meets the first and not the second: an open coil, a dead sensor, a pressure that is gone follow no other unit.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping

import numpy as np
from asleft.judge.fit.command_causes import command_misfit, driver_side, with_command
from asleft.judge.fit.levels import Levels, PressureAgreement, Whole, current_agreement, pressure_agreement
from asleft.judge.fit.other_readings import (
    AGREE_MOVING,
    AGREES_NEARLY,
    BEYOND,
    CURRENT_UNITS,
    FAR,
    FULL_SCALES_BAR,
    HIGH_RATIO,
    LEAST_SPREAD,
    LEAST_SPREAD_UNIT,
    LOW_RATIO,
    TRANSMITTERS,
    WANTED,
    Misfit,
    agrees,
    as_it_is,
    command_readings,
    counts_words,
    demand_of,
    has_current,
    is_whole,
    number,
    out_of_range,
    pressure_counts,
    pressure_units,
    range_words,
    signal_words,
    straightness,
)
from asleft.judge.types import FloatArray
from asleft.sheet.model import Sheet

# A pressure in another unit, or a transmitter's own signal.

_USUAL_SCALE = 0.1  # of the logarithm of the ratio: a transmitter of a usual full scale
_WHOLE_UNIT = 0.03  # of the logarithm of the ratio: whole numbers of psi, not counts


def pressure_misfit(
    sheet: Sheet, levels: Levels, demand: FloatArray, whole: Mapping[str, Whole], *, read_otherwise: bool
) -> Misfit | None:
    """A pressure in another unit, a transmitter's signal, counts. `read_otherwise`: so are command or current."""
    here = pressure_agreement(sheet, demand, levels)
    if here is None or not np.isfinite(here.ratio) or LOW_RATIO <= here.ratio <= HIGH_RATIO:
        return None
    high = here.ratio > HIGH_RATIO
    units = [
        (abs(math.log(then.ratio)), unit)
        for unit in pressure_units()
        if (unit.times > 1.0) == high
        and (then := pressure_agreement(sheet, demand, levels, 1.0 / unit.times)) is not None
        and _explained(then, *((2, LEAST_SPREAD_UNIT) if high else (3,)))
    ]
    current = current_agreement(sheet, demand, levels.current, levels.weight)
    unsure = current.levels > 0 and current.most > 2.0 * FAR and not read_otherwise
    if unsure:  # the sheet does not explain the current either: only what no valve can give is told
        units = [(off, unit) for off, unit in units if high and unit.unit != "bar"]
    if high and is_whole(whole, "pressure"):  # counts, unless a unit explains them well
        units = [(off, unit) for off, unit in units if off <= _WHOLE_UNIT and unit.unit != "bar"]
    if units:
        unit = min(units, key=lambda one: one[0])[1]
        return Misfit(
            "pressure-unit",
            f"the pressure is {number(unit.times)} times what the sheet allows: is it in {unit.words}?",
            {"pressure": f'{{ unit = "{unit.unit}" }}'},
        )
    if unsure:
        return None
    counts = pressure_counts(sheet, levels, demand, whole)
    return _transmitter(sheet, levels, demand) if counts is None else counts


def _explained(then: PressureAgreement | None, least_levels: int, spread: float = 0.3) -> bool:
    """Whether nearly nothing lies above the characteristic and enough of it, far enough apart, lies on it."""
    return (
        then is not None
        and then.above <= 0.1
        and then.on >= 0.3
        and then.spread >= spread
        and then.levels >= least_levels
        and 0.85 <= then.ratio <= 1.15
    )


def _transmitter(sheet: Sheet, levels: Levels, demand: FloatArray) -> Misfit | None:
    """A pressure column with a transmitter's own signal, for a full scale that makes it lie on the characteristic."""
    low, top = float(np.nanmin(levels.pressure)), float(np.nanmax(levels.high))
    for at_zero, at_full, unit in TRANSMITTERS:
        if low < at_zero - 0.02 * (at_full - at_zero) or top > at_full + 0.05 * (at_full - at_zero):
            continue
        span = at_full - at_zero
        fits = [
            (abs(math.log(then.ratio)), full_bar)
            for full_bar in (*FULL_SCALES_BAR, *_full_scale(sheet, demand, levels, at_zero, span))
            if (then := _through(sheet, demand, levels, full_bar / span, at_zero)) is not None and _explained(then, 3)
        ]
        usual = [one for one in fits if one[1] in FULL_SCALES_BAR and one[0] <= _USUAL_SCALE]
        if fits:
            _, full_bar = min(usual or fits)
            scale = full_bar / span
            signal = f"{number(at_zero)} to {number(at_full)} {unit}"
            return Misfit(
                "transmitter-signal",
                f"the pressure reads {number(low)} to {number(top)}: is it the transmitter's {signal}, not bar?",
                {"pressure": f"{{ scale = {number(scale)}, offset = {number(-scale * at_zero)} }}"},
                note=f"That is for a transmitter of 0 to {number(full_bar)} bar: compare its plate.",
            )
    return None


def _through(
    sheet: Sheet, demand: FloatArray, levels: Levels, scale: float, at_zero: float
) -> PressureAgreement | None:
    return pressure_agreement(sheet, demand, levels, scale, -scale * at_zero)


def _full_scale(sheet: Sheet, demand: FloatArray, levels: Levels, at_zero: float, span: float) -> list[float]:
    """Full scale (bar), usual or not, with which the pressures lie on the characteristic: a live zero alone tells."""
    then = _through(sheet, demand, levels, 1.0, at_zero)
    return [span / then.ratio] if at_zero > 0.0 and then is not None and then.ratio > 0.0 else []


#: A command that moves by more than this share of its range while outside it does so by no fault.
_NO_FAULT = 0.15
_RISE_TOGETHER = 0.3  # correlation, squared, of command and current with a long ramp between them
#: Readings of so many times the end of their instrument's range are none of it; in the right unit they end at this
#: share of it or above; whole numbers of so many times are counts rather than a unit.
_PAST_END, _WITHIN_END, _COUNTS_PAST = 1.5, 0.25, 20.0
_GUESS = 0.3  # of span: the current is as near as that to what a guessed signal asks for
_LEAST_COUNTS = 200.0  # no command in any unit reads as much


def find_misfits(sheet: Sheet, levels: Levels, whole: Mapping[str, Whole]) -> list[Misfit]:
    """What is read wrongly, the first to mend in front; none where the sheet explains it, or nothing does."""
    if levels.command.size < 2:
        return []
    swap = _swapped(sheet, levels)
    if swap is not None:
        return [swap]
    command, current = driver_side(sheet, levels, whole)
    found = [one for one in (command[0], current) if one is not None]
    pressure = pressure_misfit(sheet, levels, command[1], whole, read_otherwise=bool(found))
    if pressure is not None:
        found.append(pressure)
    return found or beyond_instrument(sheet, levels, whole) or _beyond_any_fault(sheet, levels, whole)


def _beyond_any_fault(sheet: Sheet, levels: Levels, whole: Mapping[str, Whole]) -> list[Misfit]:
    """A command that moves where no fault takes it: a broken wire or a short circuit has one level.

    What it is then may be guessed from the signals whose range it keeps, by the current that is nearest.
    """
    demand = demand_of(sheet, levels.command)
    far = np.abs(demand - 0.5) > 0.5 + BEYOND
    if levels.weight[far].sum() < 0.25 * levels.weight.sum() or np.ptp(demand[far]) < _NO_FAULT:
        return []
    if is_whole(whole, "command") and float(np.max(np.abs(levels.command))) > _LEAST_COUNTS:
        return [Misfit("raw-counts", counts_words(levels, "command"), {"command": WANTED})]
    ways = [
        (with_command(sheet, levels, way).off, way)
        for way in command_readings(sheet.signal)
        if out_of_range(way.demand(levels.command), levels.weight) < 0.02 and has_current(levels)
    ]
    off, way = min(ways, key=lambda one: one[0], default=(float("inf"), None))
    if way is not None and off <= _GUESS:
        return [command_misfit(sheet, levels, way)]
    seen = f"the command reads {range_words(sheet, levels, 'command')} where the sheet has {signal_words(sheet)}"
    return [Misfit("command-range", f"{seen}: is this the right column, and this valve's sheet?", {})]


def _swapped(sheet: Sheet, levels: Levels) -> Misfit | None:
    """Two columns taken for each other; the current must then agree, or without one the pressure."""
    here, pressure = as_it_is(sheet, levels)
    channels = [n for n in ("command", "current", "pressure") if np.isfinite(getattr(levels, n)).sum() >= 2]
    for one, other in itertools.combinations(channels, 2):
        turned = levels.swapped(one, other)
        if not np.isfinite(turned.command).all():
            continue
        demand = demand_of(sheet, turned.command)
        if "current" in channels:
            good = here.off >= FAR and agrees(sheet, turned, demand, turned.current, AGREE_MOVING) is not None
            good |= (one, other) == ("command", "current") and _each_is_the_other(sheet, levels, turned)
        else:
            then = pressure_agreement(sheet, demand, turned)
            bad = pressure is None or pressure.above > 0.5 or pressure.ratio < LOW_RATIO
            legal = float(np.mean(np.abs(demand - 0.5) <= 0.5 + BEYOND)) >= 0.9
            good = bad and legal and then is not None and then.above <= 0.1 and then.on >= 0.5 and then.spread >= 0.4
        if good:
            return Misfit(
                "columns-swapped",
                f"the columns of {one} and {other} are taken for each other: {one} reads "
                f"{range_words(sheet, levels, one)} and {other} {range_words(sheet, levels, other)}",
                {one: f'"(the header of {other} now)"', other: f'"(the header of {one} now)"'},
            )
    return None


def _each_is_the_other(sheet: Sheet, levels: Levels, turned: Levels) -> bool:
    """Whether command and current both lie where only the other can, nearly always, and rise together.

    Ranges say it where means do not: with ramps longer than the stays the current is hardly ever at its level.
    """
    zero, full = sheet.as_left.get("current_at_zero"), sheet.as_left.get("current_at_full")
    known = np.isfinite(levels.current)
    if zero is None or full is None or known.sum() < 3:
        return False
    weight, span = levels.weight[known], full - zero
    demand, shares = demand_of(sheet, turned.command[known]), (turned.current[known] - zero) / span
    shares = np.where(np.abs(turned.current[known]) < 0.5 * zero, 0.0, shares)  # none flows where the driver is off
    as_read = (levels.current[known] - zero) / span
    return (
        out_of_range(demand_of(sheet, levels.command[known]), weight) >= AGREES_NEARLY
        and float(weight[as_read > 2.0].sum()) >= AGREES_NEARLY * float(weight.sum())
        and max(out_of_range(demand, weight), out_of_range(shares, weight)) <= 1.0 - AGREES_NEARLY
        and min(float(np.ptp(demand)), float(np.ptp(shares))) >= LEAST_SPREAD
        and straightness(demand, shares, weight) >= _RISE_TOGETHER
    )


def beyond_instrument(sheet: Sheet, levels: Levels, whole: Mapping[str, Whole]) -> list[Misfit]:
    """Readings far past the end of their own instrument's range, which no fault of a machine makes.

    Told where counts or a unit bring all of them into that range. It needs no setting of the sheet, only the range.
    """
    out = []
    for name, highest, units in (
        ("current", levels.current, CURRENT_UNITS),
        ("pressure", levels.high, tuple(pressure_units())),
    ):
        instrument, known = sheet.instruments.get(name), np.isfinite(highest)
        end = instrument.range_high if instrument is not None else None
        if end is None or end <= 0.0 or not known.any():
            continue
        past = float(levels.weight[known][highest[known] > _PAST_END * end].sum())
        if past < 0.25 * float(levels.weight[known].sum()):
            continue
        top = float(highest[known].max()) / end
        fits = [unit for unit in units if _WITHIN_END <= top / unit.times <= 1.0 + BEYOND and unit.times > 1.0]
        seen = f"the {name} reads up to {number(top * end)} where its instrument ends at {number(end)}"
        if is_whole(whole, name) and top > _COUNTS_PAST:
            out.append(Misfit("raw-counts", f"{seen}: are these a converter's counts?", {name: WANTED}))
        elif len({unit.times for unit in fits}) == 1:
            cause, unit = f"{name}-unit", fits[0]
            out.append(Misfit(cause, f"{seen}: is it in {unit.words}?", {name: f'{{ unit = "{unit.unit}" }}'}))
    return out
