"""Conditions that must last before they count, and readings that are kept over a short failure. Vectorised, causal.

Every function takes what is known from before the first sample and gives back what the next call needs, so that the
answer for a sample follows from itself and those before it, wherever the samples are cut.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from asleft.judge.types import FloatArray

BoolArray = npt.NDArray[np.bool_]

#: A longer pause between samples ends whatever was going on (s).
GAP_S = 1.5
#: Unix times carry a quarter of a microsecond.
_ROUNDING_S = 1e-6


def gaps(time_s: FloatArray, last_s: float | None) -> BoolArray:
    """Where more than 1.5 s lie between a sample and the one before it (`last_s` before the first), shape (n,)."""
    if time_s.size == 0:
        return np.zeros(0, dtype=bool)
    result: BoolArray = np.diff(time_s, prepend=time_s[0] if last_s is None else last_s) > GAP_S
    return result


def held(
    mask: BoolArray,
    time_s: FloatArray,
    since_s: float | None,
    hold_s: float | FloatArray,
    gap: BoolArray | None = None,
) -> tuple[BoolArray, float | None]:
    """Where `mask` has been true for at least `hold_s`, given since when it was true before the first sample.

    A stretch begins anew where `gap` is true. `hold_s` may differ from sample to sample, shape (n,).
    """
    if mask.size == 0:
        return mask, since_s
    if not mask.any():
        return mask, None
    index = np.arange(mask.size)
    begins = index if gap is None else np.where(gap, index, 0)
    first = np.maximum.accumulate(np.where(mask, begins if gap is not None else 0, index + 1))
    begun_before = since_s is not None and not (gap is not None and bool(gap[0]))
    carried = (first == 0) & begun_before
    start = np.where(carried, np.nan if since_s is None else since_s, time_s[np.minimum(first, mask.size - 1)])
    result = mask & (time_s - start >= np.asarray(hold_s) - _ROUNDING_S)
    return result, (float(start[-1]) if mask[-1] else None)


def latched(on: BoolArray, off: BoolArray, before: bool) -> BoolArray:
    """True from where `on` was last true, false from where `off` was (which wins where both are), shape (n,)."""
    news = on | off
    if not news.any():
        return np.full(on.size, before)
    last = np.maximum.accumulate(np.where(news, np.arange(on.size), -1))
    result: BoolArray = np.where(last >= 0, (on & ~off)[last], before)
    return result


def kept(
    values: FloatArray, time_s: FloatArray, last: float | None, last_s: float, bridge_s: float
) -> tuple[FloatArray, float | None, float]:
    """Readings, a failed one replaced by the last good one for at most `bridge_s`, else NaN; the last and its time.

    `last`, `last_s`: the last good reading before the first sample, None if there is none.
    """
    good = np.isfinite(values)
    if good.all():
        return (values, float(values[-1]), float(time_s[-1])) if values.size else (values, last, last_s)
    index = np.maximum.accumulate(np.where(good, np.arange(values.size), -1))
    now = np.where(index >= 0, values[index], np.nan if last is None else last)
    at_s = np.where(index >= 0, time_s[index], last_s)
    out = np.where(time_s - at_s <= bridge_s, now, np.nan)
    return out, *last_good(values, time_s, last, last_s)


def last_good(
    values: FloatArray, time_s: FloatArray, last: float | None, last_s: float
) -> tuple[float | None, float]:
    """The last good reading and its time (unix s), from before the first sample if there is none among these."""
    if values.size and np.isfinite(values[-1]):
        return float(values[-1]), float(time_s[-1])
    good = np.flatnonzero(np.isfinite(values))
    return (float(values[good[-1]]), float(time_s[good[-1]])) if good.size else (last, last_s)
