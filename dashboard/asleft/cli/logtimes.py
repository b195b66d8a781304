"""Text of a time column into unix seconds UTC."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime, tzinfo

import numpy as np
from asleft.cli.logcells import EMPTY, BadCell, FloatArray, read_numbers

NOT_A_TIME = "times that cannot be read"

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_NAIVE_EPOCH = datetime(1970, 1, 1)  # noqa: DTZ001 - compared with times that carry no zone because they are UTC


def read_times(
    cells: Sequence[str], time_format: str | None, zone: tzinfo, *, decimal_comma: bool = False
) -> tuple[FloatArray, list[BadCell]]:
    """Unix seconds UTC, shape (n,), NaN where a cell cannot be read; and those cells.

    `time_format`: "iso" (ISO 8601), "seconds", "milliseconds", a strptime pattern, or None: seconds if the first
    cell that holds anything is a number, else ISO 8601. `zone` applies to times that carry none. Where clocks are
    put back, an hour without a zone of its own is taken as its first passing.
    """
    if time_format is None:
        first = next((cell for cell in cells if cell.strip()), "")
        time_format = "seconds" if _is_number(first, decimal_comma) else "iso"
    if time_format in ("seconds", "milliseconds"):
        values, bad = read_numbers(cells, decimal_comma=decimal_comma)
        return values / (1000.0 if time_format == "milliseconds" else 1.0), _as_time_faults(bad)
    parse = datetime.fromisoformat if time_format == "iso" else _by_pattern(time_format)
    return _by_calendar(cells, parse, zone)


def _is_number(text: str, decimal_comma: bool) -> bool:
    try:
        float(text.replace(",", ".") if decimal_comma else text)
    except ValueError:
        return False
    return True


def _as_time_faults(bad: list[BadCell]) -> list[BadCell]:
    return [cell if cell.reason == EMPTY else BadCell(cell.row, cell.text, NOT_A_TIME) for cell in bad]


def _by_calendar(
    cells: Sequence[str], parse: Callable[[str], datetime], zone: tzinfo
) -> tuple[FloatArray, list[BadCell]]:
    try:
        moments = list(map(parse, cells))
        if not any(moment.tzinfo for moment in moments) and zone is UTC:
            return np.array([(moment - _NAIVE_EPOCH).total_seconds() for moment in moments], dtype=np.float64), []
        return np.array([_unix_s(moment, zone) for moment in moments], dtype=np.float64), []
    except ValueError:
        values = np.full(len(cells), np.nan)
        bad: list[BadCell] = []
        for row, text in enumerate(cells):
            try:
                values[row] = _unix_s(parse(text.strip()), zone)
            except ValueError:
                bad.append(BadCell(row, text, NOT_A_TIME if text.strip() else EMPTY))
        return values, bad


def _unix_s(moment: datetime, zone: tzinfo) -> float:
    return ((moment if moment.tzinfo else moment.replace(tzinfo=zone)) - _EPOCH).total_seconds()


def _by_pattern(pattern: str) -> Callable[[str], datetime]:
    """strptime, remembering what it has read: a logger repeats each second a hundred times.

    Where the pattern ends in fractions of a second, those are read apart, so that the rest repeats.
    """
    known: dict[str, datetime] = {}

    def whole(text: str, part: str) -> datetime:
        moment = known.get(text)
        if moment is None:
            moment = known[text] = datetime.strptime(text, part)  # noqa: DTZ007 - a zone is added where none is read
        return moment

    if not pattern.endswith("%S.%f") and not pattern.endswith("%S,%f"):
        return lambda text: whole(text, pattern)
    mark, head = pattern[-3], pattern[:-3]

    def parse(text: str) -> datetime:
        seconds, found, fraction = text.rpartition(mark)
        if not found or not fraction.isdecimal():
            raise ValueError(f"{text!r} does not end in {mark} and a fraction of a second")
        return whole(seconds, head).replace(microsecond=int(fraction[:6].ljust(6, "0")))

    return parse
