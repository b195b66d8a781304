"""Fewer points that look the same: minimum and maximum per bin, gaps kept as gaps. Pure numpy."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
Int64Array = npt.NDArray[np.int64]


def thin(time_ns: Int64Array, values: FloatArray, bin_ns: int, origin_ns: int) -> tuple[Int64Array, FloatArray]:
    """Minimum and maximum of each bin of `bin_ns`, in the order in which they occur, shape (<= 2 bins,).

    Bins count from `origin_ns`, so that a window cut in pieces gives the same points. Non-finite readings are left
    out; a bin without any becomes nothing.
    """
    chosen = extremes(time_ns, values, bin_ns, origin_ns)
    return time_ns[chosen], values[chosen]


def extremes(time_ns: Int64Array, values: FloatArray, bin_ns: int, origin_ns: int) -> Int64Array:
    """Which of the readings `thin` keeps, as indices."""
    finite = np.flatnonzero(np.isfinite(values))
    time_ns, values = time_ns[finite], values[finite]
    if values.size == 0:
        return finite
    bins = (time_ns - origin_ns) // bin_ns
    order = np.lexsort((values, bins))
    starts = np.flatnonzero(np.diff(bins[order], prepend=bins[order[0]] - 1))
    ends = np.append(starts[1:], order.size) - 1
    chosen: Int64Array = finite[np.unique(np.concatenate([order[starts], order[ends]]))]
    return chosen


def with_gaps(time_ns: Int64Array, values: FloatArray, longest_ns: int) -> tuple[Int64Array, FloatArray]:
    """Puts a NaN where neighbours are further apart than `longest_ns`, so that a line is not drawn across."""
    if time_ns.size < 2:
        return time_ns, values
    after = np.flatnonzero(np.diff(time_ns) > longest_ns)
    return (
        np.insert(time_ns, after + 1, time_ns[after] + longest_ns // 2),
        np.insert(values.astype(np.float64), after + 1, np.nan),
    )
