"""Which column is the time, and how its cells are read."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC

import numpy as np
import pyarrow as pa
from asleft.logfile import words
from asleft.logfile.arrow import pc, whole_numbers
from asleft.logfile.evidence import Seen
from asleft.logfile.found import Recognition, put
from asleft.logfile.given import Choice, Given, Question
from asleft.logfile.moments import ORDERS, Form, clock_pattern_of, counting_of, form_of
from asleft.logfile.table import Table
from asleft.logfile.times import times_of
from asleft.logfile.units import unit_of_text
from asleft.sheet.logmap import TIME_ORIGINS, TIME_SCALES, Column
from asleft.sheet.zones import find_zone

#: Names of zones of one offset or one rule that are in the zone database under just that name.
_ABBREVIATIONS = frozenset({"CET", "EET", "WET", "EST", "MST", "HST", "EST5EDT", "CST6CDT", "MST7MDT", "PST8PDT"})

_MILLISECONDS = unit_of_text("ms")
_MILLISECOND_WORDS = frozenset({"ms", "msec", "milli", "millis", "millisecond", "milliseconds", "millisekunde"})


def take_time(
    table: Table, seen: Sequence[Seen], given: Given, chosen: dict[str, int], found: Recognition
) -> frozenset[int]:
    """Find the time, put it into the map, and return the columns it stands in (also those not needed)."""
    forms = {at: form_of(column) for at, column in enumerate(table.columns)}
    moments = [at for at, form in forms.items() if form.kind in ("moment", "iso")]
    dates = [at for at, form in forms.items() if form.kind == "date"]
    clocks = [at for at, form in forms.items() if form.kind == "clock"]
    used = frozenset((*moments, *dates, *clocks))
    at = chosen.get("time")
    if at is None:
        at, others = _time_column(table, seen, moments, dates, clocks)
        used |= others
    if at is None:
        found.questions.append(_no_time(table))
        return used
    name = table.name_of(at)
    mine = seen[at]
    form = forms[at]
    if "time" not in chosen and (other := _other_time(table, seen, forms, at)) is not None:
        found.questions.append(
            Question(
                "time",
                f"columns {at + 1} and {other + 1} are times that differ; where columns have times of their own, cut "
                "the file into one for each, and join these with --join",
                tuple(Choice(f"column {k + 1} is the time", ("--column", f"time={k + 1}")) for k in (at, other)),
            )
        )
    pattern: str | None
    if form.kind in ("moment", "iso"):
        pattern = _one_pattern(form, name, given, found)
    elif form.kind == "clock":
        pattern = _clock_pattern(table, at, chosen.get("date", dates[0] if dates else None), given, found)
    else:
        pattern = _counting(table, seen[at], given, found)
    put(table, found, "time", at, Column("time"))
    behind = chosen.get("millisecond", _milliseconds(seen, table.columns[at], pattern))
    if behind is not None:
        put(table, found, "millisecond", behind, Column("millisecond"))
        found.columns[behind].sure = True
        used |= {behind}
    zone = _zone_of_header(mine.header) if given.zone is None else None
    if zone is not None:
        found.log_map = replace(found.log_map, zone=zone)
        found.remarks.append(f"its times are in {zone}, by the header")
    elif given.zone is None and given.local_zone != "UTC" and _no_zone(table, at, pattern):
        found.remarks.append(
            f"its times name no zone and are taken for {given.local_zone}, this machine's own; --zone says another"
        )
    if pattern == "excel":
        found.remarks.append("its days count from 30 December 1899 (--unit-of time=excel1904: from 1904)")
    found.columns[at].sure = pattern is not None
    found.newest_first = _falls(table, at, seen[at], pattern)
    found.log_map = replace(found.log_map, time_format=pattern)
    return used | {at}


def _no_time(table: Table) -> Question:
    """What is asked where no column is a time; a cell is shown, which may be a time in a form that is not known."""
    texts = [at for at, column in enumerate(table.columns) if pa.types.is_string(column.type)]
    cell = next((str(cell) for at in texts[:1] for cell in table.columns[at].slice(0, 20).to_pylist() if cell), "")
    form = f"; if {cell[:40]!r} is one, a map's time_format says how it is read" if cell else ""
    return Question("time", f"no column grows as a time does{form}", example=("--column", "time=NUMBER"))


def _clock_pattern(table: Table, at: int, day: int | None, given: Given, found: Recognition) -> str:
    """How a column of times of day is read, with the column of dates that belongs to it, if there is one."""
    if day is None:
        if given.start is None:
            found.remarks.append("the times carry no date (--start says when the recording began)")
        return "clock"
    dated = form_of(table.columns[day], table.columns[at])
    date_pattern = _one_pattern(dated, table.name_of(day), given, found)
    pattern = "iso" if date_pattern == "iso" else f"{date_pattern} {clock_pattern_of(table.columns[at])}"
    if pattern == "iso" and not _is_plain_clock(table, at):
        pattern = f"%Y-%m-%d {clock_pattern_of(table.columns[at])}"
    put(table, found, "date", day, Column("date"))
    found.columns[day].sure = True
    return pattern


def _milliseconds(seen: Sequence[Seen], times: pa.ChunkedArray, pattern: str | None) -> int | None:
    """The column that holds the thousandths behind times of whole seconds; None where there is none."""
    if pattern is None or pattern in TIME_SCALES or pattern in TIME_ORIGINS or "%f" in pattern:
        return None
    if pa.types.is_string(times.type):
        if pc.any(pc.match_substring_regex(times, r":\d\d:\d\d[.,:]\d")).as_py():
            return None
    elif times.type != pa.timestamp("us") or (whole_numbers(times, 0) % 1_000_000).any():
        return None
    found = [
        s.at
        for s in seen
        if (s.unit == _MILLISECONDS or _MILLISECOND_WORDS & set(words.tokens(s.header)))
        and np.isfinite(s.low)
        and 0.0 <= s.low <= s.high < 1000.0
        and bool((s.values[np.isfinite(s.values)] % 1 == 0).all())
    ]
    return found[0] if len(found) == 1 else None


def _no_zone(table: Table, at: int, pattern: str | None) -> bool:
    """Whether the times of a column are a wall clock's."""
    if pattern is None or pattern == "clock" or pattern in TIME_SCALES:
        return False
    if pattern in TIME_ORIGINS:
        return TIME_ORIGINS[pattern][2]
    column = table.columns[at]
    if not pa.types.is_string(column.type):
        return getattr(column.type, "tz", None) is None
    if pattern != "iso":
        return "%z" not in pattern
    first = next((text for text in column.slice(0, 100).to_pylist() if text), "")
    return re.search(r"\d(Z|[+-]\d\d(:?\d\d)?)\s*$", first[10:]) is None


def _zone_of_header(header: str) -> str | None:
    """The zone that a header of times names, as "UTC+1" or "Europe/Vienna" in brackets or behind the last blank."""
    match = re.search(r"(?:UTC|GMT)\s*([+-])\s*(\d{1,2})(?::?(\d\d))?\b", header)
    if match:
        return f"{match.group(1)}{int(match.group(2)):02d}:{match.group(3) or '00'}"
    for name in (*words.in_brackets(header), header.split()[-1] if header.split() else ""):
        if ("/" in name or name in _ABBREVIATIONS) and find_zone(name) is not None:
            return name
    return None


def _falls(table: Table, at: int, seen: Seen, pattern: str | None) -> bool:
    """Whether the newest row stands first."""
    values = seen.values
    if pattern not in TIME_SCALES:
        values = times_of(table.columns[at].slice(0, 2000), pattern, UTC)[0] if pattern else values
    steps = np.diff(values[np.isfinite(values)])
    return bool((steps < 0).sum() > 0.9 * max((steps != 0).sum(), 1))


def _other_time(table: Table, seen: Sequence[Seen], forms: Mapping[int, Form], at: int) -> int | None:
    """Another column of times of the same kind, near the chosen one but not the same; None if there is none."""
    mine = seen[at]
    if {"utc", "gmt"} & set(words.tokens(mine.header)):
        return None
    some = table.columns[at].slice(0, 50).to_pylist()
    for other in seen:
        if other.at == at:
            continue
        if forms[at].kind in ("moment", "iso"):
            same_kind = forms[other.at].kind in ("moment", "iso")
            if same_kind and some != table.columns[other.at].slice(0, 50).to_pylist():
                return other.at
        elif np.isfinite(mine.low) and _may_be_time(other) and _grows(other) and other.unit == mine.unit:
            apart = np.abs(other.values - mine.values)
            if np.nanmax(apart) > 0.0 and np.nanmin(apart) < 60.0:
                return other.at
    return None


def _is_plain_clock(table: Table, at: int) -> bool:
    return clock_pattern_of(table.columns[at]) in ("%H:%M:%S", "%H:%M:%S.%f")


def _time_column(
    table: Table, seen: Sequence[Seen], moments: Sequence[int], dates: Sequence[int], clocks: Sequence[int]
) -> tuple[int | None, frozenset[int]]:
    """The column of the time, and further columns that count as time and are no channel."""
    growing = [s.at for s in seen if _grows(s)]
    named = [at for at in growing if _may_be_time(seen[at]) and words.INDEX not in seen[at].meaning.tags]
    rest = frozenset(at for at in growing if words.INDEX in seen[at].meaning.tags or at in named)
    if moments:
        # Of times in UTC and in another zone, UTC is what it says.
        return next((at for at in moments if {"utc", "gmt"} & set(words.tokens(seen[at].header))), moments[0]), rest
    if clocks:
        return clocks[0], rest
    if dates and named:
        return named[0], rest
    if named:
        # Of several, the one with a unit, then the first.
        named.sort(key=lambda at: (seen[at].unit is None, at))
        return named[0], rest
    if len(growing) == 1 and not table.layout.has_header:
        return growing[0], rest
    # By its name alone: a few rows do not show that they grow, and rows that go back are refused with their line.
    by_name = [s.at for s in seen if _may_be_time(s) and np.isfinite(s.low) and words.INDEX not in s.meaning.tags]
    return (by_name[0], rest) if len(by_name) == 1 else (None, rest)


def _may_be_time(seen: Seen) -> bool:
    unit = seen.unit
    return words.TIME in seen.meaning.tags or (unit is not None and unit.dimension == "time")


def _grows(seen: Seen) -> bool:
    """Whether a column of numbers never goes back, or never forward (newest first), but for single rows."""
    known = seen.values[np.isfinite(seen.values)]
    steps = np.diff(known)
    if known.size < 8 or not (steps != 0).any():
        return False
    up, down = float((steps > 0).mean()), float((steps < 0).mean())
    return (down < 0.02 and up > 0.005 and known[-1] > known[0]) or (
        up < 0.02 and down > 0.005 and known[-1] < known[0]
    )


def _one_pattern(form: Form, name: str, given: Given, found: Recognition) -> str | None:
    if not form.patterns:
        found.questions.append(
            Question("time", f"column {name}: its dates cannot be read", example=("--map", "FILE"))
        )
        return None
    wanted = {text: order for order, text in ORDERS.items()}.get(given.order or "")
    if wanted in form.patterns:
        return form.patterns[wanted]
    if len(form.patterns) == 1:
        return next(iter(form.patterns.values()))
    found.questions.append(
        Question(
            "dates",
            f"column {name}: its dates can be read in {len(form.patterns)} ways",
            tuple(Choice(_order_words(order), ("--dates", ORDERS[order])) for order in form.patterns),
        )
    )
    return None


def _order_words(order: str) -> str:
    names = {"d": "day", "m": "month", "Y": "year"}
    return ", ".join(names[letter] for letter in order)


def _counting(table: Table, seen: Seen, given: Given, found: Recognition) -> str | None:
    unit = given.units.get("time")
    if unit is not None:
        return unit
    by_header = seen.unit.symbol if seen.unit and seen.unit.dimension == "time" else None
    ways = counting_of(np.abs(seen.values), by_header)
    if len(ways) == 1:
        return ways[0]
    if seen.own_format and (not ways or "seconds" in ways):
        return "seconds"  # as the manual says of a file with our own headers
    found.questions.append(
        Question(
            "time",
            f"column {table.name_of(seen.at)}: its numbers do not say what they count",
            tuple(Choice(way, ("--unit-of", f"time={way}")) for way in ways or ("seconds", "milliseconds")),
        )
    )
    return None
