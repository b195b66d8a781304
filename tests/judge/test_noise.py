from __future__ import annotations

import itertools

import numpy as np
import pytest
from asleft.judge.drift import REFERENCE_HOURS, Noise
from asleft.judge.state import copied
from hypothesis import given, settings
from hypothesis import strategies as st

G = 12.0


def learnt(hours: np.ndarray, points: int = 6) -> Noise:
    noise = Noise()
    for mean in hours:
        noise.hour(float(mean), points)
    return noise


def rate_factor(sigma: float, true: float) -> float:
    """False-alarm rate over the budget's, by the exponent of a chart with that sigma."""
    return float(np.exp(-G * ((sigma / true) ** 2 - 1.0)))


def test_white_noise_has_its_own_scatter_and_little_more() -> None:
    rng = np.random.default_rng(1)
    found = [float(learnt(rng.normal(0.0, 2.0, 241)).sigma(6, 9.9, G)) for _ in range(40)]
    assert np.median(found) == pytest.approx(2.0, rel=0.1)


def test_the_expected_false_alarm_rate_is_the_budget_not_the_typical_one() -> None:
    """E exp(-G (s^2 / sigma^2 - 1)) near 1 over many learnt scatters; without the correction it is several."""
    rng = np.random.default_rng(2)
    noise = Noise()
    for row in rng.normal(0.0, 1.0, (241, 20_000)):
        noise.hour(row, 6)
    corrected = np.exp(-G * (np.asarray(noise.sigma(6, 1.0, G)) ** 2 - 1.0)).mean()
    plain = np.exp(-G * (np.asarray(noise.hours) / noise.hours_n - 1.0)).mean()
    assert 0.5 < corrected < 1.2
    assert plain > 1.6


def test_few_hours_make_a_careful_chart() -> None:
    rng = np.random.default_rng(3)
    hours = rng.normal(0.0, 1.0, 200)
    found = [float(learnt(hours[:n]).sigma(6, 1.0, G)) for n in (3, 10, 50, 200)]
    assert found[0] > found[1] > found[2] > found[3]


def test_without_any_difference_the_estimates_own_word_counts_with_a_wide_margin() -> None:
    assert Noise().sigma(6, 0.2, G) > 5 * 0.2
    assert learnt(np.array([1.0])).sigma(6, 0.2, G) > 5 * 0.2


def test_it_is_fixed_after_the_reference() -> None:
    rng = np.random.default_rng(4)
    noise = learnt(rng.normal(0.0, 1.0, REFERENCE_HOURS + 1))
    before = float(noise.sigma(6, 1.0, G))
    for value in rng.normal(0.0, 50.0, 100):
        noise.hour(float(value), 6)
        noise.point(float(value), 0.0)
    assert float(noise.sigma(6, 1.0, G)) == before


@pytest.mark.parametrize("fault", ["step", "drift", "spike"])
def test_a_fault_while_it_learns_hardly_moves_it(fault: str) -> None:
    rng = np.random.default_rng(5)
    hours = rng.normal(0.0, 1.0, 241)
    healthy = float(learnt(hours).sigma(6, 1.0, G))
    extra = {
        "step": 30.0 * (np.arange(241) > 100),
        "drift": 0.01 * np.arange(241),
        "spike": np.eye(1, 241, 90)[0] * 99,
    }
    assert float(learnt(hours + extra[fault]).sigma(6, 1.0, G)) == pytest.approx(healthy, rel=0.2)


def test_a_slow_swing_counts_with_its_long_run_scatter() -> None:
    """A first-order process of correlation 0.6 and variance 1: its long-run variance is 4."""
    rng = np.random.default_rng(6)
    found = []
    for _ in range(30):
        x = [0.0]
        for e in rng.normal(0.0, np.sqrt(1 - 0.36), 300):
            x.append(0.6 * x[-1] + e)
        found.append(float(learnt(np.array(x[60:])).sigma(6, 1.0, G)))
    assert np.median(found) == pytest.approx(2.0, rel=0.2)
    plain = np.sqrt(1 - 0.6)  # what differences of hours alone would say
    assert min(found) > 1.5 * plain


def test_the_course_of_a_day_never_adds_up_to_a_signal() -> None:
    """A swing that is back after 16 hours, with hardly any noise: its sum over half a day stays far below a limit."""
    swing = np.sin(2.0 * np.pi * np.arange(400) / 16.0)
    sigma = float(learnt(swing + np.random.default_rng(9).normal(0.0, 0.01, 400)).sigma(6, 1.0, G))
    assert swing[:8].sum() / sigma < 4.0


def test_short_hours_scatter_more() -> None:
    rng = np.random.default_rng(7)
    noise = Noise()
    for _ in range(200):
        points = rng.normal(0.0, 1.0, 6)
        for before, value in itertools.pairwise(points):
            noise.point(float(value), float(before))
        noise.hour(float(points.mean()), 6)
    six, one = float(noise.sigma(6, 1.0, G)), float(noise.sigma(1, 1.0, G))
    assert six == pytest.approx(1 / np.sqrt(6), rel=0.15)
    assert one == pytest.approx(1.0, rel=0.1)


def test_one_odd_point_does_not_carry_its_hour_away() -> None:
    rng = np.random.default_rng(10)
    noise = Noise()
    for before, value in itertools.pairwise(rng.normal(0.0, 1.0, 200)):
        noise.point(float(value), float(before))
    hour = rng.normal(0.0, 1.0, 6)
    assert noise.mean_of(hour.tolist()) == pytest.approx(hour.mean(), abs=0.05)
    hour[3] = 40.0
    assert noise.mean_of(hour.tolist()) == pytest.approx(np.delete(hour, 3).mean(), abs=0.8)
    assert noise.mean_of([0.0, 40.0]) == 20.0  # of two nobody knows which is odd
    assert Noise().mean_of(hour.tolist()) == pytest.approx(hour.mean())  # nor before the scatter is known


def test_single_points_as_hours_are_what_they_are() -> None:
    rng = np.random.default_rng(8)
    assert float(learnt(rng.normal(0.0, 1.0, 200), 1).sigma(1, 1.0, G)) == pytest.approx(1.0, rel=0.2)


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 1000), st.integers(5, 60))
def test_many_at_once_are_each_by_itself(seed: int, n: int) -> None:
    rows = np.random.default_rng(seed).normal(0.0, 1.0, (n, 3))
    together = Noise()
    for row in rows:
        together.hour(row, 6)
    apart = [float(learnt(rows[:, k]).sigma(6, 1.0, G)) for k in range(3)]
    assert np.asarray(together.sigma(6, 1.0, G)) == pytest.approx(apart, rel=1e-12)


def test_a_copy_goes_its_own_way() -> None:
    noise = learnt(np.arange(5.0))
    other = copied(noise)
    other.hour(99.0, 6)
    assert (noise.hours_n, other.hours_n) == (4, 5)
    assert noise.recent != other.recent
