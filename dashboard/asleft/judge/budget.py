"""The false-alarm budget in words: at most one false drift alarm per valve in so many years of production."""

from __future__ import annotations

import math

#: Default: at most one false alarm per valve in this many years of production.
BUDGET_YEARS = 5.0
_LEAST_YEARS, _MOST_YEARS = 0.01, 10_000.0


def check(years: float) -> None:
    """Raise ValueError for a budget no chart can be set to."""
    if not (math.isfinite(years) and _LEAST_YEARS <= years <= _MOST_YEARS):
        raise ValueError(f"budget_years must be from {_LEAST_YEARS:g} to {_MOST_YEARS:g} years, not {years:g}")
