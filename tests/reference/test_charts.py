from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
import pytest
from asleft.judge.drift import (
    BUDGET_YEARS,
    HOURS_PER_YEAR,
    QUICK_SHARE,
    TABLE,
    K,
    advanced,
    check_budget,
    limits_for,
    limits_of_length,
)
from runlength import cusum
from runlength_pair import pair


def sums(x: list[float], target: float, k: float) -> np.ndarray:
    """The judge's four sums after each value, in the unit of the data, no dead zone.

    Text books give k in the unit of the data; the judge's is fixed in sigma, so sigma is chosen to make them one.
    """
    sigma = k / K[0]
    now, out = np.zeros(4), []
    for value in x:
        now = advanced(now, value - target, 0.0, sigma)
        out.append(now * sigma)
    return np.array(out)


def test_recursion_of_the_handbook(published: dict[str, dict[str, Any]]) -> None:
    """NIST/SEMATECH 6.3.2.3 (published)."""
    data = published["cusum_group_means"]
    found = sums(data["x"], data["mu0"], data["k"])
    assert found[:, 0] == pytest.approx(data["s_hi"], abs=0.005)
    assert found[:, 2] == pytest.approx(data["s_lo"], abs=0.005)
    above = [n for n, s in enumerate(found[:, 0], start=1) if s > data["h"]]
    assert above == data["signals_1based"]


def test_recursion_of_montgomery(published: dict[str, dict[str, Any]]) -> None:
    """Montgomery table 9.1 (data published, results closed form): C+ 5.28 at 29, the 7th above zero."""
    data = published["cusum_individuals"]
    high, low = sums(data["x"], data["mu0"], data["k"])[:, [0, 2]].T
    assert high[28] == pytest.approx(data["c_plus_29"], abs=0.005)
    assert next(n for n, s in enumerate(high, start=1) if s > data["h"]) == data["first_cusum"]
    assert max(low) < data["h"]
    assert max(n for n, s in enumerate(high[:29], start=1) if s == 0.0) == 29 - data["n_plus_29"]


def test_the_judge_differs_from_the_text_book_in_its_cap() -> None:
    """One hour alone, however far out, must not signal: a rule of ours, which no published table has."""
    once = advanced(np.zeros(4), 500.0, 0.0, 1.0)
    assert once.tolist() == pytest.approx([4.0 - K[0], 4.0 - K[1], 0.0, 0.0])
    limits = limits_for(BUDGET_YEARS, 1)
    assert once[0] < limits.patient
    assert once[1] < limits.quick


@pytest.mark.parametrize("row", TABLE[::4])
def test_rows_of_the_table_are_what_the_exact_computation_gives(row: tuple[float, float, float]) -> None:
    length, patient, quick = row
    assert pair(K, (patient, quick)) == pytest.approx(length, rel=3e-4)
    alone = cusum(K[0], patient), cusum(K[1], quick)
    assert alone[0] / (alone[0] + alone[1]) == pytest.approx(QUICK_SHARE, abs=2e-4)


@pytest.mark.parametrize("hours", [75.0, 370.0, 10_000.0, 61_000.0, 180_000.0])
def test_between_rows_the_run_length_is_right_to_one_per_cent(hours: float) -> None:
    limits = limits_of_length(hours)
    assert pair(K, (limits.patient, limits.quick)) == pytest.approx(hours, rel=0.01)
    assert limits.exponent == pytest.approx(math.log(hours))


@pytest.mark.parametrize(("years", "quantities"), [(5.0, 9), (1.0, 1), (50.0, 4)])
def test_the_limits_keep_the_budget(years: float, quantities: int) -> None:
    """All quantities at the border of their dead zones, exact run lengths: one alarm in so many years, within 1 %."""
    limits = limits_for(years, quantities)
    hours = pair(K, (limits.patient, limits.quick))
    assert quantities * HOURS_PER_YEAR / hours == pytest.approx(1.0 / years, rel=0.01)


def test_the_quick_sum_has_its_share() -> None:
    limits = limits_of_length(1e5)
    alone = cusum(K[0], limits.patient), cusum(K[1], limits.quick)
    assert alone[0] / (alone[0] + alone[1]) == pytest.approx(QUICK_SHARE, abs=0.005)


def test_limits_rise_with_budget_and_quantities_and_end_with_the_table() -> None:
    ladder = [limits_for(years, n) for years, n in ((1.0, 1), (5.0, 1), (5.0, 9), (50.0, 9))]
    assert all(a.patient < b.patient and a.quick < b.quick for a, b in itertools.pairwise(ladder))
    assert limits_for(5.0, 0) == limits_for(5.0, 1)
    assert limits_of_length(1.0).patient == TABLE[0][1]
    assert limits_of_length(1e12).quick == TABLE[-1][2]


@pytest.mark.parametrize("years", [0.0, -1.0, math.nan, math.inf, 1e9])
def test_a_budget_that_makes_no_sense_is_refused(years: float) -> None:
    with pytest.raises(ValueError, match="budget_years must be"):
        check_budget(years)
