"""Columns of quality: whether a server or controller vouches for the reading beside which a mark stands.

A server that has lost an instrument goes on repeating its last number and marks it; such a number is no reading.
Marks are words, or the numbers of two open standards: of OPC Data Access the upper two of eight bits say good (3),
uncertain (1) or bad (0); of OPC UA the upper two of 32 bits say good (0), uncertain (1) or bad (2). Both from memory.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
import pyarrow as pa
from asleft.logfile.arrow import pc, whole_numbers
from asleft.logfile.cells import QUALITY_WORDS, BadCell, numbers_of
from asleft.logfile.table import Table
from asleft.logfile.words import tokens

NOT_VOUCHED = "readings that are marked as not good"

_HEADERS = frozenset(
    re.findall(r"\w+", "quality qual q status qualitat qualitaet gute guete qualite calidad qualita kwaliteit jakosc")
)
_GOOD_OPC = 192.0


def is_quality(header: str) -> bool:
    """Whether a header is that of a column of marks."""
    return bool(_HEADERS & set(tokens(header)))


def marked_as_bad(table: Table, at: int) -> npt.NDArray[np.bool_] | None:
    """Rows whose cell in column `at` is marked as not good by the column behind it, shape (rows,); None: no marks."""
    beside = at + 1
    if beside >= len(table.columns) or not is_quality(table.header[beside]):
        return None
    column = table.columns[beside]
    good = _good_by_word(column) if pa.types.is_string(column.type) else None
    if good is None:
        good = _good_by_number(column)
    return None if good is None else ~good


def _good_by_word(column: pa.ChunkedArray) -> npt.NDArray[np.bool_] | None:
    coded = pc.utf8_lower(pc.utf8_trim_whitespace(column)).combine_chunks().dictionary_encode()
    words: Mapping[int, bool | None] = {
        k: True if not word else QUALITY_WORDS.get(word.partition(" ")[0].strip(",;:"))
        for k, word in enumerate(coded.dictionary.to_pylist())
    }
    if not words or any(known is None for known in words.values()):
        return None
    codes = whole_numbers(coded.indices, -1)
    return np.array([bool(words[k]) for k in range(len(words))])[codes]


def _good_by_number(column: pa.ChunkedArray) -> npt.NDArray[np.bool_] | None:
    values, _ = numbers_of(column)
    known = values[np.isfinite(values)]
    if not known.size or (known % 1 != 0).any() or known.min() < 0.0:
        return None
    if known.max() < 256.0 and (known >= _GOOD_OPC).any():
        return np.asarray((values >= _GOOD_OPC) | ~np.isfinite(values))
    if (known == 0.0).any() and ((known == 0.0) | (known >= 2.0**30)).all():
        return np.asarray((values < 2.0**30) | ~np.isfinite(values))
    return None


def without_bad(
    table: Table, at: int, values: npt.NDArray[np.float64], bad: list[BadCell]
) -> tuple[npt.NDArray[np.float64], list[BadCell]]:
    """The numbers of a column without those that are marked as not good; these join `bad`."""
    marked = marked_as_bad(table, at)
    if marked is None or not (marked & np.isfinite(values)).any():
        return values, bad
    rows = np.flatnonzero(marked & np.isfinite(values))
    bad = [*bad, *(BadCell(int(row), f"{values[row]:g}", NOT_VOUCHED) for row in rows)]
    return np.where(marked, np.nan, values), bad
