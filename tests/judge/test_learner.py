from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import pytest
from asleft.judge.intake.intake import Scale
from asleft.judge.ramp_fit.learner import Learner
from asleft.judge.ramp_fit.loop_trial import LoopTrial
from asleft.judge.ramp_fit.response import MIN_RAMP_S
from asleft.judge.segments.segments import Carry, cut
from synth import columns, drive, recording

SCALE = Scale(0.01, 3e-4, 0.006, 0.8, has_current=True)


def taught(learner: Learner, **how: object) -> Learner:
    samples = recording([0.0, 0.5, 1.0, 0.4] * 8 + [0.0], hold_s=2.5, **how)  # type: ignore[arg-type]
    data = columns((samples.channels["command"] - 4.0) / 16.0, current=samples.channels["current"])
    cut(data, Carry(), SCALE, learner, flush=True)
    return learner


def test_begins_at_the_sheet_and_without_a_ramp_at_almost_none() -> None:
    assert (Learner(1.2, 2.0).up_s, Learner(1.2, 2.0).down_s) == (1.2, 2.0)
    assert Learner(0.0, 0.0).up_s == MIN_RAMP_S


def test_follows_ramps_that_are_not_as_left() -> None:
    learner = taught(Learner(1.0, 1.0), up_s=0.5, down_s=1.6)
    assert learner.up_s == pytest.approx(0.5, rel=0.02)
    assert learner.down_s == pytest.approx(1.6, rel=0.02)
    assert (learner.left_up_s, learner.left_down_s) == (1.0, 1.0)
    assert learner.slowest_s() == (1.0, pytest.approx(1.6, rel=0.02))


def test_finds_a_ramp_where_the_sheet_has_none() -> None:
    learner = taught(Learner(0.0, 0.0), up_s=1.5, down_s=0.7)
    assert learner.up_s == pytest.approx(1.5, rel=0.03)
    assert learner.down_s == pytest.approx(0.7, rel=0.03)


def test_learns_the_lag_and_becomes_surer_of_it() -> None:
    fresh = Learner(1.0, 1.0)
    learner = taught(Learner(1.0, 1.0), lags_s=(0.045,))
    assert learner.lag_s == pytest.approx(0.045, abs=0.006)
    assert learner.lag_var < fresh.lag_var / 50
    assert learner.prior(0.01).lag_var > learner.lag_var  # it may drift however well it was once known


def test_tells_two_lags_from_one() -> None:
    one = taught(Learner(0.3, 0.3), up_s=0.3, down_s=0.3, lags_s=(0.04,), noise_a=1e-4)
    two = taught(Learner(0.3, 0.3), up_s=0.3, down_s=0.3, lags_s=(0.02, 0.02), noise_a=1e-4)
    assert one.shape < 0.35
    assert two.shape > 0.7


def behind_a_loop(damping: float, frequency_hz: float, noise_a: float, seed: int) -> Learner:
    """What is learnt where the current follows ramps of 1 s by a second-order loop, made step by step."""
    rng = np.random.default_rng(seed)
    levels, fine_s, w = [0.0, 0.5, 1.0, 0.4] * 8 + [0.0], 1e-3, 2.0 * np.pi * frequency_hz
    asked = np.repeat(levels, round(2.5 / fine_s)).tolist()
    limited, value, rate, response = asked[0], asked[0], 0.0, []
    for goal in asked:
        limited += min(max(goal - limited, -fine_s), fine_s)
        rate += fine_s * w * (w * (limited - value) - 2.0 * damping * rate)
        value += fine_s * rate
        response.append(value)
    demand = np.array(asked)[::10] + 3e-4 * rng.standard_normal(len(asked) // 10)
    current = 0.2 + 0.8 * np.array(response)[::10] + noise_a * rng.standard_normal(demand.size)
    learner = Learner(1.0, 1.0)
    cut(columns(demand, current=current), Carry(), SCALE, learner, flush=True)
    return learner


@pytest.mark.parametrize(("damping", "frequency_hz"), [(0.45, 5.0), (0.6, 6.0), (0.7, 5.0)])
def test_a_loop_that_overshoots_is_found_and_not_taken_for_a_delay(damping: float, frequency_hz: float) -> None:
    learner = behind_a_loop(damping, frequency_hz, 6e-4, seed=1)
    assert learner.shape == pytest.approx(damping**-2, rel=0.25)
    assert learner.lag_s == pytest.approx(2.0 * damping / (2.0 * np.pi * frequency_hz), rel=0.1)
    assert learner.up_s == pytest.approx(1.0, rel=3e-3)
    assert learner.down_s == pytest.approx(1.0, rel=3e-3)


@pytest.mark.parametrize("lags_s", [(0.03,), (0.02, 0.02), (0.005,)])
def test_lags_and_delays_are_no_loop(lags_s: tuple[float, ...]) -> None:
    for seed in range(4):
        learner = taught(Learner(0.5, 0.5), up_s=0.5, down_s=0.5, lags_s=lags_s, noise_a=4e-4, seed=seed)
        assert not LoopTrial.from_row(learner.loop).believed
        assert learner.shape < 1.1


def test_a_trial_is_plain_numbers_both_ways() -> None:
    row = behind_a_loop(0.6, 6.0, 6e-4, seed=2).loop
    assert LoopTrial.from_row(row).row() == row


def test_a_stroke_set_aside_teaches_nothing_about_the_lag() -> None:
    samples = recording([0.0, 0.6, 0.0], hold_s=3.0)
    data = columns((samples.channels["command"] - 4.0) / 16.0, current=samples.channels["current"])
    learner = Learner(1.0, 1.0)
    result = cut(data, Carry(), SCALE, learner, flush=True)
    before = dataclasses.replace(learner)
    learner.learn(result.strokes[0]._replace(excluded=1.0))
    assert (learner.lag_s, learner.information) == (before.lag_s, before.information)
    learner.learn(result.strokes[0]._replace(excluded=0.0))
    assert learner.information != before.information


def test_the_noise_follows_the_dwells() -> None:
    learner = Learner(1.0, 1.0, noise_a=1e-2)
    for _ in range(60):
        learner.update_noise(2e-3, 0.8)
    assert learner.noise_a == pytest.approx(2e-3, rel=0.05)
    for _ in range(300):
        learner.update_noise(0.0, 0.8)
    assert learner.noise_a == pytest.approx(1e-4 * 0.8)


def test_the_converter_step_is_the_smallest_seen_and_none_that_cannot_be_one() -> None:
    learner = Learner(1.0, 1.0)
    for step_a in (0.0, float("inf"), 0.2, 2e-3, 5e-4, 1e-3):
        learner.see_step(step_a, 0.8)
    assert learner.resolution_a == 5e-4


def test_is_plain_values_throughout() -> None:
    learner = taught(Learner(1.0, 1.0))
    again = Learner(**dataclasses.asdict(learner))
    assert again == learner
    assert all(isinstance(x, float) for x in [*again.information, *again.target])
    assert np.isfinite([*again.information, *again.target]).all()


@pytest.mark.parametrize("seed", range(4))
def test_a_command_that_no_ramp_held_back_teaches_no_ramp(seed: int) -> None:
    """On S-curves slower than the driver only noise asks for a ramp, and it may ask for one of any length."""
    rng = np.random.default_rng(seed)
    levels = [0.0, *[1.0, 0.9, 0.25, 0.15, 0.0] * 4]
    ways = [
        a + (b - a) * (1 - np.cos(np.linspace(0.0, np.pi, round(1000 * abs(b - a))))) / 2
        for a, b in itertools.pairwise(levels)
    ]
    demand = np.concatenate([np.concatenate((way, np.full(600, way[-1]))) for way in ways])
    noise_a = 8e-3 * rng.standard_normal(demand.size)
    read = demand + 2e-3 * rng.standard_normal(demand.size)
    learner = Learner(4.6, 3.4)
    cut(columns(read, current=0.3 + 1.1 * demand + noise_a), Carry(), SCALE, learner, flush=True)
    assert learner.slowest_s() == (4.6, 3.4)


@pytest.mark.parametrize(("chi2", "learnt"), [(4000.0, False), (1.0, True)])
def test_a_stroke_that_no_ramp_explains_teaches_none_longer_than_itself(chi2: float, learnt: bool) -> None:
    """As where a driver that is off below its threshold lets the current jump on the way: what fits best is none."""
    learner = Learner(4.0, 4.0)
    demand = np.repeat([0.0, 0.56], 600)
    current = 0.57 + 1.85 * drive(np.repeat(demand, 10), up_s=4.0, down_s=4.0)[::10]
    (rise,) = cut(columns(demand, current=current), Carry(), SCALE, Learner(4.0, 4.0), flush=True).strokes
    far = rise._replace(own_up_s=1035.0, t0=1035.0, chi2=chi2, excluded=0.0)
    for _ in range(3):
        learner.learn(far)
    assert (learner.slowest_s()[0] > 100.0) is learnt
    learner.learn(far._replace(own_up_s=5.0, t0=5.0))
    assert learner.up_s != 4.0
