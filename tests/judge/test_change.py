"""Before against after, against published results and a reference library."""

from __future__ import annotations

import math

import numpy as np
import pytest
from asleft.judge.compare import paired, welch
from statsmodels.stats.weightstats import CompareMeans, DescrStatsW, ttost_paired

#: Student's sleep data (Biometrika 6, 1, 1908), as R's data set `sleep` has it: extra hours with two drugs.
FIRST = np.array([0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0])
SECOND = np.array([1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4])


def test_welch_on_students_sleep_data_gives_what_r_gives():
    found = welch(SECOND, FIRST, margin=1.0)
    assert found.t == pytest.approx(-1.860813, abs=1e-6)
    assert found.dof == pytest.approx(17.776474, abs=1e-6)
    assert found.p_different == pytest.approx(0.0793941, abs=1e-7)
    assert not found.different
    assert found.test == "Welch's t"


def test_paired_on_students_sleep_data_gives_what_r_gives():
    found = paired(SECOND, FIRST, margin=1.0)
    assert found.t == pytest.approx(-4.062128, abs=1e-6)
    assert found.p_different == pytest.approx(0.00283289, abs=1e-8)
    assert found.different
    assert (found.low, found.high) == pytest.approx((-2.4598858, -0.7001142), abs=1e-6)


@pytest.mark.parametrize("margin", [0.1, 1.0, 2.0, 3.0])
def test_equivalence_is_what_statsmodels_finds(margin):
    p, _, _ = ttost_paired(FIRST, SECOND, -margin, margin)
    assert paired(SECOND, FIRST, margin).p_same == pytest.approx(p, rel=1e-9)
    means = CompareMeans(DescrStatsW(FIRST), DescrStatsW(SECOND))
    p = means.ttost_ind(-margin, margin, usevar="unequal")[0]
    assert welch(SECOND, FIRST, margin).p_same == pytest.approx(p, rel=1e-9)


def test_a_small_sure_change_is_both_different_and_the_same():
    noise = np.array([-1.0, 0.0, 1.0, -0.5, 0.5]) * 1e-3
    found = welch(1.0 + noise, 1.02 + noise, margin=0.1)
    assert found.different
    assert found.same


def test_few_noisy_values_are_neither():
    found = paired(np.array([0.0, 2.0, -2.0]), np.array([1.0, -1.0, 2.0]), margin=0.5)
    assert not found.different
    assert not found.same


def test_readings_that_never_moved():
    still = np.full(4, 2.0)
    assert welch(still, still, 0.1).same
    assert not welch(still, still, 0.1).different
    moved = welch(still, still + 0.5, 0.1)
    assert (moved.different, moved.same, moved.t) == (True, False, math.inf)
    assert (moved.low, moved.high) == (0.5, 0.5)


def test_too_few_are_refused():
    with pytest.raises(ValueError, match="needs 3 pairs or more, got 2 and 2"):
        paired(np.zeros(2), np.zeros(2), 1.0)
    with pytest.raises(ValueError, match="needs 3 values a side or more, got 5 and 1"):
        welch(np.zeros(5), np.zeros(1), 1.0)
    with pytest.raises(ValueError, match="got 4 and 3"):
        paired(np.zeros(4), np.zeros(3), 1.0)
