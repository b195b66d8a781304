from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from asleft.judge.decide import coverage_factor, effective_dof, expanded_uncertainty, verdict
from asleft.judge.types import Verdict
from asleft.sheet.model import Tolerance
from scipy import stats

# Two-sided 95 % coverage factors, JCGM 100:2008 table G.2: the two decimals from memory.
TABLE_G2 = [(1, 12.71), (2, 4.30), (3, 3.18), (4, 2.78), (5, 2.57), (10, 2.23), (math.inf, 1.96)]


@pytest.mark.parametrize(("dof", "k"), TABLE_G2)
def test_coverage_factors_of_table_g2(dof: float, k: float) -> None:
    assert round(coverage_factor(dof), 2) == k


@pytest.mark.parametrize("dof", [1.0, 1.7, 2.0, 8.25, 33.0, 1e3, 1e5, 2e6])
def test_coverage_factor_against_a_reference_library(dof: float) -> None:
    """scipy.stats.t, another road than the one the judge takes; effective degrees of freedom are no whole numbers."""
    assert coverage_factor(dof) == pytest.approx(float(stats.t.ppf(0.975, dof)), rel=2e-6)


def welch_satterthwaite(parts: list[tuple[float, float]]) -> float:
    """JCGM 100:2008 G.4, formula (G.2b), from (standard uncertainty, degrees of freedom)."""
    return sum(u**2 for u, _ in parts) ** 2 / sum(u**4 / dof for u, dof in parts)


def test_the_general_formula_is_the_published_one(published: dict[str, dict[str, Any]]) -> None:
    """R's t.test on sleep (computed with a reference library) says that the formula above is written down right."""
    data = published["sleep"]
    first, second = np.array(data["first"]), np.array(data["second"])
    se = [float(sample.std(ddof=1)) / math.sqrt(10.0) for sample in (first, second)]
    assert (first.mean() - second.mean()) / math.hypot(*se) == pytest.approx(data["t"], abs=1e-6)
    assert welch_satterthwaite([(se[0], 9.0), (se[1], 9.0)]) == pytest.approx(data["dof"], abs=1e-6)


@pytest.mark.parametrize(("repeatability", "dof", "systematic"), [(1.0, 4.0, 0.0), (1.0, 4.0, 1.0), (0.3, 7.0, 2.0)])
def test_effective_degrees_of_freedom(repeatability: float, dof: float, systematic: float) -> None:
    """The judge's case of the general formula: the second part known, that is with no end of degrees of freedom."""
    general = welch_satterthwaite([(repeatability, dof), (systematic, 1e15)])
    assert effective_dof(repeatability, dof, systematic) == pytest.approx(general, rel=1e-9)
    expected = float(stats.t.ppf(0.975, general)) * math.hypot(repeatability, systematic)
    assert expanded_uncertainty(repeatability, dof, systematic) == pytest.approx(expected, rel=2e-6)


def acceptance_limit(expanded: float, tolerance: Tolerance) -> float:
    """Largest deviation still judged in, by bisection on the verdict."""
    low, high = 0.0, tolerance.above
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if verdict(middle, expanded, tolerance) is Verdict.IN else (low, middle)
    return low


@pytest.mark.parametrize("u", [0.01, 0.1, 0.24])
def test_risk_at_the_acceptance_limit(u: float) -> None:
    """Closed form, JCGM 106:2012: guard band U = 2 u, so 2.275 % of what is only just accepted is out."""
    limit = acceptance_limit(2.0 * u, Tolerance(1.0, 1.0))
    assert limit == pytest.approx(1.0 - 2.0 * u)
    assert float(stats.norm.sf((1.0 - limit) / u)) == pytest.approx(0.02275, abs=5e-6)


# ISO 14253-1 / JCGM 106 geometry: tolerance -1 to +2, U 0.5. Closed form.
GEOMETRY = [
    (-1.75, Verdict.OUT),
    (-1.5, Verdict.UNDECIDED),
    (-1.0, Verdict.UNDECIDED),
    (-0.75, Verdict.UNDECIDED),
    (-0.5, Verdict.IN),
    (0.0, Verdict.IN),
    (1.5, Verdict.IN),
    (1.75, Verdict.UNDECIDED),
    (2.5, Verdict.UNDECIDED),
    (2.75, Verdict.OUT),
]


@pytest.mark.parametrize(("deviation", "expected"), GEOMETRY)
def test_zones_of_conformity(deviation: float, expected: Verdict) -> None:
    assert verdict(deviation, 0.5, Tolerance(1.0, 2.0)) is expected


def test_no_conformity_can_be_stated_when_uncertainty_fills_the_tolerance() -> None:
    """U above half the width leaves no acceptance zone, only one of rejection (JCGM 106, closed form)."""
    found = {verdict(float(d), 1.2, Tolerance(1.0, 1.0)) for d in np.linspace(-4.0, 4.0, 161)}
    assert found == {Verdict.OUT, Verdict.UNDECIDED}
