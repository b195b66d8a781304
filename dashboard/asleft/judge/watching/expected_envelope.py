"""Highest and lowest demand the current may still be answering, for any ramp up to three times as slow as left."""

from __future__ import annotations

import itertools
from typing import Protocol

import numpy as np
import numpy.typing as npt
from asleft.judge.intake.columns import DEMAND, TIME
from asleft.judge.types import FloatArray

#: An unread command leaves the envelope as it is for so long; then anything may be commanded.
_BRIDGE_S = 0.5


class Edges(Protocol):
    """Where the envelope stands between calls, and since when the command has not been read."""

    high: float
    low: float
    unknown_s: float
    last_s: float


def expected_envelope(
    columns: FloatArray,
    carry: Edges,
    slowest_s: tuple[float, float],
    lag_s: float,
    gap: npt.NDArray[np.bool_],
) -> tuple[FloatArray, FloatArray]:
    """Envelope at new samples (columns of shape (ROWS, n)), shape (n,) each; `carry` is updated in place.

    Its upper edge falls with a third of the slowest ramp down until it meets the command and rises with it at once,
    its lower edge the other way round. `slowest_s`: ramp up and down (s); `gap`: where a pause lies before a sample,
    after which it closes on the next command.
    """
    time_s, demand = columns[TIME], columns[DEMAND]
    rise = 1.0 / max(3.0 * slowest_s[0], 10.0 * lag_s, 0.05)
    fall = 1.0 / max(3.0 * slowest_s[1], 10.0 * lag_s, 0.05)
    step_s = np.diff(time_s, prepend=time_s[0] if gap[0] else carry.last_s)
    read = np.isfinite(demand)
    high, low = np.empty(demand.size), np.empty(demand.size)
    cuts = np.flatnonzero((read[1:] != read[:-1]) | gap[1:]) + 1
    for a, b in itertools.pairwise([0, *cuts.tolist(), demand.size]):
        if read[a]:
            carry.unknown_s = 0.0
            if gap[a]:
                carry.high, carry.low = -np.inf, np.inf
                step_s[a] = 0.0
            # the largest of what was commanded before, each less what has fallen since: a running maximum
            since_s = np.cumsum(step_s[a:b])
            falls, rises = fall * since_s, rise * since_s
            high[a:b] = np.maximum(np.maximum.accumulate(demand[a:b] + falls), carry.high) - falls
            low[a:b] = np.minimum(np.minimum.accumulate(demand[a:b] - rises), carry.low) + rises
        else:
            unknown_s = carry.unknown_s + np.cumsum(np.where(gap[a:b], np.inf, step_s[a:b]))
            carry.unknown_s = float(unknown_s[-1])
            high[a:b] = np.where(unknown_s > _BRIDGE_S, 1.0, carry.high)
            low[a:b] = np.where(unknown_s > _BRIDGE_S, 0.0, carry.low)
        carry.high, carry.low = float(high[b - 1]), float(low[b - 1])
    return high, low
