from __future__ import annotations

import numpy as np
import pytest
from asleft.judge.intake.rhythm import LevelsCarry, levels
from asleft.judge.intake.states import StateCarry
from hypothesis import given, settings
from hypothesis import strategies as st
from stored import stored


def steps(values, hold_s=1.0, rate_hz=100.0, noise=3e-4, seed=1) -> tuple[np.ndarray, np.ndarray]:
    demand = np.repeat(np.asarray(values, dtype=float), round(hold_s * rate_hz))
    rng = np.random.default_rng(seed)
    return 1000.0 + np.arange(demand.size) / rate_hz, demand + noise * rng.standard_normal(demand.size)


@pytest.mark.parametrize("rate_hz", [10.0, 50.0, 100.0, 200.0])
def test_each_level_is_told_once_and_within_four_tenths_of_a_second(rate_hz) -> None:
    found, _ = levels(*steps([0.0, 0.35, 0.7, 1.0, 0.4], rate_hz=rate_hz), LevelsCarry())
    assert [u for _, u in found] == pytest.approx([0.0, 0.35, 0.7, 1.0, 0.4], abs=2e-3)
    assert all(0.25 <= at - (1000.0 + k) <= 0.42 for k, (at, _) in enumerate(found))


def test_a_ramp_is_no_level_and_its_ends_are() -> None:
    time_s = 1000.0 + np.arange(400) / 100.0
    found, _ = levels(time_s, np.clip((time_s - 1001.0) / 2.0, 0.0, 1.0), LevelsCarry())
    assert [u for _, u in found] == pytest.approx([0.0, 1.0], abs=0.01)


def test_a_short_rest_and_a_command_that_never_rests_are_none() -> None:
    time_s, demand = steps([0.0, 0.5, 0.0], hold_s=0.2)
    assert [u for _, u in levels(time_s, demand, LevelsCarry())[0]] == []
    wave = 0.5 + 0.3 * np.sin(np.arange(2000) / 30.0)
    assert len(levels(1000.0 + np.arange(2000) / 100.0, wave, LevelsCarry())[0]) <= 0.02 * 2000


def test_failed_readings_and_no_samples_are_nothing() -> None:
    carry = LevelsCarry(open_s=(1000.0,), open_demand=(0.3,))
    assert levels(np.array([1000.1, 1000.2]), np.array([np.nan, np.nan]), carry) == ((), carry)
    assert levels(np.zeros(0), np.zeros(0), carry) == ((), carry)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(1, 90), min_size=2, max_size=30), st.integers(0, 10_000))
def test_cuts_and_text_change_nothing(sizes, seed) -> None:
    rng = np.random.default_rng(seed)
    n = sum(sizes)
    time_s = 1.764e9 + np.cumsum(rng.uniform(0.003, 0.04, n)) + 20.0 * np.cumsum(rng.random(n) < 0.004)
    demand = np.repeat(rng.uniform(0, 1, n // 40 + 1), 40)[:n] + 1e-3 * rng.standard_normal(n)
    demand[rng.random(n) < 0.02] = np.nan
    whole, end = levels(time_s, demand, LevelsCarry())
    carry, at, found = LevelsCarry(), 0, []
    for size in sizes:
        carry = stored("states", StateCarry(levels=carry)).levels
        more, carry = levels(time_s[at : at + size], demand[at : at + size], carry)
        found += more
        at += size
    assert found == list(whole)
    assert carry == end
