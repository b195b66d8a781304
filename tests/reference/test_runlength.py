"""Exact run lengths of charts against published tables, a reference library, closed forms and simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from runlength import cusum, solve_limit, tuned_cusum_limit, two_sided_cusum, two_sided_ewma
from runlength_pair import pair, pair_limits, two_sided_pair

SHIFTS = (0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0, 4.0, 5.0)
# Two-sided, k 0.5, zero state. Computed with a reference library (R spc); h 4 with and without head start are also
# printed, to fewer digits, in Lucas and Crosier, Technometrics 24 (1982) 199, table 1.
TWO_SIDED = {
    (4.0, 0.0): (167.68, 74.22, 26.63, 13.29, 8.383, 4.747, 3.343, 2.195, 1.709, 1.309),
    (5.0, 0.0): (465.44, 139.49, 38.00, 17.05, 10.376, 5.747, 4.009, 2.573, 2.013, 1.694),
    (4.0, 2.0): (148.70, 62.70, 20.06, 8.968, 5.287, 2.862, 2.014, 1.325, 1.067, 1.006),
}


@pytest.mark.parametrize(("chart", "lengths"), TWO_SIDED.items())
def test_two_sided_cusum(chart: tuple[float, float], lengths: tuple[float, ...]) -> None:
    h, start = chart
    found = [two_sided_cusum(0.5, h, shift, start=start) for shift in SHIFTS]
    assert found == pytest.approx(lengths, rel=4e-4)  # half a unit of the fourth digit


# In control, one-sided, k 0.5: computed with a reference library (R spc); Brook and Evans, Biometrika 59 (1972) 539,
# print 117.59 for h 3.
@pytest.mark.parametrize(("h", "length"), [(3.0, 117.5957), (4.0, 335.3676), (5.0, 930.8870)])
def test_one_sided_cusum(h: float, length: float) -> None:
    assert cusum(0.5, h) == pytest.approx(length, rel=1e-6)


@pytest.mark.parametrize(
    ("k", "h"), [(0.25, 8.0083), (0.5, 4.7738), (0.75, 3.3390), (1.0, 2.5163), (1.25, 1.9862), (1.5, 1.6041)]
)
def test_limits_for_a_run_length_of_370(k: float, h: float) -> None:
    """Two-sided; computed with a reference library (R spc)."""
    assert tuned_cusum_limit(k, 370.0) == pytest.approx(h, abs=5e-5)


# Worst delay of the one-sided CUSUM with k = shift / 2, which no chart betters (Lorden 1971, Moustakides 1986): run
# length in control, shift, h, delay; computed with a reference library (R spc).
OPTIMA = [
    (500.0, 0.5, 7.2673, 25.869),
    (500.0, 1.0, 4.3891, 9.158),
    (500.0, 2.0, 2.3232, 3.068),
    (1000.0, 0.5, None, 31.083),
    (1000.0, 1.0, None, 10.517),
    (1000.0, 2.0, None, 3.413),
    (10_000.0, 0.5, None, 49.133),
    (10_000.0, 1.0, None, 15.094),
    (10_000.0, 2.0, None, 4.561),
]


@pytest.mark.parametrize(("length", "shift", "h", "delay"), OPTIMA)
def test_optimal_delays(length: float, shift: float, h: float | None, delay: float) -> None:
    found = tuned_cusum_limit(0.5 * shift, length, two_sided=False)
    assert h is None or found == pytest.approx(h, abs=5e-5)
    assert cusum(0.5 * shift, found, shift) == pytest.approx(delay, abs=1e-3)


# Fixed limits, in control and at shifts 0.5, 1, 2, 3: computed with a reference library (R spc); some also in Lucas
# and Saccucci, Technometrics 32 (1990) 1.
@pytest.mark.parametrize(
    ("weight", "width", "lengths"),
    [
        (0.1, 2.814, (499.58, 31.297, 10.331, 4.362, 2.868)),
        (0.2, 2.962, (499.74, 41.764, 10.542, 3.743, 2.381)),
        (0.05, 2.615, (499.93, 28.764, 11.383, 5.225, 3.496)),
        (0.5, 3.071, (499.91, 88.795, 17.477, 3.628, 1.926)),
    ],
)
def test_two_sided_ewma(weight: float, width: float, lengths: tuple[float, ...]) -> None:
    found = [two_sided_ewma(weight, width, shift) for shift in (0.0, 0.5, 1.0, 2.0, 3.0)]
    assert found == pytest.approx(lengths, rel=2e-4)


def test_an_ewma_of_weight_one_is_a_chart_of_single_values() -> None:
    """Closed form: 1 / P(|x| > 3) = 370.40."""
    assert two_sided_ewma(1.0 - 1e-12, 3.0) == pytest.approx(1.0 / math.erfc(3.0 / math.sqrt(2.0)), rel=1e-9)


def test_a_vanishing_limit_is_a_chart_of_single_values() -> None:
    """Closed form: with h towards 0 a CUSUM signals at the first x > k: 1 / P(x > 1) = 6.3030."""
    assert cusum(1.0, 1e-9) == pytest.approx(2.0 / math.erfc(1.0 / math.sqrt(2.0)), rel=1e-6)


def test_siegmunds_approximation_is_near() -> None:
    """(exp(2 k b) - 2 k b - 1) / (2 k^2), b = h + 1.166 (Siegmund 1985): about 1 % in control, also far out."""
    b = 12.0 + 1.166
    assert cusum(0.5, 12.0) == pytest.approx((math.exp(b) - b - 1.0) / 0.5, rel=0.02)


# --------------------------------------------------------------------------------------------- two at once, one side


def simulated(
    k: tuple[float, float], h: tuple[float, float], shift: float, runs: int, seed: int
) -> tuple[float, float]:
    """Mean run length and its standard error, the plain way."""
    rng = np.random.default_rng(seed)
    s = np.zeros((2, runs))
    length, alive = np.zeros(runs), np.arange(runs)
    while alive.size:
        length[alive] += 1.0
        x = shift + rng.standard_normal(alive.size)
        s = np.maximum(0.0, s + x - np.array(k)[:, None])
        on = (s[0] <= h[0]) & (s[1] <= h[1])
        alive, s = alive[on], s[:, on]
    return float(length.mean()), float(length.std() / math.sqrt(runs))


@pytest.mark.parametrize("shift", [0.0, 0.5, 1.0, 2.0, 3.0])
def test_a_pair_against_simulation(shift: float) -> None:
    mean, se = simulated((0.35, 1.1), (4.0, 1.6), shift, 20_000, seed=11)
    assert pair((0.35, 1.1), (4.0, 1.6), shift) == pytest.approx(mean, abs=3.5 * se)


@pytest.mark.parametrize("k", [(0.35, 1.1), (0.2, 0.5), (0.5, 2.5)])
def test_a_pair_whose_quick_one_cannot_signal_first_is_the_patient_one(k: tuple[float, float]) -> None:
    """Exact: the quick sum never exceeds the patient one."""
    assert pair(k, (5.0, 5.0)) == pytest.approx(cusum(k[0], 5.0), rel=1e-6)
    assert pair(k, (5.0, 7.0), 1.0) == pytest.approx(cusum(k[0], 5.0, 1.0), rel=1e-6)


def test_a_pair_whose_patient_one_hardly_signals_is_the_quick_one() -> None:
    assert pair((0.5, 1.1), (24.0, 3.0)) == pytest.approx(cusum(1.1, 3.0), rel=1e-6)
    assert pair((0.35, 1.1), (24.0, 2.0), 3.0) == pytest.approx(cusum(1.1, 2.0, 3.0), rel=1e-6)


def test_a_pair_signals_no_later_than_either_and_more_often_than_either() -> None:
    both, patient, quick = pair((0.35, 1.1), (7.0, 2.5)), cusum(0.35, 7.0), cusum(1.1, 2.5)
    assert 1.0 / (1.0 / patient + 1.0 / quick) < both < min(patient, quick)


@pytest.mark.parametrize("length", [740.0, 20_000.0])
def test_limits_of_a_pair_have_their_run_length(length: float) -> None:
    h = pair_limits((0.35, 1.1), length, 0.4)
    assert pair((0.35, 1.1), h) == pytest.approx(length, rel=1e-6)
    alone = [cusum(0.35, h[0]), cusum(1.1, h[1])]
    assert alone[0] / (alone[0] + alone[1]) == pytest.approx(0.4, rel=1e-6)


def test_two_sides_of_a_pair_against_simulation() -> None:
    k, h, rng = (0.35, 1.1), (4.0, 1.6), np.random.default_rng(12)
    runs = 8000
    up, down = np.zeros((2, runs)), np.zeros((2, runs))
    length = np.zeros(runs)
    alive = np.arange(runs)
    while alive.size:
        length[alive] += 1.0
        x = 0.2 + rng.standard_normal(alive.size)
        up = np.maximum(0.0, up + x - np.array(k)[:, None])
        down = np.maximum(0.0, down - x - np.array(k)[:, None])
        on = ((up <= np.array(h)[:, None]) & (down <= np.array(h)[:, None])).all(axis=0)
        alive, up, down = alive[on], up[:, on], down[:, on]
    se = length.std() / math.sqrt(runs)
    assert two_sided_pair(k, h, 0.2) == pytest.approx(length.mean(), abs=3.5 * se)


def test_what_makes_no_chart_is_refused() -> None:
    with pytest.raises(ValueError, match="h > 0"):
        cusum(0.5, 0.0)
    with pytest.raises(ValueError, match="start <= h"):
        cusum(0.5, 4.0, start=5.0)
    with pytest.raises(ValueError, match="k1 < k2"):
        pair((1.0, 0.5), (4.0, 4.0))
    with pytest.raises(ArithmeticError, match="no limit"):
        solve_limit(lambda h: 2.0 + 0.1 * math.sin(50.0 * h), 1e6, 1.0)
