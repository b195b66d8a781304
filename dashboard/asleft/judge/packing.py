"""Tables of numbers as short text, exact to the bit; and numbers rounded to what they are worth, so that it is short.

A column of few different values (a switch, a converter's steps) is a list of them and an index for each row; any
other is taken apart into bytes, all first bytes of its numbers together, then all second ones: what signs, exponents
and rounded ends have in common then lies side by side, and deflate (RFC 1951) makes little of it.
"""

from __future__ import annotations

import base64
import zlib
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from asleft.judge.types import FloatArray

_INDEXED = 256  # so many different values have an index of one byte
_PER_VALUE = 4  # rows that a value must have on average to be worth a list
_QUICK = 1  # deflate's level: the next ones take twice as long for a few per cent
_BYTES = np.dtype("<f8").itemsize

Bits = npt.NDArray[np.int64]


def pack(table: FloatArray) -> str:
    """Text of a table, shape (columns, rows)."""
    out = [np.array([table.shape[1]], dtype="<u4").tobytes()]
    for column in np.ascontiguousarray(table, dtype="<f8").view("<i8"):
        values, index = _listed(column)
        out.append(np.array([values.size], dtype="<u2").tobytes())
        if values.size:
            out += [_apart(values), index]
        else:
            out.append(_apart(column))
    return base64.b64encode(zlib.compress(b"".join(out), _QUICK)).decode("ascii")


def unpack(text: str, columns: int) -> FloatArray:
    """Inverse of `pack`, for the number of columns it was given: shape (columns, rows)."""
    raw = zlib.decompress(base64.b64decode(text))
    rows = int(np.frombuffer(raw, "<u4", 1)[0])
    out = np.empty((columns, rows), dtype="<f8")
    at = 4
    for column in out.view("<i8"):
        listed = int(np.frombuffer(raw, "<u2", 1, at)[0])
        at += 2
        values = _together(raw, at, listed or rows)
        at += values.nbytes
        if listed:
            column[:] = values[np.frombuffer(raw, np.uint8, rows, at)]
            at += rows
        else:
            column[:] = values
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


def single(value: float) -> float:
    """A number to the 24 binary digits of single precision (6e-8 of itself)."""
    return float(rounded(value, 24))


def _listed(column: Bits) -> tuple[Bits, bytes]:
    """The different values of a column and the index of each row's; none where there are too many."""
    ordered = np.sort(column)
    values = ordered[np.concatenate(([True], ordered[1:] != ordered[:-1]))] if column.size else column
    if values.size > min(_INDEXED, column.size // _PER_VALUE):
        return values[:0], b""
    return values, np.searchsorted(values, column).astype(np.uint8).tobytes()


def _apart(column: Bits) -> bytes:
    """All first bytes, then all second ones, and so on."""
    return np.ascontiguousarray(np.ascontiguousarray(column).view(np.uint8).reshape(-1, _BYTES).T).tobytes()


def _together(raw: bytes, at: int, rows: int) -> Bits:
    planes = np.frombuffer(raw, np.uint8, rows * _BYTES, at).reshape(_BYTES, rows)
    out: Bits = np.ascontiguousarray(planes.T).view("<i8").ravel()
    return out
