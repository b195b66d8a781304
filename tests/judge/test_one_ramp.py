"""Ramps that are no straight ones, and ramps that come and go."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from asleft.judge.judge import judge_log
from asleft.judge.types import Samples, Verdict
from lanes import by_id, causes
from synth import sheet

LEFT = {"current_at_zero": 0.2, "current_at_full": 1.0, "ramp_up": 1.0, "ramp_down": 1.0}
STEP_S = 1e-3


def two_slopes(r: float, off: float, _at_s: float) -> float:
    """Half as fast again below half of the range, and six tenths as fast above."""
    return float(np.clip(off / STEP_S, -1.0, 1.0)) * (1.5 if r < 0.5 else 0.6)


def first_order(_r: float, off: float, _at_s: float) -> float:
    return off / 0.33


def now_and_then(_r: float, off: float, at_s: float) -> float:
    """Upwards twice as slow in one minute of three."""
    return float(np.clip(off / STEP_S, -1.0, 0.5 if at_s % 180.0 > 120.0 else 1.0))


def slower_from_half_time(_r: float, off: float, at_s: float) -> float:
    return float(np.clip(off / STEP_S, -1.0, 0.5 if at_s > 300.0 else 1.0))


def log(rate: Callable[[float, float, float], float], seed: int, noise_u: float = 3e-4) -> Samples:
    """Ten minutes whose demand goes towards the command at `rate` (demand now, what is missing, time), 1/s."""
    rng = np.random.default_rng(seed)
    levels = np.tile([0.0, 0.45, 0.9, 0.3], 100)
    demand = np.repeat(levels, (1000 * rng.uniform(2.0, 3.0, levels.size)).astype(int))[:600_000]
    out, r, y = np.empty_like(demand), 0.0, 0.0
    for k, u in enumerate(demand.tolist()):
        step = rate(r, u - r, k * STEP_S) * STEP_S
        r = u if abs(u - r) <= abs(step) else r + step
        y += (r - y) * 0.05
        out[k] = y
    at = slice(0, None, 20)
    n = demand[at].size
    command = 4.0 + 16.0 * (demand[at] + noise_u * rng.standard_normal(n))
    return Samples(1000.0 + np.arange(n) / 50.0, {"command": command, "current": 0.2 + 0.8 * out[at]
                   + 5e-4 * rng.standard_normal(n)})  # fmt: skip


@pytest.mark.parametrize("rate", [two_slopes, first_order])
def test_a_ramp_that_is_no_straight_one_gets_no_number(rate: Callable[[float, float, float], float]) -> None:
    judgement = judge_log(sheet(as_left=LEFT), log(rate, 1))
    for name in ("ramp_up", "ramp_down"):
        assert by_id(judgement)[name].as_found is None
        assert "no straight ramp" in by_id(judgement)[name].reason
    assert not causes(judgement) & {"ramp-up-changed", "ramp-down-changed"}


@pytest.mark.parametrize("noise_u", [0.0, 3e-4])
@pytest.mark.parametrize("seed", [1, 2])
def test_a_ramp_twice_as_slow_in_one_minute_of_three_is_found(seed: int, noise_u: float) -> None:
    judgement = judge_log(sheet(as_left=LEFT), log(now_and_then, seed, noise_u))
    found = by_id(judgement)
    assert found["ramp_up"].verdict is Verdict.OUT
    assert found["ramp_up"].as_found == pytest.approx(2.0, rel=0.02)
    assert "strokes" in found["ramp_up"].reason
    assert found["ramp_down"].verdict is Verdict.IN
    assert causes(judgement) == {"ramp-up-changed"}


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_ramp_that_steps_within_the_log_is_a_straight_one(seed: int) -> None:
    judgement = judge_log(sheet(as_left=LEFT), log(slower_from_half_time, seed))
    assert by_id(judgement)["ramp_up"].as_found == pytest.approx(2.0, rel=0.02)
    assert causes(judgement) == {"ramp-up-changed"}


def straight(_r: float, off: float, _at_s: float) -> float:
    return float(np.clip(off / STEP_S, -1.0, 1.0))


@pytest.mark.parametrize("reach_s", [0.02, 0.1])
def test_a_straight_ramp_read_at_random_instants_is_a_straight_ramp(reach_s: float) -> None:
    """Each reading of the current is late by another time, up to twice `reach_s`."""
    even = log(straight, 2)
    rng = np.random.default_rng(3)
    late = even.time_s - reach_s * rng.uniform(0.0, 2.0, even.time_s.size)
    clean = np.interp(late, even.time_s, even.channels["current"]) + 5e-4 * rng.standard_normal(late.size)
    judgement = judge_log(sheet(as_left=LEFT), Samples(even.time_s, {**even.channels, "current": clean}))
    for name in ("ramp_up", "ramp_down"):
        found = by_id(judgement)[name]
        assert found.as_found == pytest.approx(1.0, abs=0.03)
        assert found.uncertainty is not None
        assert found.uncertainty < 0.06
        assert abs(found.as_found - 1.0) < 2.0 * found.uncertainty
