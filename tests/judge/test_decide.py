from __future__ import annotations

import math

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

BOTH = Tolerance(2.0, 2.0)
finite = st.floats(-100.0, 100.0)
positive = st.floats(0.0, 50.0)


@given(finite, positive, positive, positive)
def test_a_verdict_is_in_or_out_only_when_the_whole_interval_is(deviation, expanded, below, above) -> None:
    out = verdict(deviation, expanded, Tolerance(below, above))
    inside = -below <= deviation - expanded and deviation + expanded <= above
    outside = deviation - expanded > above or deviation + expanded < -below
    assert out is (Verdict.IN if inside else Verdict.OUT if outside else Verdict.UNDECIDED)
    assert not (inside and outside)


@given(finite, positive, positive, positive)
def test_more_uncertainty_never_turns_undecided_into_a_verdict(deviation, expanded, more, below) -> None:
    tolerance = Tolerance(below, below)
    if verdict(deviation, expanded, tolerance) is Verdict.UNDECIDED:
        assert verdict(deviation, expanded + more, tolerance) is Verdict.UNDECIDED


def test_a_side_without_limit_is_never_out() -> None:
    low_only = Tolerance(2.0, math.inf)
    assert verdict(1e9, 1.0, low_only) is Verdict.IN
    assert verdict(-4.0, 1.0, low_only) is Verdict.OUT


@given(st.floats(1.0, 200.0), st.floats(1.0, 200.0))
def test_fewer_degrees_of_freedom_cover_wider(a, b) -> None:
    low, high = sorted((a, b))
    assert coverage_factor(low) >= coverage_factor(high) >= coverage_factor(math.inf)


def test_less_than_one_degree_of_freedom_is_taken_as_one() -> None:
    assert coverage_factor(0.0) == coverage_factor(1.0)
    assert coverage_factor(math.nan) == coverage_factor(math.inf)


def test_a_known_part_raises_the_effective_degrees_of_freedom() -> None:
    assert effective_dof(1.0, 4.0, 0.0) == 4.0
    assert effective_dof(1.0, 4.0, 1.0) == 16.0
    assert effective_dof(0.0, 4.0, 1.0) == math.inf
    assert expanded_uncertainty(0.0, 1.0, 0.0) == 0.0
    assert expanded_uncertainty(3.0, math.inf, 4.0) == pytest.approx(1.959964 * 5.0, rel=1e-6)


def test_a_change_does_not_carry_the_calibration() -> None:
    value = Estimate(10.0, 0.1, 30.0, systematic=2.0)
    assert value.expanded() > 3.9
    assert value.expanded_change() == pytest.approx(0.1 * coverage_factor(30.0))


def test_tolerance_used_is_signed_and_of_its_side() -> None:
    unequal = Tolerance(1.0, 4.0)
    assert tolerance_used_pct(2.0, unequal) == 50.0
    assert tolerance_used_pct(-2.0, unequal) == -200.0
    assert tolerance_used_pct(-1.0, Tolerance(math.inf, 1.0)) is None
    assert tolerance_used_pct(0.5, Tolerance(1.0, 0.0)) == math.inf
    assert tolerance_used_pct(-0.5, Tolerance(0.0, 1.0)) == -math.inf
    assert tolerance_used_pct(0.0, Tolerance(0.0, 0.0)) == 0.0
