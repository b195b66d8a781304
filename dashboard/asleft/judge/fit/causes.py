"""Another way to read the columns that explains the readings where the sheet's does not: a unit, a range, a swap.

Two conditions for every claim: as the sheet says the readings are far off (in a quarter of their weight at least),
and read in the other way nearly all of them agree, at levels far enough apart. A fault of the machine, however large,
meets the first and not the second: an open coil, a dead sensor, a pressure that is gone follow no other unit.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from asleft.judge.fit.levels import (
    Agreement,
    Levels,
    PressureAgreement,
    current_agreement,
    expected_bar,
    pressure_agreement,
    share_at,
)
from asleft.judge.fit.points import Whole
from asleft.judge.fit.signals import (
    CURRENT_UNITS,
    FULL_SCALES_BAR,
    TRANSMITTERS,
    CommandReading,
    UnitReading,
    command_readings,
    pressure_units,
)
from asleft.judge.types import FloatArray
from asleft.sheet.model import Sheet

#: Current: far off as the sheet says, and agreeing in another way (shares of span; the second while moving).
_FAR, _AGREE, _AGREE_MOVING = 0.15, 0.06, 0.12
_LEAST_SPREAD, _LEAST_SPREAD_UNIT = 0.2, 0.08
#: A command in its legal range may be that of a narrower one, if the current then says so much more clearly.
_FAR_LEGAL, _AGREE_LEGAL = 0.25, 0.05
_FAR_LIVE_ZERO, _AGREE_LIVE_ZERO = 0.14, 0.04  # 4 to 20 mA against 0 to 20 mA: 20 % of span at the bottom
_LIVE_ZERO_MA, _AT_LIVE_ZERO_MA = 3.9, 0.15
_ILLEGAL_SHARE = 0.05  # of the weight of a command outside its range
_BEYOND = 0.05  # outside by this share of the range
#: Noise within a level, read in a factor's unit (share of span): more is no signal.
_NOISE = 0.25
#: A pressure may agree in another unit when its ratio to the sheet is beyond these.
_HIGH_RATIO, _LOW_RATIO = 2.0, 0.4
#: A command that moves by more than this share of its range while outside it does so by no fault.
_NO_FAULT = 0.15
_GUESS = 0.3  # of span: the current is as near as that to what a guessed signal asks for
_LEAST_COUNTS = 200.0  # no command in any unit reads as much
_AGREES_NEARLY = 0.9
_USUAL_SCALE = 0.1  # of the logarithm of the ratio: a transmitter of a usual full scale
_LARGEST_FAULT = 6.5  # tolerances
_WHOLE = 0.99
_STRAIGHT, _STRAIGHT_BAR = 0.98, 0.9  # correlation, squared, of counts with what they should follow
_WHOLE_UNIT = 0.03  # of the logarithm of the ratio: whole numbers of psi, not counts


@dataclass(frozen=True, slots=True)
class Misfit:
    """Why the readings do not fit: a code word, what is seen, and what to write where.

    `keys`: what the map's [column] should say, channel to the text of its value. `sheet_keys`: what the sheet's
    [signal] should say instead, empty where the sheet is not to be changed.
    """

    cause: str
    evidence: str
    keys: Mapping[str, str]
    sheet_keys: str = ""
    note: str = ""


def demand_of(sheet: Sheet, command: FloatArray) -> FloatArray:
    """Demand (1: full) of a command as the sheet reads it."""
    return (command - sheet.signal.at_zero) / (sheet.signal.at_full - sheet.signal.at_zero)


def as_it_is(sheet: Sheet, levels: Levels) -> tuple[Agreement, PressureAgreement | None]:
    """How well the readings agree as the sheet says."""
    demand = demand_of(sheet, levels.command)
    current = current_agreement(sheet, demand, levels.current, levels.weight)
    return current, pressure_agreement(sheet, demand, levels)


def find_misfits(sheet: Sheet, levels: Levels, whole: Mapping[str, Whole]) -> list[Misfit]:
    """What is read wrongly, the first to mend in front; none where the sheet explains it, or nothing does."""
    if levels.command.size < 2:
        return []
    swap = _swapped(sheet, levels)
    if swap is not None:
        return [swap]
    command, current = _driver_side(sheet, levels, whole)
    found = [one for one in (command[0], current) if one is not None]
    pressure = _pressure(sheet, levels, command[1], whole, read_otherwise=bool(found))
    if pressure is not None:
        found.append(pressure)
    return found or _beyond_any_fault(sheet, levels, whole)


def _limit(levels: Levels) -> float:
    return _AGREE if levels.at_rest else _AGREE_MOVING


def _agrees(
    sheet: Sheet, levels: Levels, demand: FloatArray, current: FloatArray, limit: float, spread: float = _LEAST_SPREAD
) -> Agreement | None:
    found = current_agreement(sheet, demand, current, levels.weight)
    return found if found.most <= limit and found.spread >= spread and found.levels >= 2 else None


def _has_current(levels: Levels) -> bool:
    return bool(np.isfinite(levels.current).any())


def _beyond_any_fault(sheet: Sheet, levels: Levels, whole: Mapping[str, Whole]) -> list[Misfit]:
    """A command that moves where no fault takes it: a broken wire or a short circuit has one level.

    What it is then may be guessed from the signals whose range it keeps, by the current that is nearest.
    """
    demand = demand_of(sheet, levels.command)
    far = np.abs(demand - 0.5) > 0.5 + _BEYOND
    if levels.weight[far].sum() < 0.25 * levels.weight.sum() or np.ptp(demand[far]) < _NO_FAULT:
        return []
    if _is_whole(whole, "command") and float(np.max(np.abs(levels.command))) > _LEAST_COUNTS:
        return [Misfit("raw-counts", _counts_words(levels, "command"), {"command": _WANTED})]
    ways = [
        (_with(sheet, levels, way).off, way)
        for way in command_readings(sheet.signal)
        if out_of_range(way.demand(levels.command), levels.weight) < 0.02 and _has_current(levels)
    ]
    off, way = min(ways, key=lambda one: one[0], default=(float("inf"), None))
    if way is not None and off <= _GUESS:
        return [_command_misfit(sheet, levels, way)]
    seen = f"the command reads {_range(sheet, levels, 'command')} where the sheet has {_ends(sheet)}"
    return [Misfit("command-range", f"{seen}: is this the right column, and this valve's sheet?", {})]


# Swapped columns


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
            good = here.off >= _FAR and _agrees(sheet, turned, demand, turned.current, _AGREE_MOVING) is not None
        else:
            then = pressure_agreement(sheet, demand, turned)
            bad = pressure is None or pressure.above > 0.5 or pressure.ratio < _LOW_RATIO
            legal = float(np.mean(np.abs(demand - 0.5) <= 0.5 + _BEYOND)) >= 0.9
            good = bad and legal and then is not None and then.above <= 0.1 and then.on >= 0.5 and then.spread >= 0.4
        if good:
            return Misfit(
                "columns-swapped",
                f"the columns of {one} and {other} are taken for each other: {one} reads "
                f"{_range(sheet, levels, one)} and {other} {_range(sheet, levels, other)}",
                {one: f'"(the header of {other} now)"', other: f'"(the header of {one} now)"'},
            )
    return None


def _range(sheet: Sheet, levels: Levels, name: str) -> str:
    values = getattr(levels, name)
    unit = {"command": sheet.signal.unit, "current": "A", "pressure": "bar"}[name]
    return f"{number(float(np.nanmin(values)))} to {number(float(np.nanmax(values)))} {unit}"


# Command and current


def _driver_side(
    sheet: Sheet, levels: Levels, whole: Mapping[str, Whole]
) -> tuple[tuple[Misfit | None, FloatArray], Misfit | None]:
    """What is wrong with command and current, and the demand that is to be believed."""
    demand = demand_of(sheet, levels.command)
    if not _has_current(levels) or "current_at_full" not in sheet.as_left or "current_at_zero" not in sheet.as_left:
        return _command_by_pressure(sheet, levels, demand), None
    live = live_zero(sheet, levels)
    if live is not None:
        return (_command_misfit(sheet, levels, live), live.demand(levels.command)), None
    here = current_agreement(sheet, demand, levels.current, levels.weight)
    if here.off < _FAR:
        return (None, demand), None
    raw = _counts(sheet, levels, demand, whole)
    if raw[0][0] is not None or raw[1] is not None:
        return raw
    by_current = _current_unit(sheet, levels, demand)
    if by_current is not None:
        return (None, demand), by_current
    ways = [w for w in command_readings(sheet.signal) if _command_may_be(sheet, levels, w, here)]
    if ways:
        best = min(ways, key=lambda w: _with(sheet, levels, w).most)
        return (_command_misfit(sheet, levels, best), best.demand(levels.command)), None
    for way in command_readings(sheet.signal):
        unit = _current_unit(sheet, levels, way.demand(levels.command), also_command=True)
        if unit is not None and out_of_range(demand, levels.weight) >= _ILLEGAL_SHARE:
            return (_command_misfit(sheet, levels, way), way.demand(levels.command)), unit
    return (None, demand), None


def _with(sheet: Sheet, levels: Levels, way: CommandReading) -> Agreement:
    return current_agreement(sheet, way.demand(levels.command), levels.current, levels.weight)


def out_of_range(demand: FloatArray, weight: FloatArray) -> float:
    """Share of the weight of a command outside its range."""
    return float(weight[np.abs(demand - 0.5) > 0.5 + _BEYOND].sum() / weight.sum())


def _command_may_be(sheet: Sheet, levels: Levels, way: CommandReading, here: Agreement) -> bool:
    """Whether a command read in another way explains the current as the sheet's does not."""
    then = _with(sheet, levels, way)
    if then.spread < _LEAST_SPREAD or then.levels < 2 or then.most > _limit(levels):
        return False
    demand = demand_of(sheet, levels.command)
    if out_of_range(demand, levels.weight) >= _ILLEGAL_SHARE:
        if sheet.signal.unit == "mA" and way.at_zero == 0.0 and way.at_full == 20.0:
            return here.off >= _FAR_LIVE_ZERO and not _rests_at_live_zero(levels)
        return here.off >= _FAR and here.off >= 3.0 * then.most
    if not levels.at_rest or here.off < _faults_reach(sheet):
        return False
    if way.words == "turned round":
        return here.off >= _FAR_LEGAL and then.spread >= 0.4
    narrower = abs(way.at_full - way.at_zero) < 0.8 * abs(sheet.signal.at_full - sheet.signal.at_zero)
    return narrower and here.off >= _FAR_LEGAL and then.most <= _AGREE_LEGAL and then.spread >= _LEAST_SPREAD


def live_zero(sheet: Sheet, levels: Levels) -> CommandReading | None:
    """4 to 20 mA where the sheet has 0 to 20 mA: never below 4 mA, and there the current is that of zero command.

    At the top both say the same, so the lowest level must speak for itself.
    """
    ways = [way for way in command_readings(sheet.signal) if (way.at_zero, way.at_full) == (4.0, 20.0)]
    known = np.isfinite(levels.current)
    if not ways or not {"current_at_zero", "current_at_full"} <= set(sheet.as_left):
        return None
    if sheet.signal.unit != "mA" or not levels.at_rest or known.sum() < 2:
        return None
    lowest = float(levels.command[known].min())
    zero, full = sheet.as_left["current_at_zero"], sheet.as_left["current_at_full"]
    wanted = zero + float(demand_of(sheet, np.array([lowest]))[0]) * (full - zero)
    off = abs(float(levels.current[known][int(np.argmin(levels.command[known]))]) - wanted) / (full - zero)
    then = _with(sheet, levels, ways[0])
    rests = lowest >= _LIVE_ZERO_MA and lowest <= 4.0 + _AT_LIVE_ZERO_MA
    agrees = (then.most <= _AGREE_MOVING and then.spread >= 0.6) or (then.most <= 0.03 and then.spread >= 0.35)
    agrees = agrees and _ends_agree(sheet, ways[0].demand(levels.command), levels)
    return ways[0] if rests and agrees and off >= max(_FAR_LIVE_ZERO, _faults_reach(sheet)) else None


def _ends_agree(sheet: Sheet, demand: FloatArray, levels: Levels) -> bool:
    """Whether the lowest and the highest level lie on the sheet's line, with what a bent driver may add."""
    zero, full = sheet.as_left["current_at_zero"], sheet.as_left["current_at_full"]
    known = np.flatnonzero(np.isfinite(levels.current))
    ends = known[[int(np.argmin(demand[known])), int(np.argmax(demand[known]))]]
    wanted = zero + np.clip(demand[ends], 0.0, 1.0) * (full - zero)
    near = np.abs(levels.current[ends] - wanted) <= _AGREE_LIVE_ZERO * (full - zero)
    switched_off = sheet.signal.off_below_pct > 0.0 and float(levels.current[ends[0]]) < 0.3 * zero
    return bool(near[1] and (near[0] or switched_off))


def _faults_reach(sheet: Sheet) -> float:
    """How far a fault of the largest size takes a current, share of span: some tolerances of the sheet's own."""
    tolerances = [sheet.tolerance[n] for n in ("current_at_zero", "current_at_full") if n in sheet.tolerance]
    widest = max((max(t.below, t.above) for t in tolerances), default=0.0)
    return _LARGEST_FAULT * widest / (sheet.as_left["current_at_full"] - sheet.as_left["current_at_zero"])


def _rests_at_live_zero(levels: Levels) -> bool:
    """A signal that is now and then at 4 mA and at 0 mA is one whose wire breaks."""
    return bool(np.any(np.abs(levels.command - 4.0) <= 0.3)) and levels.command.size < 4


def _command_misfit(sheet: Sheet, levels: Levels, way: CommandReading) -> Misfit:
    signal = sheet.signal
    scale = (signal.at_full - signal.at_zero) / (way.at_full - way.at_zero)
    offset = signal.at_zero - scale * way.at_zero
    seen = f"the command reads {_range(sheet, levels, 'command')} where the sheet has {_ends(sheet)}"
    keys = {"command": f"{{ scale = {number(scale)}, offset = {number(offset)} }}"}
    if way.words == "turned round":
        sheet_keys = f"at_zero = {number(way.at_zero)} and at_full = {number(way.at_full)}"
        return Misfit(
            "command-signal", f"{seen}, and current falls as it rises: is the signal turned round?", {}, sheet_keys
        )
    question = f"{seen}: is it {way.words}?"
    if not way.same_unit:
        return Misfit("command-unit", question, keys)
    kind = {(4.0, 20.0): 'kind = "4-20mA"', (0.0, 10.0): 'kind = "0-10V"', (0.0, 5.0): 'kind = "0-5V"'}
    ends = f'unit = "{signal.unit}", at_zero = {number(way.at_zero)}, at_full = {number(way.at_full)}'
    return Misfit("command-signal", question, {}, kind.get((way.at_zero, way.at_full), ends))


def _ends(sheet: Sheet) -> str:
    return f"{number(sheet.signal.at_zero)} to {number(sheet.signal.at_full)} {sheet.signal.unit}"


def _current_unit(sheet: Sheet, levels: Levels, demand: FloatArray, *, also_command: bool = False) -> Misfit | None:
    """A current that follows the demand in another unit, or by another factor."""
    zero, full = sheet.as_left["current_at_zero"], sheet.as_left["current_at_full"]
    known = np.isfinite(levels.current)
    if current_agreement(sheet, demand, levels.current, levels.weight).off < (0.0 if also_command else _FAR):
        return None
    noise = share_at(levels.current_sd[known], levels.weight[known], 0.5) / (full - zero)
    for unit in CURRENT_UNITS:
        limit = _limit(levels) if also_command else 0.25
        close = _agrees(sheet, levels, demand, levels.current / unit.times, limit, _LEAST_SPREAD_UNIT)
        if close is not None and (noise / unit.times <= _NOISE or not levels.at_rest) and _follows(levels, demand):
            return _in_unit(unit)
    if also_command:
        return None
    unit = CURRENT_UNITS[0]
    shares = levels.current[known] / unit.times / full
    plausible = float(levels.weight[known][(shares > -0.05) & (shares < 1.3)].sum() / levels.weight[known].sum())
    if plausible >= _AGREES_NEARLY and np.median(shares) * unit.times > 30.0 and np.ptp(shares) > 0.02:
        return _in_unit(unit)  # no driver gives as much, however little the current follows the command
    factor = _factor(sheet, levels, demand)
    if factor is None:
        return None
    factor = -1.0 if abs(factor + 1.0) < 0.05 else factor
    close = _agrees(sheet, levels, demand, levels.current / factor, 0.05)
    if close is None or close.levels < 3 or noise / abs(factor) > _NOISE:
        return None
    seen = "of the other sign" if factor < 0.0 else f"{number(factor)} times what the sheet allows"
    return Misfit(
        "current-scale",
        f"the current is {seen} at every level: is it scaled wrongly?",
        {"current": f"{{ scale = {number(1.0 / factor)} }}"},
    )


def _in_unit(unit: UnitReading) -> Misfit:
    many = "1,000 times" if unit.times > 1.0 else "a thousandth of"
    return Misfit(
        "current-unit",
        f"the current is {many} what the sheet allows: is it in {unit.words}?",
        {"current": f'{{ unit = "{unit.unit}" }}'},
    )


def _follows(levels: Levels, demand: FloatArray) -> bool:
    known = np.isfinite(levels.current)
    return straightness(np.clip(demand[known], 0.0, 1.0), levels.current[known], levels.weight[known]) >= 0.8


def _factor(sheet: Sheet, levels: Levels, demand: FloatArray) -> float | None:
    """Current as read over that of the sheet, beyond what a fault does (over 3, under a third, negative)."""
    zero, full = sheet.as_left["current_at_zero"], sheet.as_left["current_at_full"]
    known = np.isfinite(levels.current) & np.isfinite(demand)
    wanted = zero + np.clip(demand[known], 0.0, 1.0) * (full - zero)
    weight = levels.weight[known]
    factor = float(np.sum(weight * wanted * levels.current[known]) / np.sum(weight * wanted**2))
    return factor if factor > 3.0 or 1e-6 < factor < 1.0 / 3.0 or factor < -0.5 else None


# Counts of a converter


def _counts(
    sheet: Sheet, levels: Levels, demand: FloatArray, whole: Mapping[str, Whole]
) -> tuple[tuple[Misfit | None, FloatArray], Misfit | None]:
    """Columns of whole numbers far outside what the sheet allows, which follow each other in a straight line."""
    zero, full = sheet.as_left["current_at_zero"], sheet.as_left["current_at_full"]
    known = np.isfinite(levels.current)
    command, current, weight = levels.command[known], levels.current[known], levels.weight[known]
    if known.sum() < 2 or straightness(command, current, weight) < _STRAIGHT:
        return (None, demand), None
    illegal = out_of_range(demand, levels.weight) >= 0.25
    raw_command = _is_whole(whole, "command") and illegal
    raw_current = _is_whole(whole, "current") and float(np.nanmax(np.abs(levels.current))) > 5.0 * full
    if raw_command and raw_current:
        misfits = (
            Misfit("raw-counts", _counts_words(levels, "command"), {"command": _WANTED}),
            Misfit("raw-counts", _counts_words(levels, "current"), {"current": _WANTED}),
        )
        return (misfits[0], np.full_like(demand, np.nan)), misfits[1]
    if raw_current:
        line = np.polyfit(zero + np.clip(demand[known], 0.0, 1.0) * (full - zero), current, 1, w=np.sqrt(weight))
        return (None, demand), Misfit(
            "raw-counts", _counts_words(levels, "current"), {"current": _scaled(1.0, 0.0, line)}
        )
    if raw_command:
        told = (levels.current - zero) / (full - zero)
        if np.ptp(told[known]) < _LEAST_SPREAD_UNIT:
            return (None, demand), None
        line = np.polyfit(told[known], command, 1, w=np.sqrt(weight))
        signal = sheet.signal
        keys = {"command": _scaled(signal.at_full - signal.at_zero, signal.at_zero, line)}
        return (Misfit("raw-counts", _counts_words(levels, "command"), keys), told), None
    return (None, demand), None


_WANTED = "{ scale = (value of one count), offset = (value at count 0) }"


def _counts_words(levels: Levels, name: str) -> str:
    values = getattr(levels, name)
    low, high = number(float(np.nanmin(values))), number(float(np.nanmax(values)))
    return f"the {name} reads whole numbers from {low} to {high}: are these a converter's counts?"


def _scaled(times: float, offset: float, line: FloatArray) -> str:
    """Keys for value = offset + times x, where counts = line[0] x + line[1]."""
    scale = times / float(line[0])
    return f"{{ scale = {number(scale)}, offset = {number(offset - scale * float(line[1]))} }}"


def _is_whole(whole: Mapping[str, Whole], name: str) -> bool:
    known = whole.get(name)
    return known is not None and known.seen >= 20 and known.whole >= _WHOLE * known.seen


def straightness(x: FloatArray, y: FloatArray, weight: FloatArray) -> float:
    """Correlation, squared and with its sign, of level means; 0 where nothing moves."""
    if x.size < 2:
        return 0.0
    dx, dy = x - np.average(x, weights=weight), y - np.average(y, weights=weight)
    spread = float(np.sum(weight * dx**2) * np.sum(weight * dy**2))
    both = float(np.sum(weight * dx * dy))
    return math.copysign(both**2 / spread, both) if spread > 0.0 else 0.0


# Pressure


def _command_by_pressure(sheet: Sheet, levels: Levels, demand: FloatArray) -> tuple[Misfit | None, FloatArray]:
    """Without a current: a command outside its range that the pressure explains in another way."""
    here = pressure_agreement(sheet, demand, levels)
    if here is None or out_of_range(demand, levels.weight) < 0.25:
        return None, demand
    best: tuple[float, CommandReading] | None = None
    for way in command_readings(sheet.signal):
        then = pressure_agreement(sheet, way.demand(levels.command), levels)
        legal = out_of_range(way.demand(levels.command), levels.weight) < 0.02
        if then is None or not legal or then.above > 0.1 or then.on < 0.6 or then.spread < 0.4 or then.levels < 3:
            continue
        if then.on >= here.on + 0.3 and (best is None or then.off < best[0]):
            best = (then.off, way)
    if best is None:
        return None, demand
    return _command_misfit(sheet, levels, best[1]), best[1].demand(levels.command)


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


def _pressure(
    sheet: Sheet, levels: Levels, demand: FloatArray, whole: Mapping[str, Whole], *, read_otherwise: bool
) -> Misfit | None:
    """A pressure in another unit, a transmitter's signal, counts. `read_otherwise`: so are command or current."""
    here = pressure_agreement(sheet, demand, levels)
    if here is None or not np.isfinite(here.ratio) or _LOW_RATIO <= here.ratio <= _HIGH_RATIO:
        return None
    high = here.ratio > _HIGH_RATIO
    units = [
        (abs(math.log(then.ratio)), unit)
        for unit in pressure_units()
        if (unit.times > 1.0) == high
        and (then := pressure_agreement(sheet, demand, levels, 1.0 / unit.times)) is not None
        and _explained(then, *((2, _LEAST_SPREAD_UNIT) if high else (3,)))
    ]
    current = current_agreement(sheet, demand, levels.current, levels.weight)
    unsure = current.levels > 0 and current.most > 2.0 * _FAR and not read_otherwise
    if unsure:  # the sheet does not explain the current either: only what no valve can give is told
        units = [(off, unit) for off, unit in units if high and unit.unit != "bar"]
    if high and _is_whole(whole, "pressure"):  # counts, unless a unit explains them well
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
    counts = _pressure_counts(sheet, levels, demand, whole)
    return _transmitter(sheet, levels, demand) if counts is None else counts


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


def _pressure_counts(sheet: Sheet, levels: Levels, demand: FloatArray, whole: Mapping[str, Whole]) -> Misfit | None:
    expected = expected_bar(sheet, demand)
    if expected is None or not _is_whole(whole, "pressure"):
        return None
    known = np.isfinite(levels.high) & np.isfinite(expected)
    high, wanted, weight = levels.high[known], expected[known], levels.weight[known]
    if known.sum() < 3 or high.max() < 5.0 * wanted.max() or straightness(wanted, high, weight) < _STRAIGHT_BAR:
        return None
    line = np.polyfit(wanted, high, 1, w=np.sqrt(weight))
    return Misfit("raw-counts", _counts_words(levels, "pressure"), {"pressure": _scaled(1.0, 0.0, line)})


def number(value: float) -> str:
    """Four significant digits, thousands not in exponents: "14.5", "1000", "0.3125"."""
    text = f"{value:.4g}"
    return f"{value:.0f}" if "e+" in text else text
