from __future__ import annotations

import math

import numpy as np
import pytest
from asleft.judge.decide import (
    Estimate,
    coverage_factor,
    effective_dof,
    expanded_uncertainty,
    tolerance_used_pct,
    verdict,
)
from asleft.judge.types import Verdict
from asleft.sheet.model import Tolerance
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import stdtrit

INF = math.inf
sizes = st.floats(0.0, 1e3)
deviations = st.floats(-1e3, 1e3)


def test_coverage_never_counts_less_than_one_degree_of_freedom() -> None:
    assert coverage_factor(0.0) == coverage_factor(1.0) == pytest.approx(12.7062, abs=1e-4)
    assert coverage_factor(INF) == pytest.approx(1.959964, abs=1e-6)


def test_coverage_is_the_quantile_of_a_reference_library() -> None:
    dof = np.concatenate((np.linspace(1.0, 50.0, 3001), np.geomspace(50.0, 1e9, 2001)))
    ours = np.array([coverage_factor(float(one)) for one in dof])
    assert np.abs(ours / stdtrit(dof, 0.975) - 1.0).max() < 5e-9


@given(st.floats(1.0, 1e5), st.floats(1.01, 10.0))
def test_more_degrees_of_freedom_need_less_coverage(dof: float, times: float) -> None:
    assert coverage_factor(dof) > coverage_factor(dof * times) >= coverage_factor(INF) - 1e-9


def test_nothing_random_leaves_normal_coverage_of_what_is_systematic() -> None:
    assert effective_dof(0.0, 3.0, 0.5) == INF
    assert expanded_uncertainty(0.0, 3.0, 0.5) == pytest.approx(1.959964 * 0.5, rel=1e-6)
    assert expanded_uncertainty(0.0, 3.0, 0.0) == 0.0


@given(st.floats(1e-6, 1e3), st.floats(1.0, 1e3), sizes)
def test_a_systematic_part_never_takes_degrees_of_freedom_away(random: float, dof: float, systematic: float) -> None:
    assert effective_dof(random, dof, systematic) >= dof * (1 - 1e-12)
    assert effective_dof(random, dof, 0.0) == pytest.approx(dof)


def test_calibration_counts_for_the_value_and_cancels_in_a_change() -> None:
    estimate = Estimate(1.0, repeatability=0.01, dof=4.0, systematic=0.03)
    assert estimate.expanded_change() == pytest.approx(2.7764 * 0.01, rel=1e-4)
    assert estimate.expanded() == pytest.approx(expanded_uncertainty(0.01, 4.0, 0.03))
    assert estimate.expanded() > 1.95 * math.hypot(0.01, 0.03)


@given(deviations, sizes, sizes, sizes)
def test_verdict_is_what_the_interval_says(deviation: float, expanded: float, below: float, above: float) -> None:
    """Whole interval inside: in; nothing of it inside: out; anything else: undecided."""
    first, last = deviation - expanded, deviation + expanded
    if -below <= first and last <= above:
        expected = Verdict.IN
    elif last < -below or first > above:
        expected = Verdict.OUT
    else:
        expected = Verdict.UNDECIDED
    assert verdict(deviation, expanded, Tolerance(below, above)) is expected


@given(deviations, sizes, sizes, sizes)
def test_verdict_has_a_mirror_image(deviation: float, expanded: float, below: float, above: float) -> None:
    mirrored = verdict(-deviation, expanded, Tolerance(above, below))
    assert verdict(deviation, expanded, Tolerance(below, above)) is mirrored


@given(deviations, sizes, sizes, sizes, sizes)
def test_a_larger_uncertainty_never_decides_more(d: float, u: float, more: float, below: float, above: float) -> None:
    wider = verdict(d, u + more, Tolerance(below, above))
    assert wider in {verdict(d, u, Tolerance(below, above)), Verdict.UNDECIDED}


def test_both_ends_of_the_tolerance_belong_to_it() -> None:
    assert verdict(0.75, 0.25, Tolerance(1.0, 1.0)) is Verdict.IN
    assert verdict(-0.75, 0.25, Tolerance(1.0, 1.0)) is Verdict.IN
    assert verdict(1.25, 0.25, Tolerance(1.0, 1.0)) is Verdict.UNDECIDED
    assert verdict(-1.25, 0.25, Tolerance(1.0, 1.0)) is Verdict.UNDECIDED


def test_a_side_that_is_not_judged_is_never_out() -> None:
    supply = Tolerance(2.4, INF)
    assert verdict(500.0, 1.0, supply) is Verdict.IN
    assert verdict(-5.0, 1.0, supply) is Verdict.OUT
    assert verdict(0.0, INF, supply) is Verdict.UNDECIDED


@pytest.mark.parametrize(
    ("deviation", "below", "above", "used"),
    [
        (0.5, 1.0, 2.0, 25.0),
        (-0.5, 1.0, 2.0, -50.0),
        (0.0, 1.0, 2.0, 0.0),
        (3.0, INF, 2.0, 150.0),
        (-3.0, INF, 2.0, None),
        (3.0, 2.0, INF, None),
        (0.0, 0.0, 0.0, 0.0),
        (0.1, 1.0, 0.0, INF),
        (-0.1, 0.0, 1.0, -INF),
    ],
)
def test_tolerance_used(deviation: float, below: float, above: float, used: float | None) -> None:
    assert tolerance_used_pct(deviation, Tolerance(below, above)) == used


@given(deviations, st.floats(1e-3, 1e3), st.floats(1e-3, 1e3))
def test_a_certain_value_is_in_exactly_up_to_a_hundred_per_cent(deviation: float, below: float, above: float) -> None:
    used = tolerance_used_pct(deviation, Tolerance(below, above))
    assert used is not None
    if abs(abs(used) - 100.0) > 1e-6:
        expected = Verdict.IN if abs(used) < 100.0 else Verdict.OUT
        assert verdict(deviation, 0.0, Tolerance(below, above)) is expected
