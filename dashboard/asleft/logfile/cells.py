"""A column into numbers: at full speed while every cell is a number, cell by cell where one is not."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from asleft.logfile.arrow import FloatArray, bools, floats, pc, row_index
from asleft.logfile.units import unit_of_text

#: Why a cell is not used; worded so that "12 " can stand before it.
EMPTY = "empty cells"
NOT_A_NUMBER = "cells that are no number"
NOT_FINITE = "cells that are not finite"

NO_READING = "cells with a number that stands for no reading"

_CLOSED = """true on yes high closed wahr ein an ja vrai oui marche si verdadero vero aan tak"""
_OPEN = """false off no low open falsch aus nein faux non arret falso uit nee nie"""

#: What loggers write for a contact, besides 0 and 1, in several languages.
CONTACT_WORDS: Mapping[str, float] = {
    **dict.fromkeys(re.findall(r"\w+", _CLOSED), 1.0),
    **dict.fromkeys(re.findall(r"\w+", _OPEN), 0.0),
}

#: What stands for a missing reading, in lower case. Spreadsheets' errors begin with #.
_MISSING = """nan n/a na null none nil over ovld ovl overflow overload ol under underflow err error invalid bad fault
    open inf -inf +inf infinity nodata fail failed"""
_MISSING_MARKS = frozenset(re.findall(r"\S+", _MISSING))

#: What stands beside a reading for its quality, in lower case, and whether such a reading is to be used.
QUALITY_WORDS: Mapping[str, bool] = {
    **dict.fromkeys(re.findall(r"\w+", "good ok valid gut bon bonne buena buono buona goed dobra dobry bra"), True),
    **dict.fromkeys(re.findall(r"\w+", "bad uncertain invalid questionable schlecht ungültig mauvais"), False),
}

#: Numbers that stand for no reading: -9999 and its like (common practice of loggers), and what SCPI-99 (vol. 1,
#: 7.2.1.4 and 7.2.1.5, from memory) writes for infinity and for not a number.
_STAND_INS = (-9999.0, -99999.0, -999999.0, 9.9e37, -9.9e37, 9.91e37)

#: A stand-in counts as one where it lies this many times beyond everything else in its column.
_STAND_IN_FAR = 8.0

_PLAIN_NUMBER = r"^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$"
_GROUPED_POINT = r"^[+-]?\d{1,3}(,\d{3})+\.\d+$"
_GROUPED_COMMA = r"^[+-]?\d{1,3}(\.\d{3})+,\d+$"
_WITH_UNIT = r"^\s*[+-]?[\d.,' \x{a0}\x{202f}]*\d(?:[eE][+-]?\d+)?\s*(?P<unit>[^\d\s.,+-][^\d\s.,+-]{0,7})\s*$"
#: Marks between groups of three digits that are no decimal sign in any locale: blanks of several kinds, apostrophes.
_GROUPING = r"(\d)[ \x{a0}\x{202f}\x{2009}'\x{2019}](\d{3})"


def is_missing_mark(text: str) -> bool:
    """Whether a text stands for a reading that is missing: NaN, OVER, ---, #N/A and the like."""
    bare = text.strip().lower()
    return bare in _MISSING_MARKS or bare.startswith("#") or (len(bare) > 0 and set(bare) <= set("-*?.~"))


@dataclass(frozen=True, slots=True)
class BadCell:
    """A cell that could not be used: its row (from 0, in the order given), its text, and why."""

    row: int
    text: str
    reason: str


def numbers_of(
    column: pa.ChunkedArray, *, decimal_comma: bool = False, words: Mapping[str, float] | None = None
) -> tuple[FloatArray, list[BadCell]]:
    """Numbers of a column of a table, shape (n,), NaN where there is none; and the cells that are not used.

    A column of text is read as `read_numbers` does it; thousands marks are taken away where they can be nothing else.
    A column of numbers is taken as it is.
    """
    if not pa.types.is_string(column.type):
        values, bad = _typed(column)
    else:
        plain = pc.replace_substring(_without_points(column), ",", ".") if decimal_comma else column
        try:
            values, bad = floats(pc.cast(plain, pa.float64())), []
            if not np.isfinite(values).all():
                values, bad = _not_plain(column, decimal_comma=decimal_comma, words=words)
        except pa.ArrowInvalid:
            values, bad = _not_plain(column, decimal_comma=decimal_comma, words=words)
    return np.asarray(values, dtype=np.float64), bad


def _without_points(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """A column of a file of decimal commas without the points in it, where all of them can mark thousands."""
    pointed = pc.match_substring(column, ".")
    if not pc.any(pointed).as_py() or not pc.all(pc.or_(pc.invert(pointed), _by_thousands(column))).as_py():
        return column
    return pc.replace_substring(column, ".", "")


def _by_thousands(column: pa.ChunkedArray) -> pa.ChunkedArray:
    return pc.match_substring_regex(column, r"^\s*[+-]?[1-9]\d{0,2}(\.\d{3})+(,\d*)?\s*$")


def _typed(column: pa.ChunkedArray) -> tuple[FloatArray, list[BadCell]]:
    """Integers, floats, decimals and contacts; every other type is cells that are no number."""
    if pa.types.is_boolean(column.type):
        column = pc.cast(column, pa.int8())
    try:
        values = floats(column)
    except (pa.ArrowInvalid, pa.ArrowNotImplementedError):
        values = np.full(len(column), np.nan)
        return values, [BadCell(row, str(column[row].as_py()), NOT_A_NUMBER) for row in range(len(column))]
    bad = [BadCell(int(row), "", EMPTY) for row in np.flatnonzero(np.isnan(values))]
    infinite = np.flatnonzero(np.isinf(values))
    bad += [BadCell(int(row), str(values[row]), NOT_FINITE) for row in infinite]
    values[infinite] = np.nan
    return values, bad


def _not_plain(
    column: pa.ChunkedArray, *, decimal_comma: bool, words: Mapping[str, float] | None
) -> tuple[FloatArray, list[BadCell]]:
    """A column of text in which some cell is no plain number: those at once that are, the others one by one."""
    plain = pc.utf8_trim_whitespace(column)
    plain = pc.replace_substring_regex(plain, _GROUPING, r"\1\2")
    if decimal_comma:
        grouped = pc.match_substring_regex(plain, _GROUPED_COMMA)
        plain = pc.if_else(grouped, pc.replace_substring(plain, ".", ""), plain)
        plain = pc.replace_substring(plain, ",", ".")
    else:
        grouped = pc.match_substring_regex(plain, _GROUPED_POINT)
        plain = pc.if_else(grouped, pc.replace_substring(plain, ",", ""), plain)
    good = pc.match_substring_regex(plain, _PLAIN_NUMBER)
    if not bools(good).any() and (unit := unit_behind(plain)):
        plain = pc.replace_substring_regex(plain, rf"\s*{re.escape(unit)}$", "")
        good = pc.match_substring_regex(plain, _PLAIN_NUMBER)
    numbers = pc.cast(pc.if_else(good, plain, pa.nulls(1, pa.string())[0]), pa.float64())
    values = floats(numbers)
    rows = np.flatnonzero(~bools(good) | ~np.isfinite(values))
    if not rows.size:
        return values, []
    shown = column.take(row_index(rows)).to_pylist()
    tried = plain.take(row_index(rows)).to_pylist()
    some, bad = _cell_by_cell(shown, tried, words or {})
    values[rows] = some
    return values, [BadCell(int(rows[cell.row]), cell.text, cell.reason) for cell in bad]


def unit_behind(column: pa.ChunkedArray) -> str:
    """The one unit that stands behind every number of a column, as in "4.2 mA"; empty where there is none.

    A meter that changes its range writes several: such numbers are not to be taken for each other.
    """
    ends = pc.struct_field(pc.extract_regex(column, _WITH_UNIT), "unit")
    units = [each for each in pc.unique(ends).to_pylist() if each]
    return str(units[0]) if len(units) == 1 and unit_of_text(units[0]) is not None else ""


def without_stand_ins(values: FloatArray, bad: list[BadCell]) -> tuple[FloatArray, list[BadCell]]:
    """The numbers of a channel without those that stand for no reading, far beyond all others; these join `bad`."""
    suspects = np.isin(values, _STAND_INS)
    if not suspects.any():
        return values, bad
    others = np.abs(values[~suspects & np.isfinite(values)])
    least = float(np.abs(values[suspects]).min())
    if others.size and float(others.max()) * _STAND_IN_FAR > least:
        return values, bad
    rows = np.flatnonzero(suspects)
    bad = [*bad, *(BadCell(int(row), f"{values[row]:g}", NO_READING) for row in rows)]
    return np.where(suspects, np.nan, values), bad


def read_numbers(
    cells: Sequence[str], *, decimal_comma: bool = False, words: Mapping[str, float] | None = None
) -> tuple[FloatArray, list[BadCell]]:
    """Numbers of a column, shape (n,), NaN where a cell is empty, no number or not finite; and those cells.

    `words` are texts that stand for a number (lower case). With `decimal_comma` a comma is the decimal sign.
    """
    return numbers_of(pa.chunked_array([pa.array(cells, pa.string())]), decimal_comma=decimal_comma, words=words)


def _cell_by_cell(
    cells: Sequence[str], plain: Sequence[str], words: Mapping[str, float]
) -> tuple[FloatArray, list[BadCell]]:
    values = np.full(len(plain), np.nan)
    bad: list[BadCell] = []
    for row, text in enumerate(plain):
        value = _number(text, words)
        if value is None:
            bad.append(BadCell(row, cells[row], NOT_A_NUMBER if text.strip() else EMPTY))
        elif not math.isfinite(value):
            bad.append(BadCell(row, cells[row], NOT_FINITE))
        else:
            values[row] = value
    return values, bad


def _number(text: str, words: Mapping[str, float]) -> float | None:
    if "_" in text:
        return None
    try:
        return float(text)
    except ValueError:
        return words.get(text.strip().lower())
