"""Aliased dither as a tone: found, followed, taken out of fits."""

from __future__ import annotations

import numpy as np
import pytest
from asleft.judge.noise import FoundTone, Tone, find_tone
from asleft.judge.ramp_fit.descent import Model
from asleft.judge.ramp_fit.learner import Learner
from hypothesis import given, settings
from hypothesis import strategies as st

DT = 0.01
NOISE = 9e-4


class Scale:
    """What a learner asks of a valve's scale."""

    interval_s = DT
    span_a = 0.8


def dwell(hz: float, size_a: float, *, n: int = 250, seed: int = 0) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    t = 1000.0 + np.arange(n) * DT
    return t, 0.6 + size_a * np.sin(2.0 * np.pi * (hz * t + rng.random())) + NOISE * rng.standard_normal(n)


@settings(max_examples=30, deadline=None)
@given(st.floats(3.0, 46.0), st.integers(0, 1000))
def test_frequency_and_noise_are_found(hz: float, seed: int) -> None:
    found = find_tone(*dwell(hz, 2e-3, seed=seed), DT)
    assert found is not None
    assert found.frequency_hz == pytest.approx(hz, abs=6.0 * np.sqrt(found.variance_hz2))
    assert found.left_a == pytest.approx(NOISE, rel=0.25)


def test_its_variance_is_the_cramer_rao_bound() -> None:
    """12 s^2 / (A^2 / 2 (2 pi)^2 n^3 dt^2) for white noise (Kay 1993, from memory), met by the estimate."""
    off, stated = [], []
    for seed in range(150):
        found = find_tone(*dwell(17.3, 2e-3, seed=seed), DT)
        assert found is not None
        off.append(found.frequency_hz - 17.3)
        stated.append(found.variance_hz2)
    bound = 12.0 * NOISE**2 / (0.5 * 2e-3**2 * (2.0 * np.pi) ** 2 * 250**3 * DT**2)
    assert np.median(stated) == pytest.approx(bound, rel=0.15)
    assert np.var(off) == pytest.approx(bound, rel=0.35)


def test_noise_is_no_tone() -> None:
    assert not any(find_tone(*dwell(20.0, 0.0, seed=seed), DT) for seed in range(400))


def test_too_short_or_uneven_tells_nothing() -> None:
    t, values = dwell(20.0, 5e-3)
    assert find_tone(t[:40], values[:40], DT) is None
    assert find_tone(t + 0.002 * np.random.default_rng(1).random(t.size), values, DT) is None


def test_a_tone_is_followed_given_up_and_replaced() -> None:
    tone = Tone()
    assert not tone.known()
    for hz in (20.0, 20.01, 19.99):
        tone = tone.followed(FoundTone(hz, 1e-4, NOISE, 100.0, NOISE))
    assert tone.known()
    assert tone.frequency_hz == pytest.approx(20.0, abs=0.01)
    elsewhere = tone.followed(FoundTone(12.0, 1e-4, NOISE, 100.0, NOISE))
    assert elsewhere.frequency_hz == 12.0
    for _ in range(40):
        tone = tone.followed(None)
    assert not tone.known()
    assert tone.columns(np.arange(5.0), np.ones(5)).shape == (5, 0)


def test_a_tone_of_any_size_changes_nothing_of_a_fit() -> None:
    """Projected out exactly: adding a cos + b sin to the current moves neither squares nor slopes."""
    rng = np.random.default_rng(3)
    t = np.arange(120) * DT
    current = np.interp(t, [0.3, 0.7], [0.3, 0.6]) + NOISE * rng.standard_normal(t.size)
    weight = np.ones(t.size)
    weight[-1] = 10.0
    beside = Tone(17.0, 1e6).columns(t, weight)
    theta = np.array([1.0, 1.0, 0.02, 0.0, 0.5])
    path = ([0.0, 0.299, 0.3, 1.19], [0.1, 0.1, 0.5, 0.5])
    plain = Model(*path, t, current, weight, beside).tangent_at(theta)
    moved = Model(*path, t, current + beside @ np.array([0.02, -0.05]), weight, beside).tangent_at(theta)
    assert moved.point.squares == pytest.approx(plain.point.squares, rel=1e-9)
    assert moved.information == pytest.approx(plain.information, rel=1e-7, abs=1e-12)
    assert moved.slope == pytest.approx(plain.slope, rel=1e-7, abs=1e-12)
    without = Model(*path, t, current, weight).tangent_at(theta)
    assert plain.point.squares < without.point.squares  # two more unknowns explain more


@pytest.mark.parametrize("known_hz", [None, 20.0])
def test_a_reading_that_does_not_move_has_no_tone(known_hz) -> None:
    t, _ = dwell(20.0, 0.0)
    assert find_tone(t, np.full(t.size, 0.37), DT, known_hz) is None
    assert find_tone(t, np.zeros(t.size), DT, known_hz) is None


def test_a_known_tone_is_followed_as_if_it_had_been_searched_for() -> None:
    t, current = dwell(20.0, 2e-3)
    searched, followed = find_tone(t, current, DT), find_tone(t, current, DT, 20.02)
    assert searched is not None
    assert followed is not None
    assert followed.frequency_hz == pytest.approx(searched.frequency_hz, abs=0.2 * searched.variance_hz2**0.5)
    elsewhere = find_tone(*dwell(31.0, 2e-3), DT, 20.0)
    assert elsewhere is not None
    assert elsewhere.frequency_hz == pytest.approx(31.0, abs=0.1)


def test_a_learner_that_hears_no_tone_for_long_says_so_until_it_hears_one() -> None:
    scale = Scale()
    learner = Learner(1.0, 1.0)
    quiet, loud = dwell(12.0, 1e-4), dwell(12.0, 8e-3)
    for _ in range(8):
        assert not learner.hears_no_tone()
        learner.update_tone(*quiet, scale, 0.8)
    assert learner.hears_no_tone()
    uneven_s = quiet[0] + 0.004 * (np.arange(quiet[0].size) % 2)
    learner.update_tone(uneven_s, quiet[1], scale, 0.8)
    assert learner.hears_no_tone(), "what would not show a tone tells nothing"
    learner.update_tone(*loud, scale, 0.8)
    assert not learner.hears_no_tone()
