"""The scale of a valve: told from its first samples, and again as data come."""

from __future__ import annotations

import numpy as np
import pytest
from asleft.judge.intake.intake import Scale, columns_of, first_scale
from asleft.judge.judge import judge_log
from asleft.judge.types import Samples, Verdict
from lanes import by_id, run
from synth import MA, recording, sheet


def followed(demand: np.ndarray, rate_hz: float, sizes: int) -> Scale:
    """The scale after all samples, `sizes` of them at a time."""
    columns = columns_of(Samples(600.0 + np.arange(demand.size) / rate_hz, {"command": 4.0 + 16.0 * demand}), MA)
    scale = first_scale(columns[:, :300], 0.8, has_current=False, outer=False)
    for a in range(300, columns.shape[1], sizes):
        rest = columns[:, a : a + sizes]
        while rest.shape[1]:
            scale, count = scale.seen(rest)
            rest = rest[:, count:]
    return scale


def noisy_start() -> np.ndarray:
    """Three seconds of a hand at a potentiometer, then ten minutes of quiet steps."""
    rng = np.random.default_rng(1)
    return np.concatenate((0.05 * rng.standard_normal(400), np.tile(np.repeat([0.0, 0.5, 0.9], 200), 100)))


def test_what_the_first_samples_said_does_not_stand_for_ever() -> None:
    first = first_scale(
        columns_of(Samples(np.arange(300) / 100.0, {"command": 4.0 + 16.0 * noisy_start()[:300]}), MA),
        0.8, has_current=False, outer=False,
    )  # fmt: skip
    assert first.move > 0.3
    assert followed(noisy_start(), 100.0, 5000).move == pytest.approx(0.006)


def test_it_does_not_depend_on_how_the_samples_are_cut() -> None:
    assert followed(noisy_start(), 100.0, 7) == followed(noisy_start(), 100.0, 60_000)


@pytest.mark.parametrize("rate_hz", [25.0, 50.0, 100.0])
def test_an_exact_command_shows_a_ramp_twice_as_slow(rate_hz: float) -> None:
    """Dwells under two seconds at levels that vary, without any noise of the command."""
    rng = np.random.default_rng(2)
    levels = np.tile([0.0, 0.45, 0.9, 0.3], 40)
    levels = np.where(levels > 0.0, levels + rng.uniform(-0.05, 0.05, levels.size), 0.0)
    log = recording(levels.tolist(), hold_s=1.8, up_s=1.0, down_s=0.5, noise_u=0.0, rate_hz=rate_hz)
    left = {"current_at_zero": 0.2, "current_at_full": 1.0, "ramp_up": 0.5, "ramp_down": 0.5}
    found = by_id(judge_log(sheet(as_left=left), log))
    assert found["ramp_up"].verdict is Verdict.OUT
    assert found["ramp_up"].as_found == pytest.approx(1.0, abs=3.0 * found["ramp_up"].uncertainty)
    assert found["current_at_zero"].verdict is Verdict.IN
    assert found["current_at_full"].verdict is Verdict.IN


def test_blocks_and_text_between_them_change_nothing() -> None:
    log = recording([0.0, 0.45, 0.9, 0.3] * 12, hold_s=2.0, noise_u=0.0)
    whole, cut = run(sheet(), log, [100_000]), run(sheet(), log, [700, 301, 53], through_text=True)
    assert by_id(whole.judgement) == by_id(cut.judgement)


def test_live_an_exact_command_keeps_showing_a_ramp_that_doubled() -> None:
    """Eight hundred seconds after the change all that as-found rests on is from after it."""
    left = {"current_at_zero": 0.2, "current_at_full": 1.0, "ramp_up": 0.5, "ramp_down": 0.5}
    cycle = [0.0, 0.45, 0.9, 0.3]
    before = recording(cycle * 20, hold_s=1.5, up_s=0.5, down_s=0.5, noise_u=0.0, rate_hz=50.0)
    since_s = float(before.time_s[-1]) + 0.02
    after = recording(
        cycle * 134, hold_s=1.5, up_s=1.0, down_s=0.5, noise_u=0.0, rate_hz=50.0, seed=2, start_s=since_s
    )
    first = run(sheet(as_left=left), before, [500], horizon_s=600.0)
    assert by_id(first.judgement)["ramp_up"].verdict is Verdict.IN
    last = run(sheet(as_left=left), after, [4000], horizon_s=600.0, state=first.state)
    assert after.time_s[-1] - since_s > 780.0
    assert by_id(last.judgement)["ramp_up"].verdict is Verdict.OUT
    assert "ramp-up-changed" in {finding.kind for finding in last.judgement.findings}


@pytest.mark.parametrize("rate_hz", [1.0, 10.0])
def test_a_command_that_never_rests_gives_no_verdict_on_ends_it_never_came_near(rate_hz: float) -> None:
    """A slow loop outside between 39 and 79 %, which the sheet calls fixed steps."""
    at = np.arange(round(900.0 * rate_hz)) / rate_hz
    demand = 0.59 + 0.1 * np.sin(at / 7.0) + 0.07 * np.sin(at / 17.3) + 0.03 * np.sin(at / 3.1)
    noise = np.random.default_rng(1).standard_normal(at.size)
    log = Samples(1000.0 + at, {"command": 4.0 + 16.0 * demand, "current": 0.2 + 0.8 * demand + 1e-3 * noise})
    left = {"current_at_zero": 0.24, "current_at_full": 0.96, "ramp_up": 0.5, "ramp_down": 0.5}
    judgement = judge_log(sheet(as_left=left), log)
    for name in ("current_at_zero", "current_at_full", "ramp_up", "ramp_down"):
        assert by_id(judgement)[name].verdict in {Verdict.UNDECIDED, Verdict.NOT_OBSERVED}
    assert not judgement.findings


def test_looks_at_another_rate_count_no_more() -> None:
    """A logger that wrote once a second while the press stood, for hours, and a hundred times a second after it."""
    scale = Scale(0.01, 1e-4, 0.006, 1.0, has_current=True)
    rng = np.random.default_rng(1)
    for minute in range(20):
        scale = scale.looked(60.0 * minute + np.arange(300.0), 1e-3 * rng.standard_normal(300))
    assert scale.interval_s == pytest.approx(1.0)
    scale = scale.looked(2000.0 + 0.01 * np.arange(300), 2e-3 * rng.standard_normal(300))
    assert scale.interval_s == pytest.approx(0.01)
    assert len(scale.looks) == 1
