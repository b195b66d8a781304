"""Change of one quantity from before to after, with interval, test of difference and test of equivalence.

"Not significantly different" is not "the same": that needs a test of its own, two one-sided ones against a margin
(Schuirmann, J. Pharmacokin. Biopharm. 15, 657, 1987; from memory). Both are Student's, of paired differences where
the values pair (one press at the same hour of the day: oil and coil are as warm as then), else of two samples with
unequal variances (Welch, Biometrika 34, 28, 1947; from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from asleft.judge.decide import coverage_factor
from asleft.judge.types import FloatArray
from scipy.special import stdtr

#: Of either test.
LEVEL = 0.05
#: Fewer pairs, or values a side, than this say nothing.
LEAST = 3


@dataclass(frozen=True, slots=True)
class Change:
    """After less before. `low`, `high`: 95 % interval. `margin`: of equivalence; its p is that of the worse side."""

    before: float
    after: float
    change: float
    low: float
    high: float
    n_before: int
    n_after: int
    test: str  # "paired t" or "Welch's t"
    t: float
    dof: float
    p_different: float
    margin: float
    p_same: float

    @property
    def different(self) -> bool:
        """Whether chance alone would give so much in fewer than one case in twenty."""
        return self.p_different < LEVEL

    @property
    def same(self) -> bool:
        """Whether a change as large as the margin is ruled out at the same level."""
        return self.p_same < LEVEL


def paired(before: FloatArray, after: FloatArray, margin: float) -> Change:
    """Of values that belong together, both of shape (n,), n >= `LEAST`.

    Raises:
        ValueError: shapes differ or there are too few.
    """
    if before.shape != after.shape or before.size < LEAST:
        raise ValueError(f"paired: needs {LEAST} pairs or more, got {before.size} and {after.size}")
    difference = after - before
    n = difference.size
    se = float(np.std(difference, ddof=1)) / math.sqrt(n)
    return _change(before, after, float(np.mean(difference)), se, n - 1.0, margin, "paired t")


def welch(before: FloatArray, after: FloatArray, margin: float) -> Change:
    """Of two samples that do not pair, shapes (n,) and (m,), both at least `LEAST`.

    Raises:
        ValueError: there are too few.
    """
    if min(before.size, after.size) < LEAST:
        raise ValueError(f"welch: needs {LEAST} values a side or more, got {before.size} and {after.size}")
    parts = [float(np.var(x, ddof=1)) / x.size for x in (before, after)]
    se = math.sqrt(sum(parts))
    dof = (
        sum(parts) ** 2 / sum(v**2 / (x.size - 1) for v, x in zip(parts, (before, after), strict=True)) if se else 1.0
    )
    return _change(before, after, float(np.mean(after) - np.mean(before)), se, dof, margin, "Welch's t")


def _change(
    before: FloatArray, after: FloatArray, change: float, se: float, dof: float, margin: float, test: str
) -> Change:
    reach = coverage_factor(dof) * se
    if se > 0.0:
        t = change / se
        different = 2.0 * float(stdtr(dof, -abs(t)))
        same = float(stdtr(dof, (abs(change) - margin) / se))
    else:  # readings that never moved by a count
        t = 0.0 if change == 0.0 else math.copysign(math.inf, change)
        different = 1.0 if change == 0.0 else 0.0
        same = 0.0 if abs(change) < margin else 1.0
    return Change(
        before=float(np.mean(before)),
        after=float(np.mean(after)),
        change=change,
        low=change - reach,
        high=change + reach,
        n_before=before.size,
        n_after=after.size,
        test=test,
        t=t,
        dof=dof,
        p_different=different,
        margin=margin,
        p_same=same,
    )
