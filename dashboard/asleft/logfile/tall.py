"""Tables of one reading a row (time, name, value), as historians export them, into one row for each time.

Names that stand at the same times become columns. Where names have times of their own there is no such row, and
nothing is filled in between: the file is refused in words.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pyarrow as pa
from asleft.logfile import words
from asleft.logfile.arrow import pc, whole_numbers
from asleft.logfile.cells import numbers_of
from asleft.logfile.errors import LogError
from asleft.logfile.layout import Layout
from asleft.logfile.moments import form_of
from asleft.logfile.opening import Opened
from asleft.logfile.quality import is_quality
from asleft.logfile.table import Table, table_by_map
from asleft.sheet.logmap import LogMap

_TAGS = frozenset(
    re.findall(r"\w+", "tag tagname point pointname variable item signal channel sensor metric parameter series")
)
_VALUES = frozenset(re.findall(r"\w+", "value val wert valeur valor valore reading vvalue"))
_UNITS = frozenset(re.findall(r"\w+", "unit units uom eu einheit unite unidad"))
_MOST_NAMES = 200
#: So many more times than the most frequent name has rows, and names have times of their own.
_OWN_TIMES = 1.1


@dataclass(frozen=True, slots=True)
class Tall:
    """Columns (from 0) of a table of one reading a row."""

    name: int
    value: int
    keys: tuple[int, ...]  # the columns that say when
    quality: int | None = None
    unit: int | None = None


def tall_of(table: Table, *, decimal_comma: bool) -> Tall | None:
    """Whether a table has one reading a row, told by its headers and by names that come again; None if it has not."""
    heads = [frozenset(words.tokens(header)) for header in table.header]
    name = next((at for at, head in enumerate(heads) if head & _TAGS and _comes_again(table.columns[at])), None)
    value = next((at for at, head in enumerate(heads) if head & _VALUES and at != name), None)
    if name is None or value is None:
        return None
    if np.isnan(numbers_of(table.columns[value].slice(0, 200), decimal_comma=decimal_comma)[0]).mean() > 0.5:
        return None
    others = [at for at in range(len(heads)) if at not in (name, value)]
    quality = next((at for at in others if is_quality(table.header[at])), None)
    unit = next((at for at in others if heads[at] & _UNITS), None)
    keys = tuple(at for at in others if at not in (quality, unit) and _says_when(table, at))
    return Tall(name, value, keys, quality, unit) if keys else None


def mapped_table(opened: Opened, log_map: LogMap) -> Table:
    """The table as a map describes it, with one row for each time.

    Raises:
        LogError: not of the map's encoding, no header, or not the columns that the map names.
    """
    table = table_by_map(opened, log_map)
    if log_map.tall is None:
        return table
    tall = tall_of(table, decimal_comma=log_map.decimal_comma)
    if tall is None or (table.header[tall.name], table.header[tall.value]) != log_map.tall:
        raise LogError(
            f"{table.place}: not a table of one reading a row with the columns {' and '.join(log_map.tall)}, as the "
            f"map says. The header has: {', '.join(table.header)}"
        )
    return widened(table, tall)


def _comes_again(column: pa.ChunkedArray) -> bool:
    if not pa.types.is_string(column.type):
        return False
    names = pc.unique(column.slice(0, 100_000)).to_pylist()
    return 2 <= len(names) <= min(_MOST_NAMES, len(column) // 4) and not any(name.strip().isdigit() for name in names)


def _says_when(table: Table, at: int) -> bool:
    return bool(form_of(table.columns[at]).kind) or bool(
        {words.TIME, words.DATE} & words.meaning(words.without_brackets(table.header[at])).tags
    )


def widened(table: Table, tall: Tall) -> Table:
    """The table with one row for each time, and a column for each name (behind it one for its quality).

    Raises:
        LogError: names have times of their own.
    """
    when, first = _moments(table, tall.keys)
    coded = table.columns[tall.name].combine_chunks().dictionary_encode()
    codes = whole_numbers(coded.indices, -1)
    names: list[str] = coded.dictionary.to_pylist()
    most = int(np.bincount(codes, minlength=len(names)).max())
    if first.size > _OWN_TIMES * most:
        raise LogError(
            f"{table.place}: one reading a row, and {names[0]!r} and {names[1]!r} stand at times of their own: there "
            "is no row to judge. Export them at equal times, about as often as they were sampled"
        )
    header = [table.header[at] for at in tall.keys]
    columns = [table.columns[at].take(_indices(first)) for at in tall.keys]
    for code, name in enumerate(names):
        rows = np.flatnonzero(codes == code)
        where = np.full(first.size, -1, dtype=np.int64)
        where[when[rows]] = rows
        unit = str(table.columns[tall.unit][int(rows[0])].as_py()).strip() if tall.unit is not None else ""
        header.append(f"{name.strip()} [{unit}]" if unit else name.strip())
        columns.append(_taken(table.columns[tall.value], where))
        if tall.quality is not None:
            header.append(f"{name.strip()} quality")
            columns.append(_taken(table.columns[tall.quality], where))
    layout = replace(table.layout, above=(), units=()) if table.layout != Layout("") else table.layout
    return replace(
        table,
        header=tuple(header),
        columns=tuple(columns),
        rows=first.size,
        layout=layout,
        rows_are="time",
        _body=b"",
    )


def _moments(table: Table, keys: tuple[int, ...]) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """For each row the number of its time, and for each time its first row."""
    texts = [pc.cast(table.columns[at], pa.string()) for at in keys]
    joined = texts[0] if len(texts) == 1 else pc.binary_join_element_wise(*texts, " ")
    coded = joined.combine_chunks().dictionary_encode()
    when = whole_numbers(coded.indices, -1)
    _, first = np.unique(when, return_index=True)
    return when, first


def _indices(rows: npt.NDArray[np.int64]) -> pa.Array:
    return pa.array(rows.tolist(), pa.int64())


def _taken(column: pa.ChunkedArray, where: npt.NDArray[np.int64]) -> pa.ChunkedArray:
    """Cells at rows, empty (null in a typed column) where there is none (-1)."""
    rows = pa.array([None if row < 0 else row for row in where.tolist()], pa.int64())
    taken = column.take(rows)
    return taken.fill_null("") if pa.types.is_string(taken.type) else taken
