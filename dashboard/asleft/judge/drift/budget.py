"""The false-alarm budget in words, turned into the limits of the charts.

"At most one false drift alarm per valve in N years of production", a year being 4000 hours of production (two shifts
on 250 days). The worst state that is still in control is a quantity that stands at the border of its dead zone for
ever, at one border, so each charted quantity has an equal share of the alarms and gives it to the side it stands on:
the one-sided run length is N x 4000 x (charted quantities) hours. The limits of the pair of sums with that run
length come from a table of exact run lengths (tests/bench/runlength_pair.py), between whose rows a line in the
logarithm is good to 1 % of the run length; `tests/reference` computes them anew.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

#: Default: at most one false alarm per valve in this many years of production.
BUDGET_YEARS = 5.0
HOURS_PER_YEAR = 4000.0
#: References of the patient and the quick sum, in sigma. With 42 % of the false alarms for the quick one, no shift
#: from 0.5 to 3 sigma is seen later than 1.16 x what a CUSUM tuned to it needs, at run lengths of 370 and of 10,000.
K = (0.35, 1.1)
QUICK_SHARE = 0.42
_LEAST_YEARS, _MOST_YEARS = 0.01, 10_000.0
#: One-sided run length in control, limit of the patient sum, limit of the quick one.
TABLE = (
    (50.0, 3.0795, 1.3101),
    (115.0, 4.1972, 1.7208),
    (264.5, 5.3741, 2.1175),
    (608.3, 6.5811, 2.5093),
    (1399.0, 7.7997, 2.9004),
    (3218.0, 9.0200, 3.2911),
    (7402.0, 10.2370, 3.6803),
    (17_020.0, 11.4488, 4.0671),
    (39_160.0, 12.6569, 4.4520),
    (90_060.0, 13.8605, 4.8350),
    (207_100.0, 15.0608, 5.2169),
    (476_400.0, 16.2590, 5.5982),
    (1.096e6, 17.4554, 5.9789),
    (2.52e6, 18.6495, 6.3588),
    (5.796e6, 19.8429, 6.7385),
    (1.333e7, 21.0354, 7.1180),
    (3.066e7, 22.2273, 7.4972),
    (7.053e7, 23.4189, 7.8764),
    (1.622e8, 24.6098, 8.2553),
    (3.731e8, 25.8007, 8.6342),
    (8.581e8, 26.9911, 9.0130),
)
_LOG_LENGTH, _PATIENT, _QUICK = (np.array(column) for column in zip(*TABLE, strict=True))
_LOG_LENGTH = np.log(_LOG_LENGTH)


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits of the two sums of a side, in sigma, and the logarithm of the run length they have together."""

    patient: float
    quick: float
    exponent: float


def check(years: float) -> None:
    """Raise ValueError for a budget no chart can be set to."""
    if not (math.isfinite(years) and _LEAST_YEARS <= years <= _MOST_YEARS):
        raise ValueError(f"budget_years must be from {_LEAST_YEARS:g} to {_MOST_YEARS:g} years, not {years:g}")


def limits_for(budget_years: float, quantities: int) -> Limits:
    """Limits of each chart of a valve with so many charted quantities (at least one is assumed)."""
    return limits_of_length(budget_years * HOURS_PER_YEAR * max(quantities, 1))


def limits_of_length(hours: float) -> Limits:
    """Limits of a side with this run length in control; run lengths outside the table are brought to its ends."""
    at = min(max(math.log(hours), float(_LOG_LENGTH[0])), float(_LOG_LENGTH[-1]))
    patient, quick = (float(np.interp(at, _LOG_LENGTH, column)) for column in (_PATIENT, _QUICK))
    return Limits(patient, quick, at)
