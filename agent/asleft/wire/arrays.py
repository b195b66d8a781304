"""Arrays as bytes: packed little-endian numbers without a header."""

from __future__ import annotations

import numpy as np
from asleft.wire.block import FloatArray, Int16Array, Int32Array
from asleft.wire.limits import MAX_PERIOD_US, MAX_SAMPLES, WireError, check_count

_FLOAT32 = np.dtype("<f4")
_INT16 = np.dtype("<i2")
_INT32 = np.dtype("<i4")
_FLOAT32_MAX = float(np.finfo(np.float32).max)


def float32_to_bytes(values: FloatArray) -> bytes:
    """Pack values, shape (n,), as float32. What is infinite or beyond float32 becomes NaN: a failed reading."""
    finite = np.where(np.abs(values) <= _FLOAT32_MAX, values, np.nan)
    return finite.astype(_FLOAT32).tobytes()


def float32_from_bytes(what: str, data: bytes) -> FloatArray:
    """Unpack float32 into float64, shape (n,); infinities become NaN. Raises `WireError`."""
    _check_length(what, data, _FLOAT32)
    values = np.frombuffer(data, dtype=_FLOAT32).astype(np.float64)
    values[np.isinf(values)] = np.nan
    return values


def int16_to_bytes(counts: Int16Array) -> bytes:
    """Pack converter counts, shape (n,)."""
    return counts.astype(_INT16, copy=False).tobytes()


def int16_from_bytes(what: str, data: bytes) -> Int16Array:
    """Unpack converter counts, shape (n,). Raises `WireError`."""
    _check_length(what, data, _INT16)
    return np.frombuffer(data, dtype=_INT16).astype(np.int16)


def int32_to_bytes(offsets: Int32Array) -> bytes:
    """Pack time offsets, shape (n,)."""
    return offsets.astype(_INT32, copy=False).tobytes()


def int32_from_bytes(what: str, data: bytes) -> Int32Array:
    """Unpack time offsets, shape (n,). Raises `WireError`."""
    _check_length(what, data, _INT32)
    return np.frombuffer(data, dtype=_INT32).astype(np.int32)


def regular_period_us(offsets: Int32Array) -> int | None:
    """The period if offsets, shape (n,), are exactly 0, p, 2p, ... with n >= 2 and p >= 1; else None."""
    if offsets.size < 2 or offsets[0] != 0:
        return None
    period = int(offsets[1])
    if period < 1 or int(offsets[-1]) != period * (offsets.size - 1):
        return None
    return period if bool(np.all(np.diff(offsets.astype(np.int64)) == period)) else None


def regular_offsets(period_us: int, count: int) -> Int32Array:
    """Offsets 0, p, 2p, ..., shape (count,). Raises `WireError` before allocating what is beyond the limits."""
    check_count("number of regular times", count, MAX_SAMPLES, least=1)
    if period_us * (count - 1) > MAX_PERIOD_US:
        raise WireError(f"{count} times {period_us} us apart last longer than {MAX_PERIOD_US} us")
    return np.arange(count, dtype=np.int32) * np.int32(period_us if count > 1 else 0)


def _check_length(what: str, data: bytes, kind: np.dtype[np.generic]) -> None:
    if len(data) % kind.itemsize:
        raise WireError(f"{what} has {len(data)} bytes, which is no multiple of {kind.itemsize}")
    check_count(f"number of readings in {what}", len(data) // kind.itemsize, MAX_SAMPLES)
