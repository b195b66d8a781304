"""Other ways to read a column than the sheet's, and what every look for one shares: misfit, signals, counts."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from asleft.judge.fit.levels import (
    Agreement,
    Levels,
    PressureAgreement,
    Whole,
    current_agreement,
    expected_bar,
    pressure_agreement,
)
from asleft.judge.types import FloatArray
from asleft.sheet.model import Sheet, Signal
from asleft.sheet.units import UNITS

#: Current: far off as the sheet says, and agreeing in another way (shares of span; the second while moving).
FAR, _AGREE, AGREE_MOVING = 0.15, 0.06, 0.12
LEAST_SPREAD, LEAST_SPREAD_UNIT = 0.2, 0.08
BEYOND = 0.05  # outside by this share of the range
#: A pressure may agree in another unit when its ratio to the sheet is beyond these.
HIGH_RATIO, LOW_RATIO = 2.0, 0.4
AGREES_NEARLY = 0.9
_LARGEST_FAULT = 6.5  # tolerances
_WHOLE = 0.99
WANTED = "{ scale = (value of one count), offset = (value at count 0) }"


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


def agreement_limit(levels: Levels) -> float:
    """How far a current may be off (share of span) and still agree."""
    return _AGREE if levels.at_rest else AGREE_MOVING


def agrees(
    sheet: Sheet, levels: Levels, demand: FloatArray, current: FloatArray, limit: float, spread: float = LEAST_SPREAD
) -> Agreement | None:
    """How a current agrees with a demand at levels far enough apart; None where it does not."""
    found = current_agreement(sheet, demand, current, levels.weight)
    return found if found.most <= limit and found.spread >= spread and found.levels >= 2 else None


def has_current(levels: Levels) -> bool:
    """Whether the current is read at any level."""
    return bool(np.isfinite(levels.current).any())


def out_of_range(demand: FloatArray, weight: FloatArray) -> float:
    """Share of the weight of a command outside its range."""
    return float(weight[np.abs(demand - 0.5) > 0.5 + BEYOND].sum() / weight.sum())


def range_words(sheet: Sheet, levels: Levels, name: str) -> str:
    """From where to where a channel reads, in the sheet's unit."""
    values = getattr(levels, name)
    unit = {"command": sheet.signal.unit, "current": "A", "pressure": "bar"}[name]
    return f"{number(float(np.nanmin(values)))} to {number(float(np.nanmax(values)))} {unit}"


def signal_words(sheet: Sheet) -> str:
    """From where to where the sheet has the command."""
    return f"{number(sheet.signal.at_zero)} to {number(sheet.signal.at_full)} {sheet.signal.unit}"


def is_whole(whole: Mapping[str, Whole], name: str) -> bool:
    """Whether a channel reads whole numbers alone, as counts are."""
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


def number(value: float) -> str:
    """Four significant digits, thousands not in exponents: "14.5", "1000", "0.3125"."""
    text = f"{value:.4g}"
    return f"{value:.0f}" if "e+" in text else text


def faults_reach(sheet: Sheet) -> float:
    """How far a fault of the largest size takes a current, share of span: some tolerances of the sheet's own."""
    tolerances = [sheet.tolerance[n] for n in ("current_at_zero", "current_at_full") if n in sheet.tolerance]
    widest = max((max(t.below, t.above) for t in tolerances), default=0.0)
    return _LARGEST_FAULT * widest / (sheet.as_left["current_at_full"] - sheet.as_left["current_at_zero"])


# Other ways to read a column than the sheet's: signals a command may be in, units, transmitters, counts.


@dataclass(frozen=True, slots=True)
class CommandReading:
    """A command column read in another way: `at_zero` and `at_full` are what the column shows at 0 and 100 %."""

    words: str  # what the column then is, after "the command is"
    at_zero: float
    at_full: float
    same_unit: bool  # as the sheet's signal: then the sheet's ends are wrong, not the column's unit

    def demand(self, command: FloatArray) -> FloatArray:
        """Demand (1: full) of the column as it was read."""
        return (command - self.at_zero) / (self.at_full - self.at_zero)


def command_readings(signal: Signal) -> list[CommandReading]:
    """What a command column may be, other than the sheet says; commonest first.

    Ends of the current loop by IEC 60381-1 (and 0 to 20 mA as IEC 60381-1 names beside it), of voltages by IEC
    60381-2; the rest is common practice.
    """
    milli, volts = signal.unit == "mA", signal.unit == "V"
    away = abs(signal.at_full - signal.at_zero)
    out = [
        CommandReading("in percent", 0.0, 100.0, same_unit=False),
        CommandReading("in volts, 0 to 10 V", 0.0, 10.0, same_unit=volts),
        CommandReading("in milliamperes, 4 to 20 mA", 4.0, 20.0, same_unit=milli),
        CommandReading("in milliamperes, 0 to 20 mA", 0.0, 20.0, same_unit=milli),
        CommandReading("in volts, 0 to 5 V", 0.0, 5.0, same_unit=volts),
        CommandReading("in volts, 1 to 5 V", 1.0, 5.0, same_unit=volts),
        CommandReading("in volts, 2 to 10 V", 2.0, 10.0, same_unit=volts),
        CommandReading("a share from 0 to 1", 0.0, 1.0, same_unit=False),
        CommandReading(
            "in amperes" if milli else "in kilovolts", signal.at_zero / 1e3, signal.at_full / 1e3, same_unit=False
        ),
        CommandReading(
            "in microamperes" if milli else "in millivolts",
            signal.at_zero * 1e3,
            signal.at_full * 1e3,
            same_unit=False,
        ),
        CommandReading("turned round", signal.at_full, signal.at_zero, same_unit=True),
    ]
    return [
        one
        for one in out
        if abs(one.at_zero - signal.at_zero) > 0.01 * away or abs(one.at_full - signal.at_full) > 0.01 * away
    ]


@dataclass(frozen=True, slots=True)
class UnitReading:
    """A column whose numbers are `times` what they would be in the stored unit."""

    times: float
    unit: str  # to be written in the map
    words: str  # after "is it in"


CURRENT_UNITS: tuple[UnitReading, ...] = (
    UnitReading(1e3, "mA", "mA"),
    UnitReading(1e-3, "A", "A, and read as mA"),
)


def pressure_units() -> list[UnitReading]:
    """Units a pressure may be in while it is read as bar, and the other way round."""
    units: Mapping[str, float] = {name: unit.from_stored(1.0) for name, unit in UNITS["pressure"].items()}
    others = [UnitReading(times, name, name) for name, times in units.items() if times != 1.0]
    back = [UnitReading(1.0 / one.times, "bar", f"bar, and read as {one.unit}") for one in others]
    return others + back


#: Transmitters' output signals: at nothing and at full scale, as numbers in the column, and their unit.
TRANSMITTERS: tuple[tuple[float, float, str], ...] = ((4.0, 20.0, "mA"), (0.0, 20.0, "mA"), (0.0, 10.0, "V"))
#: Full scales of pressure transmitters (bar): preferred numbers, as common practice has them.
FULL_SCALES_BAR: tuple[float, ...] = (
    6.0, 10.0, 16.0, 25.0, 40.0, 60.0, 100.0, 160.0, 200.0, 250.0, 315.0, 350.0, 400.0, 500.0, 600.0, 1000.0,
)  # fmt: skip


# Columns of whole numbers that are a converter's counts.

_STRAIGHT, _STRAIGHT_BAR = 0.98, 0.9  # correlation, squared, of counts with what they should follow


def counts_of(
    sheet: Sheet, levels: Levels, demand: FloatArray, whole: Mapping[str, Whole]
) -> tuple[tuple[Misfit | None, FloatArray], Misfit | None]:
    """Columns of whole numbers far outside what the sheet allows, which follow each other in a straight line."""
    zero, full = sheet.as_left["current_at_zero"], sheet.as_left["current_at_full"]
    known = np.isfinite(levels.current)
    command, current, weight = levels.command[known], levels.current[known], levels.weight[known]
    if known.sum() < 2 or straightness(command, current, weight) < _STRAIGHT:
        return (None, demand), None
    illegal = out_of_range(demand, levels.weight) >= 0.25
    raw_command = is_whole(whole, "command") and illegal
    raw_current = is_whole(whole, "current") and float(np.nanmax(np.abs(levels.current))) > 5.0 * full
    if raw_command and raw_current:
        misfits = (
            Misfit("raw-counts", counts_words(levels, "command"), {"command": WANTED}),
            Misfit("raw-counts", counts_words(levels, "current"), {"current": WANTED}),
        )
        return (misfits[0], np.full_like(demand, np.nan)), misfits[1]
    if raw_current:
        line = np.polyfit(zero + np.clip(demand[known], 0.0, 1.0) * (full - zero), current, 1, w=np.sqrt(weight))
        return (None, demand), Misfit(
            "raw-counts", counts_words(levels, "current"), {"current": _scaled(1.0, 0.0, line)}
        )
    if raw_command:
        shares = (levels.current - zero) / (full - zero)
        if np.ptp(shares[known]) < LEAST_SPREAD_UNIT:
            return (None, demand), None
        line = np.polyfit(shares[known], command, 1, w=np.sqrt(weight))
        signal = sheet.signal
        keys = {"command": _scaled(signal.at_full - signal.at_zero, signal.at_zero, line)}
        return (Misfit("raw-counts", counts_words(levels, "command"), keys), shares), None
    return (None, demand), None


def counts_words(levels: Levels, name: str) -> str:
    """What is seen of a channel of whole numbers, as a question."""
    values = getattr(levels, name)
    low, high = number(float(np.nanmin(values))), number(float(np.nanmax(values)))
    return f"the {name} reads whole numbers from {low} to {high}: are these a converter's counts?"


def _scaled(times: float, offset: float, line: FloatArray) -> str:
    """Keys for value = offset + times x, where counts = line[0] x + line[1]."""
    scale = times / float(line[0])
    return f"{{ scale = {number(scale)}, offset = {number(offset - scale * float(line[1]))} }}"


def pressure_counts(sheet: Sheet, levels: Levels, demand: FloatArray, whole: Mapping[str, Whole]) -> Misfit | None:
    """A pressure of whole numbers far above the characteristic that follows it in a straight line."""
    expected = expected_bar(sheet, demand)
    if expected is None or not is_whole(whole, "pressure"):
        return None
    known = np.isfinite(levels.high) & np.isfinite(expected)
    high, wanted, weight = levels.high[known], expected[known], levels.weight[known]
    if known.sum() < 3 or high.max() < 5.0 * wanted.max() or straightness(wanted, high, weight) < _STRAIGHT_BAR:
        return None
    line = np.polyfit(wanted, high, 1, w=np.sqrt(weight))
    return Misfit("raw-counts", counts_words(levels, "pressure"), {"pressure": _scaled(1.0, 0.0, line)})
