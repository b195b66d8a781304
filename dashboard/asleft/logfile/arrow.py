"""Columns of pyarrow as arrays of numpy and back, by their buffers.

pyarrow's own conversions load pandas to look whether they were given one of its series, which takes longer than
reading ten minutes of a log. Its functions on columns (`pc`) are loaded when the first is called: a file of plain
numbers needs none, and they take as long as reading it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pyarrow as pa

if TYPE_CHECKING:
    import pyarrow.compute as pc
else:

    class _Compute:
        def __getattr__(self, name: str) -> object:
            import pyarrow.compute

            return getattr(pyarrow.compute, name)

    pc = _Compute()

__all__ = [
    "BoolArray",
    "FloatArray",
    "Int64Array",
    "bools",
    "floats",
    "pc",
    "row_index",
    "spread_rows",
    "whole_numbers",
]

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
Int64Array = npt.NDArray[np.int64]


def row_index(rows: npt.NDArray[np.int64]) -> pa.Array:
    """Row numbers as `take` wants them."""
    return pa.Array.from_buffers(pa.int64(), rows.size, [None, pa.py_buffer(np.ascontiguousarray(rows, np.int64))])


def spread_rows(column: pa.ChunkedArray, count: int, pieces: int = 20) -> pa.ChunkedArray:
    """About `count` rows of a column, in pieces spread over its length; the column itself if it is no longer."""
    if len(column) <= count:
        return column
    size = max(count // pieces, 1)
    starts = np.linspace(0, len(column) - size, pieces).astype(int).tolist()
    return pa.chunked_array([chunk for at in starts for chunk in column.slice(at, size).chunks], column.type)


def floats(column: pa.ChunkedArray) -> FloatArray:
    """A column of numbers as an array of its own, NaN where it is null."""
    if column.type != pa.float64():
        column = pc.cast(column, pa.float64(), safe=False)
    values = np.zeros(len(column), np.float64)
    _copy(column, values)
    if column.null_count:
        values[~_valid(column)] = np.nan
    return values


def whole_numbers(column: pa.ChunkedArray, null: int) -> Int64Array:
    """A column of integers or timestamps as an array of its own, `null` where it is null."""
    if column.type != pa.int64() and not pa.types.is_timestamp(column.type):  # these lie in memory as they are
        column = pc.cast(column, pa.int64())
    values = np.zeros(len(column), np.int64)
    _copy(column, values)
    if column.null_count:
        values[~_valid(column)] = null
    return values


def bools(column: pa.ChunkedArray) -> BoolArray:
    """A column of truth values as an array, false where it is null."""
    return np.asarray(floats(pc.cast(column, pa.uint8())) == 1.0)


def _valid(column: pa.ChunkedArray) -> BoolArray:
    return bools(pc.is_valid(column))


def _copy(column: pa.ChunkedArray, values: FloatArray | Int64Array) -> None:
    """The numbers as they lie in memory; anything where the column is null."""
    at = 0
    for chunk in column.chunks if isinstance(column, pa.ChunkedArray) else [column]:
        count = len(chunk)
        if count:
            held = np.frombuffer(chunk.buffers()[1], values.dtype)
            values[at : at + count] = held[chunk.offset : chunk.offset + count]
            at += count
