"""Ramps that are no straight ones, and ramps that come and go."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from asleft.judge.driver.answer import at_times, not_straight
from asleft.judge.estimates.ramps import _surely_out
from asleft.judge.features import Stroke
from asleft.judge.judge import judge_log
from asleft.judge.types import Samples, Verdict
from lanes import by_id, causes
from synth import sheet

LEFT = {"current_at_zero": 0.2, "current_at_full": 1.0, "ramp_up": 1.0, "ramp_down": 1.0}
STEP_S = 1e-3


def two_slopes(r: float, off: float, _at_s: float) -> float:
    """Half as fast again below half of the range, and six tenths as fast above."""
    return float(np.clip(off / STEP_S, -1.0, 1.0)) * (1.5 if r < 0.5 else 0.6)


@pytest.mark.parametrize("two_slopes_s", [(0.8, 1.6), (1.6, 0.8)])
def test_five_strokes_of_two_places_tell_that_a_ramp_is_no_straight_one(two_slopes_s: tuple[float, float]) -> None:
    """Three below the bend and two across it; short ones that hardly know their ramp tell nothing."""
    strokes = [stroke(10.0 * k, (0.1, 0.5)[k % 2], two_slopes_s[k % 2], 1.0) for k in range(5)]
    combined: Any = SimpleNamespace(theta=np.array([1.0, 1.0, 0.03, 0.0, 0.5]), covariance=np.eye(5))
    assert "no straight ramp" in not_straight(strokes, strokes, combined, 0)
    stepped = sorted((s._replace(from_s=s.from_s + 100.0 * (s.from_demand > 0.3)) for s in strokes), key=_begins)
    assert not_straight(stepped, stepped, combined, 0) == ""  # a ramp that was turned when other strokes began
    unsure = [s._replace(h00=1.0) for s in strokes]
    assert not_straight(unsure, unsure, combined, 0) == ""


def _begins(stroke: Stroke) -> float:
    return stroke.from_s


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


def half_of_the_time(_r: float, off: float, at_s: float) -> float:
    """Upwards 15 % slower in two minutes of three."""
    return float(np.clip(off / STEP_S, -1.0, 1.0 / 1.15 if at_s % 180.0 > 60.0 else 1.0))


def test_a_ramp_that_is_away_for_most_of_the_time_is_no_mixture() -> None:
    found = by_id(judge_log(sheet(as_left=LEFT), log(half_of_the_time, 1)))
    assert found["ramp_up"].verdict is Verdict.OUT
    assert found["ramp_up"].as_found == pytest.approx(1.15, rel=0.02)
    assert found["ramp_down"].verdict is Verdict.IN


@pytest.mark.parametrize(
    ("late_s", "highest", "shows_s", "told"),
    [(0.01, 0.9, 0.0, True), (0.2, 0.9, 0.0, False), (0.01, 0.6, 0.0, False), (0.01, 0.9, 0.1, False)],
)
def test_strokes_that_come_late_or_leave_out_or_hide_the_ramp_are_no_ramp_that_is_surely_out(
    late_s: float, highest: float, shows_s: float, told: bool
) -> None:
    """A first-order lag in a limiter's place is fitted as a delay and hardly any ramp.

    Where a ramp of two slopes is steep, all strokes are fast, and the rest of its time is taken where none are.
    """
    strokes: list[Any] = [
        SimpleNamespace(
            own_up_s=0.03 + 0.001 * k, own_down_s=0.03, from_demand=a, to_demand=b, chi2=1.0,
            from_s=10.0 * k, to_s=10.0 * k + 2.0, low_demand=a, high_demand=b,
            identifiable_up_s=shows_s, identifiable_down_s=shows_s,
        )
        for k, (a, b) in enumerate([(0.0, 0.3), (0.3, highest)] * 4)
    ]  # fmt: skip
    combined: Any = SimpleNamespace(theta=np.array([0.03, 0.03, 0.005, late_s, 0.0]))
    assert (_surely_out(sheet(as_left=LEFT), "ramp_up", 0, strokes, strokes, combined) is not None) is told


def creeping(_r: float, off: float, at_s: float) -> float:
    """Upwards slower and slower in the second half, up to a quarter more."""
    return float(np.clip(off / STEP_S, -1.0, 1.0 / (1.0 + 0.25 * max(at_s - 300.0, 0.0) / 300.0)))


def test_a_ramp_that_creeps_is_told_where_it_is_now() -> None:
    judgement = judge_log(sheet(as_left=LEFT), log(creeping, 4))
    up = by_id(judgement)["ramp_up"]
    assert up.verdict is Verdict.OUT
    assert up.as_found == pytest.approx(1.25, abs=0.04)
    assert by_id(judgement)["ramp_down"].verdict is Verdict.IN


def test_strokes_that_a_bent_law_leaves_badly_explained_show_a_ramp_at_times() -> None:
    """Each is held against those of its own place, and two are enough where they are far off."""
    usual = [stroke(10.0 * k, place, 1.0, 12.0) for k in range(8) for place in (0.1, 0.5)]
    slow = [stroke(200.0 + 10.0 * k, place, 2.0, 9.0) for k in range(2) for place in (0.1, 0.5)]
    assert at_times([*usual, *slow], 0, 1.0, 0.1) == slow
    assert at_times([*usual, *slow[:2]], 0, 1.0, 0.1) == slow[:2]
    assert at_times([*usual, slow[0]], 0, 1.0, 0.1) == []
    badly = [s._replace(chi2=60.0) for s in slow]
    assert at_times([*usual, *badly], 0, 1.0, 0.1) == []


def stroke(from_s: float, from_demand: float, up_s: float, chi2: float) -> Stroke:
    """A stroke up by 0.4 that tells its ramp to a hundredth of a second."""
    fields = dict.fromkeys(Stroke._fields, 0.0)
    place = {"from_s": from_s, "to_s": from_s + 2.0, "from_demand": from_demand, "to_demand": from_demand + 0.4}
    place |= {"low_demand": from_demand, "high_demand": from_demand + 0.4}
    return Stroke(**{**fields, **place, "own_up_s": up_s, "chi2": chi2, "h00": 1e4, "active_up_s": 0.5})


def test_a_slow_stroke_that_turns_before_it_has_arrived_is_of_the_place_of_its_like() -> None:
    """The command falls again to 0.3 while it still rises, in the slow strokes only; other places have none."""
    usual = [stroke(5.0 * k, (0.1, 0.5)[k % 2], 1.0, 1.0) for k in range(24)]
    slow = [s._replace(from_s=s.from_s + 1.0, to_demand=0.3, own_up_s=2.0) for s in usual[6:18:2]]
    both = sorted([*usual, *slow], key=_begins)
    combined: Any = SimpleNamespace(theta=np.array([1.0, 1.0, 0.03, 0.0, 0.5]), covariance=np.eye(5))
    assert not_straight(both, both, combined, 0) == ""
    assert at_times(both, 0, 1.0, 0.1) == slow


def once_for_a_minute(_r: float, off: float, at_s: float) -> float:
    """Upwards half as fast for a few strokes of a hundred."""
    return float(np.clip(off / STEP_S, -1.0, 0.5 if 300.0 < at_s < 312.0 else 1.0))


def test_two_strokes_of_many_that_take_twice_their_time_are_no_chance() -> None:
    judgement = judge_log(sheet(as_left=LEFT), log(once_for_a_minute, 5))
    assert "ramp-up-changed" in causes(judgement)
    assert by_id(judgement)["ramp_up"].as_found == pytest.approx(2.0, rel=0.03)


@pytest.mark.parametrize(
    ("own_s", "known_s", "from_demand", "told"),
    [(2.0, 0.003, 0.0, True), (1.25, 0.003, 0.0, False), (2.0, 0.02, 0.0, False), (2.0, 0.003, 0.5, False)],
)
def test_one_stroke_is_enough_where_it_is_far_off_known_well_and_beside_its_like(
    own_s: float, known_s: float, from_demand: float, told: bool
) -> None:
    """A machine that is idle for most of the time makes four strokes; one of them took twice its time."""
    usual = [stroke(100.0 * k, 0.0, 1.0 + 0.001 * k, 1.0)._replace(h00=0.003**-2) for k in range(3)]
    odd = stroke(300.0, from_demand, own_s, 1.0)._replace(h00=known_s**-2)
    assert at_times([*usual, odd], 0, 1.0, 0.1) == ([odd] if told else [])
