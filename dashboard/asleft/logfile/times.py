"""A time column into unix seconds UTC."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, date, datetime, timedelta, tzinfo

import numpy as np
import pyarrow as pa
from asleft.logfile.arrow import FloatArray, Int64Array, bools, floats, pc, row_index, whole_numbers
from asleft.logfile.cells import EMPTY, BadCell, numbers_of
from asleft.sheet.logmap import TIME_ORIGINS, TIME_SCALES, LogMap
from asleft.sheet.zones import find_zone

NOT_A_TIME = "times that cannot be read"

_DAY_S = 86400.0
_QUARTER_S = 900
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)

#: Letters behind a time that name an offset (h); those that two zones share are left out (CST, IST, BST). Those of
#: North America by RFC 5322, 4.3.
_ZONE_LETTERS: Mapping[str, float] = {
    **dict.fromkeys(("Z", "UTC", "GMT", "WET"), 0.0),
    **dict.fromkeys(("CET", "MEZ", "WEST"), 1.0),
    **dict.fromkeys(("CEST", "MESZ", "EET"), 2.0),
    "EEST": 3.0,
    "EDT": -4.0,
    **dict.fromkeys(("EST", "CDT"), -5.0),
    "MDT": -6.0,
    **dict.fromkeys(("MST", "PDT"), -7.0),
    "PST": -8.0,
}
ZONES = rf"{'|'.join(sorted(_ZONE_LETTERS, key=len, reverse=True))}|[+-]\d\d:?\d\d"
"""Expression for what stands behind a time for its zone."""

#: Directive of a pattern -> what stands there. Only these are read at full speed.
_DIRECTIVES: Mapping[str, str] = {
    "d": r"(?P<d>\d{1,2})",
    "m": r"(?P<m>\d{1,2})",
    "Y": r"(?P<Y>\d{4})",
    "y": r"(?P<y>\d{2})",
    "H": r"(?P<H>\d{1,2})",
    "I": r"(?P<I>\d{1,2})",
    "M": r"(?P<M>\d{1,2})",
    "S": r"(?P<S>\d{1,2})",
    "f": r"(?P<f>\d{1,12})",
    "p": r"(?P<p>[AaPp])\.?[Mm]\.?",
    "b": r"(?P<b>[^\d\s.,/-]{3,10})\.?",
    "B": r"(?P<b>[^\d\s.,/-]{3,10})\.?",
    "j": r"(?P<j>\d{3})",
    "z": rf"(?P<z>{ZONES})",
}

#: Forms of a time of day.
_CLOCKS = ("%H:%M:%S.%f", "%H:%M:%S,%f", "%H:%M:%S:%f", "%I:%M:%S.%f %p")

#: Beginnings of the months' names in English, German, French, Spanish, Italian, Dutch, Portuguese, Swedish, Polish.
_MONTHS: Mapping[str, int] = {
    name: number
    for number, names in enumerate(
        (
            "jan ene gen janv sty",
            "feb fev lut",
            "mar mär mrt maa marz",
            "apr avr abr kwi",
            "may mai mei mag maj",
            "jun juin giu cze",
            "jul juil lug lip",
            "aug aou ago sie",
            "sep set wrz",
            "oct okt ott out paz",
            "nov lis",
            "dec dez dic déc gru",
        ),
        1,
    )
    for name in names.split()
}


def zone_of(log_map: LogMap) -> tzinfo:
    """The zone of times that carry none; the very object `UTC` for UTC, which reads fastest."""
    return UTC if log_map.zone.upper() in ("UTC", "Z") else find_zone(log_map.zone) or UTC


def read_times(
    cells: Sequence[str], time_format: str | None, zone: tzinfo, *, decimal_comma: bool = False
) -> tuple[FloatArray, list[BadCell]]:
    """`times_of` for a list of texts."""
    return times_of(pa.chunked_array([pa.array(cells, pa.string())]), time_format, zone, decimal_comma=decimal_comma)


def times_of(
    column: pa.ChunkedArray,
    time_format: str | None,
    zone: tzinfo,
    *,
    decimal_comma: bool = False,
    day: date | None = None,
) -> tuple[FloatArray, list[BadCell]]:
    """Unix seconds UTC, shape (n,), NaN where a cell cannot be read; and those cells.

    `time_format`: a word of `sheet.logmap.TIME_WORDS`, a strptime pattern, or None: seconds if the first cell that
    holds anything is a number, else ISO 8601. `zone` applies to times that carry none. Where clocks are put back, an
    hour without a zone of its own is taken as its first passing until times go back, then as its second. `day` is
    the first day of times that are a clock's; without it they count from the first midnight.
    """
    if not pa.types.is_string(column.type):
        typed = _typed(column, zone)
        if typed is not None:
            return typed
    if time_format is None:
        time_format = "seconds" if _begins_with_number(column, decimal_comma) else "iso"
    if time_format in TIME_SCALES:
        values, bad = numbers_of(column, decimal_comma=decimal_comma)
        return values / TIME_SCALES[time_format], _as_time_faults(bad)
    if time_format in TIME_ORIGINS:
        per_s, origin_s, local = TIME_ORIGINS[time_format]
        values, bad = numbers_of(column, decimal_comma=decimal_comma)
        unix_s = np.round(values / per_s - origin_s, 5)
        return (_unix_of_local(unix_s, zone) if local else unix_s), _as_time_faults(bad)
    if time_format == "clock":
        return _by_clock(column, zone, day)
    if not pa.types.is_string(column.type):
        column = pc.cast(column, pa.string()).fill_null("")
    if time_format == "iso":
        return _by_iso(column, zone)
    fields = _fields(column, time_format)
    return _by_parser(column, _strptime(time_format), zone) if fields is None else _by_fields(column, fields, zone)


def _begins_with_number(column: pa.ChunkedArray, decimal_comma: bool) -> bool:
    for chunk in column.chunks:
        for cell in chunk:
            text = str(cell.as_py() if cell.is_valid else "")
            if text.strip():
                try:
                    float(text.replace(",", ".") if decimal_comma else text)
                except ValueError:
                    return False
                return True
    return False


def _as_time_faults(bad: list[BadCell]) -> list[BadCell]:
    return [cell if cell.reason == EMPTY else BadCell(cell.row, cell.text, NOT_A_TIME) for cell in bad]


def _typed(column: pa.ChunkedArray, zone: tzinfo) -> tuple[FloatArray, list[BadCell]] | None:
    """Times of a column that is typed as such; None for any other type."""
    if not pa.types.is_timestamp(column.type) and not pa.types.is_date(column.type):
        return None
    aware = getattr(column.type, "tz", None) is not None
    if column.type == pa.timestamp("us") and not column.null_count:
        whole = whole_numbers(column, 0)
        return _unix_of_local(whole // 1_000_000 + whole % 1_000_000 / 1e6, zone), []
    stamps = pc.cast(column, pa.timestamp("ns", "UTC" if aware else None), safe=False)
    missing = ~bools(pc.is_valid(stamps))
    whole = whole_numbers(stamps, 0)
    seconds = np.where(missing, np.nan, _seconds_of_ns(whole))
    bad = [BadCell(int(row), "", EMPTY) for row in np.flatnonzero(missing)]
    return (seconds if aware else _unix_of_local(seconds, zone)), bad


def _seconds_of_ns(ns: Int64Array) -> FloatArray:
    """Whole seconds and the rest apart, so that a nanosecond count loses nothing on the way to float64."""
    whole = ns // 1_000_000_000
    return whole + (ns - whole * 1_000_000_000) / 1e9


def _by_iso(column: pa.ChunkedArray, zone: tzinfo) -> tuple[FloatArray, list[BadCell]]:
    first = next((chunk[0].as_py() for chunk in column.chunks if len(chunk)), None)
    plain = pc.replace_substring(column, ",", ".") if "," in (first or "") else column
    for kind in (pa.timestamp("ns"), pa.timestamp("ns", "UTC")):
        try:
            ns = whole_numbers(pc.cast(plain, kind), 0)
        except (pa.ArrowInvalid, pa.ArrowNotImplementedError):
            continue
        if column.null_count:
            break
        seconds = _seconds_of_ns(ns)
        return (seconds if kind.tz else _unix_of_local(seconds, zone)), []
    return _by_parser(column, lambda text: datetime.fromisoformat(text.partition("[")[0]), zone)


def _by_parser(
    column: pa.ChunkedArray, parse: Callable[[str], datetime], zone: tzinfo
) -> tuple[FloatArray, list[BadCell]]:
    """Cell by cell. Local times and those with a zone are told apart for each cell."""
    count = len(column)
    local, aware = np.full(count, np.nan), np.full(count, np.nan)
    bad: list[BadCell] = []
    for row, text in enumerate(column.to_pylist()):
        try:
            moment = parse(str(text).strip())
            if moment.tzinfo is None:
                local[row] = (moment.replace(tzinfo=UTC) - _EPOCH) / timedelta(seconds=1)
            else:
                aware[row] = (moment - _EPOCH) / timedelta(seconds=1)
        except (ValueError, OverflowError):
            bad.append(BadCell(row, str(text or ""), NOT_A_TIME if str(text or "").strip() else EMPTY))
    return np.where(np.isnan(aware), _unix_of_local(local, zone), aware), bad


def _strptime(pattern: str) -> Callable[[str], datetime]:
    return lambda text: datetime.strptime(text, pattern)  # noqa: DTZ007 - a zone is added where none is read


def _fields(column: pa.ChunkedArray, pattern: str) -> Mapping[str, pa.ChunkedArray] | None:
    """The pieces of each cell by directive, null where a cell is not of the pattern; None for other patterns."""
    expression, at = "", 0
    for match in re.finditer(r"%(.)", pattern):
        before = pattern[at : match.start()]
        if match.group(1) == "f" and before in (".", ",", ":"):  # loggers leave out a fraction that is zero
            expression += f"(?:{re.escape(before)}{_DIRECTIVES['f']})?"
            at = match.end()
            continue
        expression += _literal(before)
        directive = _DIRECTIVES.get(match.group(1))
        if directive is None or directive in expression:
            return None
        expression += directive
        at = match.end()
    expression += _literal(pattern[at:])
    if not expression.count("(?P<"):
        return None
    found = pc.extract_regex(column, rf"^\s*{expression}\s*$")
    pieces = [chunk.flatten() for chunk in found.chunks]
    names = [found.type.field(k).name for k in range(found.type.num_fields)]
    return {name: pa.chunked_array([piece[k] for piece in pieces], pa.string()) for k, name in enumerate(names)}


def _literal(text: str) -> str:
    return re.sub(r"(\\ |\s)+", r"\\s+", re.escape(text))


def _by_fields(
    column: pa.ChunkedArray, fields: Mapping[str, pa.ChunkedArray], zone: tzinfo
) -> tuple[FloatArray, list[BadCell]]:
    first = next(iter(fields.values()))
    good = bools(pc.is_valid(first))

    def number(name: str, usual: int) -> Int64Array:
        if name not in fields:
            return np.full(len(column), usual, dtype=np.int64)
        found = floats(fields[name])
        return np.where(np.isnan(found), usual, found).astype(np.int64)

    year = number("Y", 1970)
    if "y" in fields:  # POSIX: 69 to 99 are of the last century
        short = number("y", 70)
        year = np.where(short < 69, 2000 + short, 1900 + short)
    month = _months(fields["b"]) if "b" in fields else number("m", 1)
    day, minute, second = number("j" if "j" in fields else "d", 1), number("M", 0), number("S", 0)
    hour = number("H", 0)
    if "I" in fields:
        half = number("I", 12)
        after_noon = bools(pc.match_substring_regex(fields["p"], "[Pp]")) if "p" in fields else np.zeros(1, bool)
        good &= (half >= 1) & (half <= 12)
        hour = half % 12 + 12 * after_noon
    good &= (month >= 1) & (month <= 12) & (hour < 24) & (minute < 60) & (second < 62) & (day >= 1)
    months = np.where(good, (year - 1970) * 12 + month - 1, 0).astype("datetime64[M]")
    days = months.astype("datetime64[D]") + (day - 1)
    kept = "datetime64[Y]" if "j" in fields else "datetime64[M]"  # a day beyond the end is none
    good &= days.astype(kept) == months.astype(kept)
    seconds = days.astype(np.int64) * _DAY_S + (hour * 3600 + minute * 60 + second)
    if "f" in fields:
        digits = floats(pc.replace_substring_regex(fields["f"], "^$", "0"))
        places = floats(pc.utf8_length(fields["f"]))
        seconds = seconds + np.nan_to_num(digits / 10.0**places)
    seconds = np.where(good, seconds, np.nan)
    unix = seconds - _offsets(fields["z"]) if "z" in fields else _unix_of_local(seconds, zone)
    rows = np.flatnonzero(~good)
    texts = column.take(row_index(rows)).to_pylist() if rows.size else []
    bad = [
        BadCell(int(row), text or "", NOT_A_TIME if (text or "").strip() else EMPTY)
        for row, text in zip(rows, texts, strict=True)
    ]
    return unix, bad


def _months(names: pa.ChunkedArray) -> Int64Array:
    coded = names.combine_chunks().dictionary_encode()
    numbers = np.array([_month(name) for name in coded.dictionary.to_pylist()] or [0], dtype=np.int64)
    return np.asarray(numbers[whole_numbers(coded.indices, 0)])


def _month(name: str) -> int:
    """The number of a month by its name, 0 for none."""
    text = name.casefold()
    return next((_MONTHS[text[:size]] for size in (4, 3) if text[:size] in _MONTHS), 0)


def _offsets(texts: pa.ChunkedArray) -> FloatArray:
    coded = texts.combine_chunks().dictionary_encode()
    seconds = [_offset_s(text) for text in coded.dictionary.to_pylist()] or [0.0]
    return np.asarray(np.array(seconds)[whole_numbers(coded.indices, 0)])


def _offset_s(text: str) -> float:
    if text.isalpha():
        return _ZONE_LETTERS[text] * 3600.0
    digits = text[1:].replace(":", "")
    return (int(digits[:2]) * 3600 + int(digits[2:]) * 60) * (-1.0 if text[0] == "-" else 1.0)


def _by_clock(column: pa.ChunkedArray, zone: tzinfo, day: date | None) -> tuple[FloatArray, list[BadCell]]:
    """Times of day, each midnight they pass counted on."""
    if pa.types.is_time(column.type):
        column = pc.cast(column, pa.string())
    tried = [_by_fields(column, fields, UTC) for each in _CLOCKS if (fields := _fields(column, each)) is not None]
    values, bad = min(tried, key=lambda found: len(found[1]))
    rows = np.flatnonzero(np.isfinite(values))
    turns = np.cumsum(np.diff(values[rows], prepend=values[rows[:1]]) < -_DAY_S / 2) if rows.size else rows
    local = values.copy()
    local[rows] += _DAY_S * turns
    if day is None:
        return local, bad
    return _unix_of_local(local + _DAY_S * (day - _EPOCH.date()).days, zone), bad


def _unix_of_local(local_s: FloatArray, zone: tzinfo) -> FloatArray:
    """Local seconds (as if they were UTC) into unix seconds. Clocks are only changed at whole quarters of an hour."""
    if zone is UTC:
        return local_s
    known = np.flatnonzero(np.isfinite(local_s))
    if not known.size:
        return local_s
    quarters, place = np.unique(np.floor(local_s[known] / _QUARTER_S).astype(np.int64), return_inverse=True)
    moments = [_EPOCH.replace(tzinfo=None) + timedelta(seconds=_QUARTER_S * int(each)) for each in quarters]
    first = np.array([_utc_offset_s(moment.replace(tzinfo=zone, fold=0)) for moment in moments])[place]
    second = np.array([_utc_offset_s(moment.replace(tzinfo=zone, fold=1)) for moment in moments])[place]
    offsets = first
    twice = first > second  # an hour that passes twice
    if twice.any():
        back = np.diff(local_s[known], prepend=local_s[known[0]]) < -_QUARTER_S
        offsets = np.where(twice & (np.cumsum(back & twice) > 0), second, first)
    unix = local_s.copy()
    unix[known] -= offsets
    return unix


def _utc_offset_s(moment: datetime) -> float:
    offset = moment.utcoffset()
    return offset.total_seconds() if offset is not None else 0.0
