"""A pressure in another unit, or a transmitter's own signal."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from asleft.judge.fit.counts import pressure_counts
from asleft.judge.fit.levels import Levels, PressureAgreement, current_agreement, pressure_agreement
from asleft.judge.fit.misfit import FAR, HIGH_RATIO, LEAST_SPREAD_UNIT, LOW_RATIO, Misfit, is_whole, number
from asleft.judge.fit.points import Whole
from asleft.judge.fit.signals import FULL_SCALES_BAR, TRANSMITTERS, pressure_units
from asleft.judge.types import FloatArray
from asleft.sheet.model import Sheet

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
