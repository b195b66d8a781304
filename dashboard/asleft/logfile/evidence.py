"""What each column of numbers could be: points of evidence for and against every channel, with their reasons.

Points add up: words of the header, its unit, the range of the values, and afterwards how columns move with each
other. A point weighs about what makes a reading twice as likely; only their order and the thresholds of `recognise`
matter. What is impossible for a channel (a pressure setpoint as the pressure, 4 to 20 mA as a coil's current) is no
claim at all, whatever the other evidence.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
import pyarrow as pa
from asleft.logfile import words
from asleft.logfile.arrow import FloatArray, spread_rows
from asleft.logfile.cells import CONTACT_WORDS, numbers_of, unit_behind, without_stand_ins
from asleft.logfile.table import Table
from asleft.logfile.units import FoundUnit, split_header, unit_of_text
from asleft.logfile.words import Meaning, meaning
from asleft.sheet.logmap import CHANNELS, TIME_CHANNELS
from asleft.sheet.model import Signal

#: Rows looked at: so many from the beginning without a gap, and as many spread over the whole length.
SAMPLE_ROWS = 20_000

_QUANTITIES = frozenset({words.CURRENT, words.PRESSURE, words.VOLTAGE, words.TEMPERATURE, words.SET})


@dataclass(eq=False, slots=True)
class Seen:
    """One column as it looks.

    `values`: numbers of the first rows; `low`, `high`: 0.5 and 99.5 % points of a sample spread over the whole
    length.
    """

    at: int  # from 0
    header: str
    exact: str  # the header alone, as a map would name it
    unit: FoundUnit | None
    meaning: Meaning
    values: FloatArray
    low: float
    high: float
    filled: float  # share of cells that are a number
    contact: bool  # only 0 and 1, or words for them
    own_format: bool  # the file has our own headers, whose units the manual says


@dataclass(slots=True)
class Claim:
    """How much speaks for a column being a channel, in which unit, and why.

    `needs`: what must be known to convert it.
    """

    points: float
    unit: str | None
    why: list[str] = field(default_factory=list)
    needs: str = ""  # "shunt", "transmitter", "counts", "unit", "vacuum"
    moving: float = 0.0  # of the points, those for moving with other columns


def look_at(table: Table, *, decimal_comma: bool) -> list[Seen]:
    """Every column of a table, from a sample of its rows."""
    count = table.rows
    found = []
    for at, column in enumerate(table.columns):
        if np.isfinite(_numbers(spread_rows(column, 200), decimal_comma=decimal_comma)).any():
            values = _numbers(column.slice(0, SAMPLE_ROWS), decimal_comma=decimal_comma)
            wide = _numbers(spread_rows(column, SAMPLE_ROWS), decimal_comma=decimal_comma)
        else:  # text: its cells need not be tried one by one
            values = wide = np.full(min(count, SAMPLE_ROWS), np.nan)
        known = wide[np.isfinite(wide)]
        low, high = (float(each) for each in np.percentile(known, (0.5, 99.5))) if known.size else (np.nan, np.nan)
        name, unit = _named(table, at)
        found.append(
            Seen(
                at=at,
                header=name,
                exact=table.header[at],
                unit=unit,
                meaning=meaning(_without_unit(name)),
                values=values,
                low=low,
                high=high,
                filled=known.size / max(wide.size, 1),
                own_format=own_format(table),
                contact=bool(known.size) and bool(np.isin(known, (0.0, 1.0)).all()),
            )
        )
    return found


#: No press has a higher pressure (the range that a sheet may have).
_MOST_BAR = 1000.0


def own_format(table: Table) -> bool:
    """Whether a file has our own headers: time, command, and current or pressure."""
    names = {name.casefold() for name in table.header}
    return {"time", "command"} <= names and bool(names & {"current", "pressure"})


def _numbers(column: pa.ChunkedArray, *, decimal_comma: bool) -> FloatArray:
    if pa.types.is_temporal(column.type):
        return np.full(len(column), np.nan)
    values, bad = numbers_of(column, decimal_comma=decimal_comma, words=CONTACT_WORDS)
    return without_stand_ins(values, bad)[0]


def _named(table: Table, at: int) -> tuple[str, FoundUnit | None]:
    """A column's header with the rows above it, and its unit from wherever it stands."""
    rows = [*(_filled_right(row)[at] if at < len(row) else "" for row in table.layout.above), table.header[at]]
    name = " ".join(dict.fromkeys(each for each in rows if each))
    units = table.layout.units
    unit = unit_of_text(units[at]) if at < len(units) else None
    return name, unit or split_header(table.header[at])[1] or split_header(name)[1] or _unit_in_cells(table, at)


def _unit_in_cells(table: Table, at: int) -> FoundUnit | None:
    column = table.columns[at].slice(0, 200)
    if not pa.types.is_string(column.type) or not any(
        text[-1:].isalpha() or text[-1:] == "%" for text in column.slice(0, 20).to_pylist()
    ):
        return None
    return unit_of_text(unit_behind(column))


def _filled_right(row: tuple[str, ...]) -> list[str]:
    """A row of group names, each standing over its first column only, written over all of its columns."""
    filled: list[str] = []
    for cell in row:
        filled.append(cell or (filled[-1] if filled else ""))
    return filled


def _without_unit(header: str) -> str:
    return split_header(header)[0]


def claims_of(seen: Seen, signal: Signal | None = None) -> dict[str, Claim]:
    """Channel -> claim, for every channel that the column could be. `signal` is the sheet's, if there is one."""
    tags = seen.meaning.tags
    numbers_rows = words.INDEX in tags and not tags & _QUANTITIES
    if not np.isfinite(seen.low) or seen.filled < 0.02 or words.DERIVED in tags or numbers_rows:
        return {}
    found: dict[str, Claim] = {}
    for channel, judge in _JUDGES.items():
        claim = judge(seen) if channel != "command" else _command(seen, signal)
        if claim is not None:
            found[channel] = claim
    own = seen.exact.casefold()
    if own in _JUDGES and own not in found and not seen.contact:
        found[own] = Claim(0.0, None, needs="unit")
    if own in found:
        found[own].points += 4.0
        found[own].why.append("the channel's own name")
    return found


def _words_points(seen: Seen, tag: str) -> Claim:
    if tag not in seen.meaning.tags:
        return Claim(0.0, None)
    return (
        Claim(1.5, None, ["a letter in the header"])
        if seen.meaning.weak
        else Claim(4.0, None, ["the header's words"])
    )


def _command(seen: Seen, signal: Signal | None = None) -> Claim | None:
    tags, unit = seen.meaning.tags, seen.unit
    if tags & {words.TEMPERATURE, words.TIME, words.DATE, words.OTHER, words.ENABLE, words.MODE} or seen.contact:
        return None
    if unit is not None and unit.dimension not in ("current", "voltage", "share", "counts"):
        return None
    claim = _words_points(seen, words.SET)
    if words.PRESSURE in tags and words.SET not in tags:
        return None
    if tags & {words.COIL, words.SUPPLY} and words.SET not in tags:
        return None
    if words.PRESSURE in tags and unit is None:
        claim.points -= 2.0  # a setpoint in bar, perhaps
    symbol = unit.symbol if unit else None
    points, taken = _command_range(seen, symbol, signal)
    if points is None:
        return None
    claim.points += points
    claim.unit = taken
    claim.why.append(f"{_range_text(seen, taken)} as a command has it")
    if taken in ("counts", None):
        claim.needs = "counts" if taken else "unit"
    return claim


def _command_range(seen: Seen, symbol: str | None, signal: Signal | None) -> tuple[float | None, str | None]:
    """Points for the range of a command, and its unit; None where no command is like that."""
    return _range_without_unit(seen, signal) if symbol is None else _range_in_unit(seen, symbol)


def _range_in_unit(seen: Seen, symbol: str) -> tuple[float | None, str | None]:
    low, high = seen.low, seen.high
    if symbol == "mA":
        moves_too_low = high < 2.0 and high - low > 0.1  # a coil's amperes under another header, perhaps
        return (3.0, "mA") if low >= -0.5 and high <= 24.0 and not moves_too_low else (None, None)
    if symbol in ("V", "mV"):
        volts = 1.0 if symbol == "V" else 1e-3
        return (2.0, symbol) if low * volts >= -10.6 and high * volts <= 10.6 else (None, None)
    if symbol == "%":
        if 0.05 < high <= 1.5 and low >= -0.1 and high - low > 0.05:
            return 2.0, "counts"  # shares of one under a header of percent: which number is 100 %?
        return (3.0, "%") if low >= -110.0 and high <= 110.0 else (None, None)
    return (2.0, "counts") if symbol == "counts" else (None, None)


def _range_without_unit(seen: Seen, signal: Signal | None) -> tuple[float | None, str | None]:
    low, high = seen.low, seen.high
    if signal is not None:
        ends = sorted((signal.at_zero, signal.at_full))
        slack = 0.05 * (ends[1] - ends[0])
        if ends[0] - slack <= low and high <= ends[1] + slack:
            return 2.0, signal.unit
    if low >= 3.4 and 10.6 < high <= 21.0:
        return 2.0, "mA"
    if low >= -10.6 and 1.2 < high <= 10.6:
        # From 4 to 10 may be volts or the lower part of 4 to 20 mA, and 0 to 10 with a sheet in mA is neither surely.
        return (1.0, "V") if low < 3.4 and (signal is None or signal.unit == "V") else (0.0, None)
    if low >= -5.0 and 50.0 < high <= 110.0:
        return 1.0, "%"
    if high > 200.0 and bool((seen.values[np.isfinite(seen.values)] % 1 == 0).all()):
        return 0.0, "counts"
    return 0.0, None


#: Words of a header by which a column is no coil's current.
_NO_CURRENT = frozenset(
    {
        words.SET,
        words.PUMP,
        words.SUPPLY,
        words.PRESSURE,
        words.TEMPERATURE,
        words.OTHER,
        words.TIME,
        words.DATE,
    }
)


def _current(seen: Seen) -> Claim | None:
    tags, unit = seen.meaning.tags, seen.unit
    if tags & _NO_CURRENT or seen.contact:
        return None
    if unit is not None and unit.dimension not in ("current", "voltage"):
        return None
    claim = _words_points(seen, words.CURRENT)
    if words.COIL in tags and words.VOLTAGE not in tags:
        claim.points += 1.0
        claim.why.append("the coil is named")
    symbol = unit.symbol if unit else None
    if symbol in ("V", "mV"):
        shunt = words.CURRENT in tags or "shunt" in seen.meaning.unknown
        if not shunt or words.VOLTAGE in tags:
            return None
        return Claim(claim.points + 1.0, symbol, [*claim.why, "a voltage across a shunt"], "shunt")
    ranged = _current_range(symbol, max(abs(seen.low), abs(seen.high)))
    if ranged is None:
        return None
    points, claim.unit = ranged
    claim.points += points
    if claim.unit is None:
        claim.needs = "unit"
    claim.why.append(_range_text(seen, claim.unit))
    return claim


def _current_range(symbol: str | None, top: float) -> tuple[float, str | None] | None:
    """Points for the highest reading of a current in its unit, and that unit where it is sure; None: no coil's."""
    if symbol == "A":  # no coil takes 20 A: the unit is wrong, or it is another current
        return 3.0, "A" if top <= 20.0 else None
    if symbol == "mA":
        if 3.0 <= top <= 24.0 or top > 20_000.0:
            return None  # a loop's signal, not a coil's current
        return 3.0, "mA" if top >= 3.0 else None  # a coil's amperes under another header, perhaps
    if top <= 5.5:
        return 1.0, "A"
    return (1.0, "mA") if 200.0 <= top <= 20_000.0 else (0.0, None)


#: Highest pressure of a press's valve that is plausible in each unit: 20 to 700 bar (common practice of fluid
#: power); in bar also less, because a column of 16 without a unit may as well be bar as MPa.
_PRESSURE_TOPS: Mapping[str, tuple[float, float]] = {
    "bar": (1.0, 700.0),
    "psi": (290.0, 10_150.0),
    "MPa": (2.0, 70.0),
    "kPa": (2_000.0, 70_000.0),
}


#: Ports of a valve that are not its outlets (ISO 9461: P for the pump's side, T for the tank's), behind another word.
_PORTS = frozenset({"p", "t"})


#: Words by which a pressure is above vacuum, not a gauge's.
_ABOVE_VACUUM = frozenset({"abs", "absolute", "absolut", "absolu", "absoluta", "assoluta", "vacuum"})


def _pressure(seen: Seen) -> Claim | None:
    tags, unit = seen.meaning.tags, seen.unit
    others = {words.SET, words.TEMPERATURE, words.TIME, words.DATE, words.OTHER, words.SUPPLY} - (
        {words.SUPPLY} if words.PRESSURE in tags else set()
    )
    if tags & others or seen.contact:
        return None
    claim = _words_points(seen, words.PRESSURE)
    if words.ELSEWHERE in tags or words.PUMP in tags or _PORTS & set(words.tokens(seen.header)[1:]):
        claim.points -= 8.0  # whatever else speaks for it: it follows the valve's pressure, and is another
        claim.why.append("of another place than the valve, by its header")
    ranged = _pressure_without_unit(seen) if unit is None else _pressure_in_unit(seen, unit)
    if ranged is None:
        return None
    claim.points += ranged.points
    claim.unit, claim.needs = ranged.unit, ranged.needs
    claim.why += ranged.why
    return claim


def _pressure_in_unit(seen: Seen, unit: FoundUnit) -> Claim | None:
    """What the unit of a column says for a pressure, with its range; None where it is none."""
    if unit.dimension == "current" and words.PRESSURE in seen.meaning.tags:
        loop = unit.symbol == "mA" and seen.low >= 3.0 and seen.high <= 22.0
        return Claim(1.0, "mA", ["a transmitter's mA"], "transmitter") if loop else None
    if _ABOVE_VACUUM & set(words.tokens(seen.header)) or unit.symbol in ("bara", "bar(a)", "psia"):
        return Claim(2.0, None, needs="vacuum")
    if unit.dimension == "unknown pressure":
        return Claim(2.0, None, needs="unit")
    if unit.dimension != "pressure" or seen.high < 0.0:
        return None
    if CHANNELS["pressure"][unit.symbol].to_stored(seen.high) > _MOST_BAR:
        return Claim(3.0, None, [_range_text(seen, None)], "unit")
    return Claim(3.0, unit.symbol, [_range_text(seen, unit.symbol)])


def _pressure_without_unit(seen: Seen) -> Claim:
    if seen.own_format and seen.exact.casefold() == "pressure":
        return Claim(0.0, "bar", [_range_text(seen, "bar")])  # as the manual says of a column of that name
    units = [symbol for symbol, (least, most) in _PRESSURE_TOPS.items() if least <= seen.high <= most]
    if len(units) == 1:
        return Claim(1.0, units[0], [_range_text(seen, units[0])])
    return Claim(0.0, None, [_range_text(seen, None)], "unit")


def _range_text(seen: Seen, unit: str | None) -> str:
    return f"{seen.low:.4g} to {seen.high:.4g}{' ' + unit if unit else ''}"


def _volts(role: str, low: float, high: float) -> Callable[[Seen], Claim | None]:
    def judge(seen: Seen) -> Claim | None:
        tags, unit = seen.meaning.tags, seen.unit
        if role not in tags or tags & {words.CURRENT, words.PRESSURE, words.TEMPERATURE, words.SET}:
            return None
        if unit is None and words.VOLTAGE not in tags and seen.exact.casefold() != "supply":
            return None
        if unit is not None and unit.dimension != "voltage":
            return None
        factor = 1e-3 if unit is not None and unit.symbol == "mV" else 1.0
        if not low <= seen.low * factor <= seen.high * factor <= high:
            return None
        return Claim(7.0, unit.symbol if unit else "V", ["the header's words"])

    return judge


def _oil_temperature(seen: Seen) -> Claim | None:
    unit = seen.unit
    if not {words.OIL, words.TEMPERATURE} <= seen.meaning.tags:
        return None
    if unit is not None and unit.dimension != "temperature":
        return None
    if not -40.0 <= seen.low <= seen.high <= (300.0 if unit and unit.symbol == "degF" else 150.0):
        return None
    return Claim(7.0, unit.symbol if unit else "degC", ["the header's words"])


def _contact(needed: frozenset[str]) -> Callable[[Seen], Claim | None]:
    def judge(seen: Seen) -> Claim | None:
        return Claim(7.0, None, ["the header's words"]) if needed <= seen.meaning.tags and seen.contact else None

    return judge


def _mode(seen: Seen) -> Claim | None:
    known = seen.values[np.isfinite(seen.values)]
    few = bool(known.size) and np.unique(known).size <= 20 and bool((known == np.round(known)).all())
    return Claim(7.0, None, ["the header's words"]) if words.MODE in seen.meaning.tags and few else None


_JUDGES: Mapping[str, Callable[[Seen], Claim | None]] = {
    "command": _command,
    "current": _current,
    "pressure": _pressure,
    "supply": _volts(words.SUPPLY, 5.0, 60.0),
    "coil_voltage": _volts(words.COIL, -60.0, 60.0),
    "enable": _contact(frozenset({words.ENABLE})),
    "pump_running": _contact(frozenset({words.PUMP, words.RUNNING})),
    "mode": _mode,
    "oil_temperature": _oil_temperature,
}

if set(_JUDGES) | set(TIME_CHANNELS) != set(CHANNELS):  # a channel added without its evidence would never be found
    raise RuntimeError("every channel needs its evidence")


def follows(leader: FloatArray, follower: FloatArray) -> tuple[float, int]:
    """Highest correlation of two columns over shifts of up to 500 rows, and the shift it is at, in rows.

    A positive shift says that the second column follows the first. (0, 0) where either hardly moves.
    """
    both = np.isfinite(leader) & np.isfinite(follower)
    if both.sum() < 50:
        return 0.0, 0
    a = np.where(both, leader, np.nanmean(leader[both]))
    b = np.where(both, follower, np.nanmean(follower[both]))
    a, b = a - a.mean(), b - b.mean()
    scale = float(np.sqrt((a * a).sum() * (b * b).sum()))
    if scale <= 1e-12 * a.size:
        return 0.0, 0
    reach = min(a.size // 8, 500)
    size = 1 << int(np.ceil(np.log2(a.size + reach + 1)))  # what wraps round falls on shifts beyond reach
    product = np.fft.irfft(np.conj(np.fft.rfft(a, size)) * np.fft.rfft(b, size), size) / scale
    shifts = np.concatenate([product[: reach + 1], product[-reach:]])
    at = int(np.argmax(shifts))
    return float(shifts[at]), at if at <= reach else at - shifts.size
