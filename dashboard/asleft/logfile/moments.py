"""Which form the cells of a time column have: a pattern, a word for how numbers count, or a question.

A form is only taken where no other form reads the same cells plausibly. Plausible is a rate of 0.9 to 2500 rows a
second, a year of our time, and dates that follow each other as the clock beside them does.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import pairwise

import numpy as np
import pyarrow as pa
from asleft.logfile.arrow import FloatArray, pc, spread_rows, whole_numbers
from asleft.logfile.times import ZONES
from asleft.sheet.logmap import TIME_ORIGINS, TIME_SCALES

RATES_HZ = (0.9, 2500.0)
#: Beyond these a unit in a header is doubted, where another unit would be plausible.
_WIDE_RATES_HZ = (0.05, 20_000.0)
#: Plausible years by how many digits they are written with. Two digits leave three readings of a date, so fewer of
#: them.
_YEARS = {4: (1990, 2099), 2: (2010, 2059)}
#: The years 2000 and 2060: any later, seconds from 1904 would pass for seconds from 1970, and other counts of days
#: for a spreadsheet's.
_EPOCHS_S = (946684800.0, 2840140800.0)
#: Word -> how many make a second, and seconds from its origin to 1970, of counts that are told by their size.
_ORIGINS = {word: (per_s, 0.0) for word, per_s in TIME_SCALES.items() if per_s >= 1} | {
    word: TIME_ORIGINS[word][:2] for word in ("ticks", "ticks1601", "seconds1904")
}

_ISO = re.compile(
    r"\d{4}-(\d\d-\d\d|W\d\d-\d)[T ]\d\d:\d\d(:\d\d([.,]\d{1,9})?)?((Z|[+-]\d\d:?\d\d)(\[[\w/+-]+\])?)?"
)
_ORDINAL = re.compile(r"\d{4}-\d{3}(?P<gap>[T ])\d\d:\d\d:\d\d(?P<frac>[.,]\d{1,6})?(?P<zone>Z)?")
_CLOCK = (
    r"(?P<clock>\d{1,2}:\d{2}:\d{2}(?P<frac>[.,:]\d{1,9})?)"
    rf"(?P<half>\s*[AaPp]\.?[Mm]\.?)?(?P<zone>\s*(?:{ZONES}))?"
)
_DATE = r"(?P<a>\d{1,4})(?P<s1>\. |[-/. ])(?P<b>\d{1,2}|[^\W\d_]{3,10}\.?)(?P<s2>[-/. ]\s?)(?P<c>\d{1,4})"
_EAST_ASIA = re.compile(rf"\d{{4}}年\d{{1,2}}月\d{{1,2}}日(?P<gap>\s*){_CLOCK}")
_US_WORDS = r"(?P<b>[^\W\d_]{3,10})(?P<dot>\.)?(?P<s1> )(?P<a>\d{1,2})(?P<s2>, ?| )(?P<c>\d{4})"
_BOTH = re.compile(rf"{_DATE}(?P<gap>[T ,;_]+){_CLOCK}")
_WORDS_FIRST = re.compile(rf"{_US_WORDS}(?P<gap>[T ,;_]+){_CLOCK}")
_DATE_ONLY = re.compile(_DATE)
_CLOCK_ONLY = re.compile(_CLOCK)
_COMPACT = re.compile(r"(?P<day>20\d{6})(?P<gap>[T _-]?)(?P<clock>\d{6})(?P<frac>[.,]\d{1,9})?(?P<zone>Z)?")

#: Order of a date's pieces -> what the command line calls it.
ORDERS = {"dmY": "day-first", "mdY": "month-first", "Ymd": "year-first"}


@dataclass(frozen=True, slots=True)
class Form:
    """What the cells of a column are.

    `kind`: "moment" (date and time of day), "date", "clock", "iso" or "" for none of these. `patterns`: the strptime
    patterns that read every cell plausibly, by the order of their dates; more than one is a question.
    """

    kind: str
    patterns: dict[str, str]


def form_of(column: pa.ChunkedArray, clocks: pa.ChunkedArray | None = None) -> Form:
    """The form of a column of text. `clocks` is the column of times of day beside a column of dates."""
    if not pa.types.is_string(column.type):
        return _typed_form(column)
    cells = [text for text in _some(column) if text]
    if not cells:
        return Form("", {})
    if _mostly(_ISO, cells):
        return Form("iso", {"Ymd": "iso"})
    for expression, order, day_of in _ONE_ORDER:
        if _mostly(expression, cells):
            matches = [match for cell in cells if (match := expression.fullmatch(cell))]
            return Form("moment", {order: day_of(matches[0]) + _clock_pattern(matches, matches[0].re is _COMPACT)})
    for kind, expression in (("clock", _CLOCK_ONLY), ("moment", _BOTH), ("date", _DATE_ONLY)):
        if _mostly(expression, cells):
            matches = [match for cell in cells if (match := expression.fullmatch(cell))]
            if _counts_pictures(matches):
                return Form("", {})
            if kind == "clock":
                return Form("clock", {"": "clock"})
            return Form(kind, _patterns(kind, column, matches, clocks))
    return Form("", {})


def _counts_pictures(matches: Sequence[re.Match[str]]) -> bool:
    """Whether what stands behind a last colon counts the pictures of a second (:00 to :24), and is no fraction."""
    behind = [match["frac"] for match in matches if match.groupdict().get("frac")]
    if not behind or not all(len(each) == 3 and each[0] == ":" for each in behind):
        return False
    found = {int(each[1:]) for each in behind}
    return 9 <= max(found) < 60 and len(found) == max(found) + 1


#: Forms of a date and a time of day whose dates can be read in one order only: expression, order, pattern of the day.
_ONE_ORDER: tuple[tuple[re.Pattern[str], str, Callable[[re.Match[str]], str]], ...] = (
    (_ORDINAL, "Ymd", lambda found: f"%Y-%j{found['gap']}"),
    (_EAST_ASIA, "Ymd", lambda found: f"%Y年%m月%d日{found['gap']}"),
    (_COMPACT, "Ymd", lambda found: f"%Y%m%d{found['gap']}"),
    (
        _WORDS_FIRST,
        "mdY",
        lambda found: f"%b{'.' if found['dot'] else ''}{found['s1']}%d{found['s2']}%Y{found['gap']}",
    ),
)


def _typed_form(column: pa.ChunkedArray) -> Form:
    if pa.types.is_timestamp(column.type):
        return Form("iso", {"Ymd": "iso"})
    if pa.types.is_time(column.type):
        return Form("clock", {"": "clock"})
    return Form("date", {"Ymd": "iso"}) if pa.types.is_date(column.type) else Form("", {})


def _some(column: pa.ChunkedArray) -> list[str]:
    """Cells from the whole length of a column, stripped: up to 400."""
    return [str(text or "").strip() for text in spread_rows(column, 400).to_pylist()]


def _mostly(expression: re.Pattern[str], cells: Sequence[str]) -> bool:
    """Whether more than nine in ten cells are of a form; most columns are not, and then a tenth of them tells."""
    others = itertools.count(1)
    return not any(next(others) * 10 >= len(cells) for cell in cells if not expression.fullmatch(cell))


def _patterns(
    kind: str, column: pa.ChunkedArray, matches: Sequence[re.Match[str]], clocks: pa.ChunkedArray | None
) -> dict[str, str]:
    first = matches[0]
    named = not first["b"].isdecimal()
    orders = {"dmY": "dmY"} if named else _possible_orders(matches)
    if len(orders) > 1:
        days = _days_in_order(column, clocks)
        orders = {name: order for name, order in orders.items() if _follow(days, order)} or orders
    found: dict[str, str] = {}
    for name, order in orders.items():
        year = "Y" if max(len(match["a" if order[0] == "Y" else "c"]) for match in matches) == 4 else "y"
        pieces = [f"%{'b' if named and letter == 'm' else letter.replace('Y', year)}" for letter in order]
        text = pieces[0] + first["s1"] + pieces[1] + first["s2"].replace("  ", " ") + pieces[2]
        if kind == "moment":
            text += first["gap"] + _clock_pattern(matches)
        found[name] = text
    return found


def clock_pattern_of(column: pa.ChunkedArray) -> str:
    """The strptime pattern of a column of times of day."""
    return _clock_pattern([match for cell in _some(column) if (match := _CLOCK_ONLY.fullmatch(cell))])


def _clock_pattern(matches: Sequence[re.Match[str]], compact: bool = False) -> str:
    fraction = next((match["frac"][0] for match in matches if match["frac"]), "")
    half = next((match["half"] for match in matches if match.groupdict().get("half")), "")
    zone = next((match["zone"] for match in matches if match["zone"]), "")
    pattern = ("%I" if half else "%H") + ("%M%S" if compact else ":%M:%S") + (f"{fraction}%f" if fraction else "")
    if half:
        pattern += " %p" if half[0].isspace() else "%p"
    if zone:
        pattern += " %z" if zone[0].isspace() else "%z"
    return pattern


def _possible_orders(matches: Sequence[re.Match[str]]) -> dict[str, str]:
    """The orders in which every date of the sample is a day of this century."""
    # A date with points never has the month first (locale data of Unicode CLDR, from memory).
    points = all(match["s1"] == "." for match in matches)
    found: dict[str, str] = {}
    for order in ORDERS:
        if order == "mdY" and points:
            continue
        if all(_day(match["a"], match["b"], match["c"], order) is not None for match in matches):
            found[order] = order
    return found


def _day(a: str, b: str, c: str, order: str) -> date | None:
    pieces = dict(zip(order, (a, b, c), strict=True))
    if len(pieces["Y"]) not in (2, 4) or len(pieces["d"]) > 2 or len(pieces["m"]) > 2:
        return None
    first, last = _YEARS[len(pieces["Y"])]
    year = int(pieces["Y"]) + (2000 if len(pieces["Y"]) == 2 else 0)
    try:
        day = date(year, int(pieces["m"]), int(pieces["d"]))
    except ValueError:
        return None
    return day if first <= year <= last else None


def _days_in_order(
    column: pa.ChunkedArray, clocks: pa.ChunkedArray | None
) -> list[tuple[tuple[str, str, str], bool]]:
    """Each date of the whole column where it changes, and whether the clock passed midnight there."""
    pattern = r"^\s*(?P<a>\d{1,4})[-/. ](?P<b>\d{1,2})[-/. ]\s?(?P<c>\d{1,4})"
    texts = pc.struct_field(pc.extract_regex(column, f"(?P<day>{pattern.replace('?P<', '?P<')})"), "day")
    coded = texts.combine_chunks().dictionary_encode()
    codes = whole_numbers(coded.indices, -1)
    changes = [0, *(np.flatnonzero(np.diff(codes)) + 1).tolist()]
    beside = column if clocks is None else clocks
    names = coded.dictionary.to_pylist()
    found: list[tuple[tuple[str, str, str], bool]] = []
    for at in changes[:400]:
        match = re.match(pattern, names[codes[at]]) if codes[at] >= 0 else None
        if match:
            found.append(((match["a"], match["b"], match["c"]), at > 0 and _at_midnight(beside, at)))
    return found


def _at_midnight(clocks: pa.ChunkedArray, at: int) -> bool:
    hours = [re.search(r"(\d{1,2}):\d\d:\d\d", str(clocks[k].as_py())) for k in (at - 1, at)]
    if not all(hours):
        return False
    before, after = (int(match.group(1)) for match in hours if match)
    return {before, after} in ({23, 0}, {11, 12})


def _follow(days: Sequence[tuple[tuple[str, str, str], bool]], order: str) -> bool:
    """Whether dates follow each other: all readable, and the next day wherever the clock passed midnight."""
    read = [(_day(*pieces, order), passed) for pieces, passed in days]
    if any(day is None for day, _ in read):
        return False
    for (before, _), (after, passed) in pairwise(read):
        if before is not None and after is not None and passed and abs((after - before).days) != 1:
            return False
    return True


def counting_of(values: FloatArray, unit: str | None) -> list[str]:
    """The words of `sheet.logmap.TIME_WORDS` under which a column of numbers that grows is a plausible time.

    `unit` is the unit that its header gives, as a word of `TIME_SCALES`; it is taken at its word unless it is
    impossible.
    """
    known = values[np.isfinite(values)]
    steps = np.abs(np.diff(known))  # the newest may stand first
    steps = steps[steps > 0]
    if not steps.size:
        return []
    top, step = float(np.abs(known).max()), float(np.median(steps))
    # A counter of microseconds is as large as seconds since 1970 after half an hour: its steps tell them apart.
    by_size = [
        word
        for word, (per_s, origin_s) in _ORIGINS.items()
        if _EPOCHS_S[0] <= top / per_s - origin_s <= _EPOCHS_S[1] and _is_rate(step / per_s, _WIDE_RATES_HZ)
    ]
    whole = bool((known == np.round(known)).all())
    if by_size and (unit is None or unit in by_size or whole):
        return by_size
    if unit is not None:
        if _is_rate(step / TIME_SCALES[unit], _WIDE_RATES_HZ):
            return [unit]
        others = [word for word in ("seconds", "milliseconds", "microseconds") if _is_rate(step / TIME_SCALES[word])]
        return [unit, *(word for word in others if word != unit)]
    per_s, origin_s, _ = TIME_ORIGINS["excel"]
    if _EPOCHS_S[0] <= top / per_s - origin_s <= _EPOCHS_S[1] and _is_rate(step / per_s):
        return ["excel"]
    # Stamps may be coarser than the rate, so a step of one second is a plausible stamp, too.
    return [word for word in ("seconds", "milliseconds", "microseconds") if _is_rate(step / TIME_SCALES[word])]


def _is_rate(step_s: float, rates_hz: tuple[float, float] = RATES_HZ) -> bool:
    return 1 / rates_hz[1] <= step_s <= 1 / rates_hz[0]
