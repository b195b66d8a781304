"""Mean, median and level of some dozen numbers, at a fraction of what numpy's own cost for so few."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
from asleft.judge.types import FloatArray

#: From so many numbers on numpy's own median is the quicker one.
_MANY = 250
#: A level this near to an end of the range (share of full) may be one that its readings cannot go beyond.
_NEAR_AN_END = 0.02


def median_of(values: Iterable[float] | FloatArray) -> float:
    """Median of at least one number, (n,), to the bit numpy's; NaN where one of them is."""
    if isinstance(values, np.ndarray):
        if values.size > _MANY:
            return float(np.median(values))
        values = values.tolist()
    ordered: list[float] = sorted(values)
    if math.isnan(sum(ordered)):
        return float(np.median(ordered))
    half = len(ordered) // 2
    return ordered[half] if len(ordered) % 2 else 0.5 * (ordered[half - 1] + ordered[half])


def mean_of(values: FloatArray) -> float:
    """Mean of some readings (n,), with less ado than numpy's own over few."""
    return float(np.add.reduce(values)) / values.size


def level_of(demand: FloatArray) -> float:
    """Level of a resting command's readings (n,), shares of full: their mean, or their median at an end they stop at.

    A reading of 0 to 5 V cannot go below 0 V: of noise about zero the negative half is missing and the mean is 0.4
    standard deviations too high. The median stays where it is while less than half is missing.
    """
    mean = mean_of(demand)
    if 0.0 < mean < _NEAR_AN_END:
        stops = float(np.minimum.reduce(demand)) == 0.0
    elif 1.0 - _NEAR_AN_END < mean < 1.0:
        stops = float(np.maximum.reduce(demand)) == 1.0
    else:
        return mean
    # Two codes of a coarse converter are no noise that is cut off.
    return float(np.median(demand)) if stops and np.unique(demand).size > 2 else mean
