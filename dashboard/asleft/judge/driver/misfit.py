"""Strokes that no setting of the sheet explains: their misfit as left, measured once, against that of today.

A stroke's reduced chi-square compares what its fit leaves over with the noise of settled dwells: near 1 where
limiter, lag and delay describe the driver (0.93 to 1.07 in the median of ten simulated minutes). A driver
whose ramp is no straight line, an output that hunts or a second limiter make it larger, and ramps and currents may
look fine all the same. As left is the median of the first five points of production after a revision; `model-misfit`
when three points in a row and the present strokes have a median over 2 and over twice that as left.

Misses: what misfits in fewer than half of the strokes (one odd stroke is not the driver); misfits smaller than the
noise; the first half hour. Silent where a cause is known: clipping, lost, unwanted or pinned readings explain misfits
and are findings of their own. Cries wolf: noise that is larger in motion than at rest (a loose sensor cable).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from asleft.judge.features import Stroke

_POINTS = 5
IN_A_ROW = 3
_FEWEST = 10
_LEAST, _TIMES_LEFT = 2.0, 2.0


@dataclass(frozen=True, slots=True)
class Misfit:
    """Median reduced chi-square of the first five points after a revision, and of the latest three."""

    first: tuple[float, ...] = ()
    latest: tuple[float, ...] = ()

    def seen(self, strokes: Sequence[Stroke]) -> Misfit:
        """With the point that these strokes make, if they are enough."""
        median = median_chi2(strokes)
        if median is None:
            return self
        first = self.first if len(self.first) >= _POINTS else (*self.first, median)
        return Misfit(first, (*self.latest[1 - IN_A_ROW :], median))

    @property
    def limit(self) -> float | None:
        """Misfit from which it is a finding; None while as left is open."""
        if len(self.first) < _POINTS:
            return None
        return max(_LEAST, _TIMES_LEFT * float(np.median(self.first)))


def median_chi2(strokes: Sequence[Stroke]) -> float | None:
    """Median reduced chi-square of the strokes that count; None if fewer than ten do."""
    values = [s.chi2 for s in strokes if s.excluded < 0.5 and np.isfinite(s.chi2)]
    return float(np.median(values)) if len(values) >= _FEWEST else None
