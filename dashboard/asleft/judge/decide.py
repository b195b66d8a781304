"""Verdict on one quantity: expanded uncertainty and guard band.

Expanded uncertainty for 95 %: U = k u, k the two-sided Student quantile at the effective degrees of freedom of
Welch and Satterthwaite (JCGM 100:2008 G.4). Decision rule: in if the whole interval lies inside the tolerance, out if
all of it lies outside, else undecided. That is guarded acceptance and guarded rejection of JCGM 106:2012 with a
guard band of one U on either side of the limit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from asleft.judge.types import Verdict
from asleft.sheet.model import Tolerance


@dataclass(frozen=True, slots=True)
class Estimate:
    """A measured quantity: `repeatability` and `systematic` are standard uncertainties, `dof` of the former."""

    value: float
    repeatability: float
    dof: float
    systematic: float = 0.0
    segments: int = 0
    from_s: float | None = None
    to_s: float | None = None
    command_min_pct: float | None = None
    command_max_pct: float | None = None
    note: str = ""

    def expanded(self) -> float:
        """Expanded uncertainty of the value for 95 %."""
        return expanded_uncertainty(self.repeatability, self.dof, self.systematic)

    def expanded_change(self) -> float:
        """Expanded uncertainty of a change seen through the same chain: the systematic part cancels."""
        return expanded_uncertainty(self.repeatability, self.dof, 0.0)


#: ln k as a Chebyshev series in x = 2 / dof - 1, so that no command has to load a library of special functions for
#: one number: within 2e-9 of the quantile itself for 1 <= dof <= infinity (a test compares them).
_LN_K = (
    1.53387418317,
    0.940108009482,
    0.0741487520324,
    -0.00571947508133,
    -0.000504949530783,
    0.000198209478225,
    -1.04445751657e-05,
    -4.69330168361e-06,
    7.67912547691e-07,
    1.23485708923e-07,
    -4.7286076921e-08,
    -3.6329893414e-09,
    5.00539139053e-09,
)


def coverage_factor(dof: float) -> float:
    """Two-sided 95 % Student quantile; 1.96 for infinite `dof`. At least one degree of freedom is assumed."""
    x = 2.0 / max(dof, 1.0) - 1.0
    before, value = 0.0, 0.0
    for coefficient in reversed(_LN_K[1:]):  # Clenshaw's recurrence
        before, value = value, 2.0 * x * value - before + coefficient
    return math.exp(x * value - before + _LN_K[0])


def effective_dof(repeatability: float, dof: float, systematic: float) -> float:
    """Welch-Satterthwaite, the systematic part counted as known (infinite degrees of freedom)."""
    if repeatability <= 0.0:
        return math.inf
    total = repeatability**2 + systematic**2
    return dof * total**2 / repeatability**4


def expanded_uncertainty(repeatability: float, dof: float, systematic: float) -> float:
    """U for 95 % from standard uncertainties in the same unit."""
    combined = math.hypot(repeatability, systematic)
    return coverage_factor(effective_dof(repeatability, dof, systematic)) * combined


def verdict(deviation: float, expanded: float, tolerance: Tolerance) -> Verdict:
    """Guard-banded verdict on `deviation` (as found minus as left) with expanded uncertainty `expanded`."""
    low, high = -tolerance.below, tolerance.above
    if deviation - expanded >= low and deviation + expanded <= high:
        return Verdict.IN
    if deviation - expanded > high or deviation + expanded < low:
        return Verdict.OUT
    return Verdict.UNDECIDED


def tolerance_used_pct(deviation: float, tolerance: Tolerance) -> float | None:
    """Signed share of the tolerance on the side of the deviation, in percent; None on a side that is not judged.

    A tolerance of zero on that side gives infinity with the deviation's sign, or zero for no deviation.
    """
    side = tolerance.above if deviation >= 0 else tolerance.below
    if math.isinf(side):
        return None
    if side == 0.0:
        return 0.0 if deviation == 0.0 else math.copysign(math.inf, deviation)
    return 100.0 * deviation / side
