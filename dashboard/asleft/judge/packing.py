"""Numbers in few bytes, exact to the bit: byte planes, differences, tables as text; and rounded to their worth.

The stores pack readings with the same two steps (`apart`, `steps`) before a compression of their own.

Numbers are taken by their bits (IEEE 754), as integers. Where neighbours are near each other (times), their
differences stand for them. A column of few different values (a switch, a converter's steps) is a list of them and
an index for each row; any other is taken apart into bytes, all first bytes of its numbers together, then all second
ones: what signs, exponents and rounded ends have in common then lies side by side, and deflate (RFC 1951) makes
little of it.
"""

from __future__ import annotations

import base64
import zlib
from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
from asleft.judge.types import FloatArray

_INDEXED = 256  # so many different values have an index of one byte
_PER_VALUE = 4  # rows that a value must have on average to be worth a list
_QUICK = 1  # deflate's level: the next ones take twice as long for a few per cent
_BYTES = np.dtype("<f8").itemsize

_NEAR = 1 << 44  # in units of the last digit: some weeks, for unix seconds

#: Digits that are kept of a mean (5e-7 of itself, a hundredth of what 12-bit readings can tell), and of a standard
#: error (1e-4).
MEAN_BITS, SPREAD_BITS = 20, 12

Bits = npt.NDArray[np.int64]


def apart(numbers: npt.NDArray[Any]) -> bytes:
    """All first bytes of the numbers, then all second ones, and so on; in the order of their memory (C)."""
    rows = np.ascontiguousarray(numbers).view(np.uint8).reshape(-1, numbers.itemsize)
    return np.ascontiguousarray(rows.T).tobytes()


def together(raw: bytes | npt.NDArray[np.uint8], kind: str) -> npt.NDArray[Any]:
    """Inverse of `apart`, shape (n,), for numbers of a kind ("<f4")."""
    planes = np.frombuffer(raw, np.uint8).reshape(np.dtype(kind).itemsize, -1)
    return np.ascontiguousarray(planes.T).view(kind).ravel()


def steps(numbers: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """The first number and each one's difference to the one before, of the same kind; integers wrap around.

    `np.cumsum` with that kind takes them back.
    """
    out = numbers.copy()
    out[1:] -= numbers[:-1]
    return out


def pack(table: FloatArray) -> str:
    """Text of a table, shape (columns, rows)."""
    out = [np.array([table.shape[1]], dtype="<u4").tobytes()]
    for column in np.ascontiguousarray(table, dtype="<f8").view("<i8"):
        differences = steps(column)[1:]
        near = differences.size > 0 and differences.min() > -_NEAR and differences.max() < _NEAR
        coded = differences if near else column
        values, index = _listed(coded)
        out += [np.array([near, values.size], dtype="<u2").tobytes(), column[:1].tobytes() if near else b""]
        out += [apart(values if values.size else coded), index]
    return base64.b64encode(zlib.compress(b"".join(out), _QUICK)).decode("ascii")


def unpack(text: str, columns: int) -> FloatArray:
    """Inverse of `pack`, for the number of columns it was given: shape (columns, rows)."""
    raw = zlib.decompress(base64.b64decode(text))
    rows = int(np.frombuffer(raw, "<u4", 1)[0])
    out = np.empty((columns, rows), dtype="<f8")
    at = 4
    for column in out.view("<i8"):
        near, listed = np.frombuffer(raw, "<u2", 2, at).tolist()
        at += 4
        coded = column
        if near:
            column[0] = np.frombuffer(raw, "<i8", 1, at)[0]
            coded, at = column[1:], at + _BYTES
        values = together(raw[at : at + (listed or coded.size) * _BYTES], "<i8")
        at += values.nbytes
        if listed:
            coded[:] = values[np.frombuffer(raw, np.uint8, coded.size, at)]
            at += coded.size
        else:
            coded[:] = values
        if near:
            np.cumsum(column, out=column)
    return out.astype(np.float64, copy=False)


def pack_rows(rows: Sequence[Sequence[float]], width: int) -> str:
    """Text of rows of `width` numbers each."""
    return pack(np.asarray(rows, dtype=np.float64).reshape(-1, width).T)


def unpack_rows(text: str, width: int) -> list[list[float]]:
    """Inverse of `pack_rows`."""
    rows: list[list[float]] = unpack(text, width).T.tolist()
    return rows


def rounded(values: npt.ArrayLike, bits: npt.ArrayLike) -> FloatArray:
    """Numbers to so many binary digits (53: as they are), so that the last is at most 2^-bits of each; any shape."""
    mantissa, exponent = np.frexp(np.asarray(values, dtype=np.float64))
    digits = np.asarray(bits, dtype=np.int64)
    out: FloatArray = np.ldexp(np.rint(np.ldexp(mantissa, digits)), exponent - digits)
    return out


def kept_mean(value: float) -> float:
    """A mean with the digits that are kept of one."""
    return float(rounded(value, MEAN_BITS))


def kept_spread(value: float) -> float:
    """A standard error with the digits that are kept of one."""
    return float(rounded(value, SPREAD_BITS))


def _listed(column: Bits) -> tuple[Bits, bytes]:
    """The different values of a column and the index of each row's; none where there are too many."""
    ordered = np.sort(column)
    values = ordered[np.concatenate(([True], ordered[1:] != ordered[:-1]))] if column.size else column
    if values.size > min(_INDEXED, column.size // _PER_VALUE):
        return values[:0], b""
    return values, np.searchsorted(values, column).astype(np.uint8).tobytes()
