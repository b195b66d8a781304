"""What a reading shows while there is nothing to read: the sensor's own zero, a free check in every stop.

Pressure while the machine is stopped and vented, current while the driver is switched off. As left is the first such
reading; how far it has moved since parts a sensor from what it measures.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from asleft.judge.intake.columns import TIME
from asleft.judge.types import FloatArray

_LEAST_READINGS = 50


@dataclass(slots=True)
class Zero:
    """A sensor's zero: as left, now, and what the present stop has given so far (begin, sum, number of readings)."""

    left: float | None = None
    now: float | None = None
    since_s: float | None = None
    total: float = 0.0
    count: int = 0

    @property
    def shift(self) -> float | None:
        """How far the zero has moved since it was left; None: not known."""
        return None if self.left is None or self.now is None else self.now - self.left


def take_zero(
    zero: Zero,
    quiet: npt.NDArray[np.bool_],
    columns: FloatArray,
    row: int,
    gap: npt.NDArray[np.bool_],
    window_s: tuple[float, float],
    limit: float,
) -> None:
    """Take readings of `row` while `quiet` (n,), in a window of time after that began; `zero` is changed in place.

    A mean beyond `limit` is no zero: something is still there, or the sensor is so far off that nobody can tell; then
    the zero is not known. Cuts of the samples change nothing.
    """
    cuts = [0, *(np.flatnonzero(np.diff(quiet) | gap[1:]) + 1).tolist(), quiet.size]
    for a, b in itertools.pairwise(cuts):
        since = zero.since_s
        if since is not None and (a > 0 or gap[0] or not quiet[a]):
            _end(zero, limit)
            zero.since_s = since = None
        if not quiet[a]:
            continue
        if since is None:
            zero.since_s = since = float(columns[TIME, a])
        age = columns[TIME, a:b] - since
        values = columns[row, a:b][(age > window_s[0]) & (age <= window_s[1])]
        values = values[np.isfinite(values)]
        zero.total += float(values.sum())
        zero.count += int(values.size)
        if age[-1] > window_s[1]:
            _end(zero, limit)


def _end(zero: Zero, limit: float) -> None:
    if zero.count >= _LEAST_READINGS:
        mean = zero.total / zero.count
        zero.now = mean if abs(mean) <= limit else None
        if zero.left is None:
            zero.left = zero.now
    zero.total, zero.count = 0.0, 0
