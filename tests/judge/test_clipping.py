"""A current cut off at the top, and a law that bends: told apart where nothing lies between half and full."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from asleft.judge.driver.clipping import split_clipped
from asleft.judge.driver.currents import Level
from asleft.judge.judge import judge_log
from asleft.judge.types import Samples, Verdict
from lanes import by_id, causes
from synth import sheet

LEFT = {"current_at_zero": 0.2, "current_at_full": 1.0, "ramp_up": 1.7, "ramp_down": 3.0}
BARS = {"pressure_at_zero": 10.0, "pressure_at_full": 200.0}
STEP_S = 5e-3


def straight(u: np.ndarray) -> np.ndarray:
    return u


def s_shaped(u: np.ndarray) -> np.ndarray:
    return u - 0.05 * np.sin(2.0 * np.pi * u)


def other_s(u: np.ndarray) -> np.ndarray:
    return u + 0.05 * np.sin(2.0 * np.pi * u)


def kneed(u: np.ndarray) -> np.ndarray:
    return u + 0.05 * np.interp(u, [0.0, 0.5, 1.0], [0.0, 1.0, 0.0])


def jumped(u: np.ndarray) -> np.ndarray:
    return np.where(u > 0.002, 0.08 + 0.92 * u, u)


def log(law: Callable[[np.ndarray], np.ndarray], full_a: float, limit_a: float, levels: tuple[float, ...]) -> Samples:
    """Five minutes of straight ramps of the demand, `law` after them, and no current above `limit_a`."""
    rng = np.random.default_rng(3)
    demand = np.repeat(np.tile(levels, 30), (rng.uniform(4.0, 6.0, 30 * len(levels)) / STEP_S).astype(int))[:60_000]
    ramped, r = np.empty_like(demand), 0.0
    for k, u in enumerate(demand.tolist()):
        r += float(np.clip(u - r, -STEP_S / LEFT["ramp_down"], STEP_S / LEFT["ramp_up"]))
        ramped[k] = r
    current = np.minimum(0.2 + (full_a - 0.2) * law(ramped), limit_a)
    for k in range(1, current.size):
        current[k] = current[k - 1] + (current[k] - current[k - 1]) * STEP_S / 0.03
    at = slice(0, None, 2)
    n = demand[at].size
    command = 4.0 + 16.0 * (demand[at] + 3e-4 * rng.standard_normal(n))
    return Samples(1000.0 + np.arange(n) / 100.0, {"command": command, "current": current[at]
                   + 5e-4 * rng.standard_normal(n)})  # fmt: skip


LOW = (0.0, 0.28, 0.32, 0.44, 1.0, 0.44, 0.3)


@pytest.mark.parametrize("levels", [LOW, (0.0, 0.3, 0.5, 0.97, 1.0, 0.94, 0.3)])
def test_a_top_that_is_cut_off_is_no_changed_setting(levels: tuple[float, ...]) -> None:
    judgement = judge_log(sheet(as_left=LEFT), log(straight, 1.0, 0.94, levels))
    assert "current-clipped" in causes(judgement)
    assert "current-full-changed" not in causes(judgement)
    at_full = by_id(judgement)["current_at_full"]
    assert at_full.verdict is not Verdict.OUT
    for name in ("ramp_up", "ramp_down"):  # from the strokes that the limit leaves alone
        assert by_id(judgement)[name].as_found == pytest.approx(LEFT[name], rel=0.01)


@pytest.mark.parametrize("law", [s_shaped, other_s, kneed, jumped])
@pytest.mark.parametrize("levels", [LOW, (0.0, 0.5, 0.75, 1.0, 0.4)])
def test_a_law_that_bends_is_not_cut_off(law: Callable[[np.ndarray], np.ndarray], levels: tuple[float, ...]) -> None:
    assert not causes(judge_log(sheet(as_left=LEFT), log(law, 1.0, 2.0, levels)))


@pytest.mark.parametrize(("law", "full_a"), [(straight, 0.94), (kneed, 0.93), (s_shaped, 0.94), (other_s, 0.94)])
def test_a_setting_turned_down_is_not_cut_off(law: Callable[[np.ndarray], np.ndarray], full_a: float) -> None:
    """The kneed one's lower levels point at the full current that was left: its strokes take their whole ramps."""
    found = causes(judge_log(sheet(as_left=LEFT), log(law, full_a, 2.0, LOW)))
    assert "current-clipped" not in found
    assert "current-full-changed" in found


def test_levels_that_lie_flat_at_the_top_are_cut_off() -> None:
    levels = [Level(u, min(0.2 + 0.8 * u, 0.95), 1e-4, 0.0, 8e-4, 10, 0.0, 10.0) for u in (0.0, 0.3, 0.45, 0.96, 1.0)]
    kept, clip = split_clipped(levels, 0.8, 0.016, 0.0)
    assert [x.demand for x in kept] == [0.0, 0.3, 0.45]
    assert clip is not None
    still_rising = [*levels[:-1], replace(levels[-1], current_a=0.975)]
    assert split_clipped(still_rising, 0.8, 0.016, 0.0)[1] is None


LEVELS = (0.0, 0.3, 0.55, 0.85, 1.0)


def met(current_a: list[float]) -> list[Level]:
    """Each of the levels met ten times."""
    return [Level(u, a, 1e-4, 0.0, 8e-4, 10, 0.0, 10.0) for u, a in zip(LEVELS, current_a, strict=True)]


@pytest.mark.parametrize(("gain", "offset_a"), [(1.0, 0.06), (1.05, 0.0), (0.94, 0.0)])
def test_a_cut_that_ends_where_full_was_left_is_seen_below_a_reading_that_moved(gain: float, offset_a: float) -> None:
    """Lower levels lie on the line as left but for one shift or factor; the top has the current it was left with."""
    read = [gain * (0.2 + 0.8 * u) + offset_a for u in LEVELS]
    clip = split_clipped(met([*read[:-1], min(1.0, read[-1])]), 0.8, 0.016, 0.0, (0.2, 1.0))[1]
    assert (clip is not None) is (read[-1] > 1.0)


def test_a_law_that_bends_to_where_it_was_left_is_not_cut_off_when_its_zero_moves() -> None:
    for bend in (0.05, 0.12):  # how much more the lower part points at than full has
        for moved_a in (0.03, 0.06):
            low = [0.2 + moved_a + (0.8 * (1.0 + bend) - moved_a) * u for u in LEVELS[:-1]]
            assert split_clipped(met([*low, 1.0]), 0.8, 0.016, 0.0, (0.2, 1.0))[1] is None


@pytest.mark.parametrize("falls", [True, False])
def test_a_cut_behind_a_reading_that_moved_is_told_by_the_pressure(falls: bool) -> None:
    """A cut at 0.94 A, read as 1.0 A: the pressure falls with it. Where it does not, the driver asks for no more."""
    true = log(straight, 1.0, 0.94, LOW)
    current = true.channels["current"]
    rise = (current - 0.2) / 0.8
    pressure = 10.0 + 190.0 * (rise if falls else np.minimum(rise * 0.8 / 0.74, 1.0))
    read = Samples(true.time_s, {**true.channels, "current": current / 0.94, "pressure": pressure})
    assert ("current-clipped" in causes(judge_log(sheet(as_left={**LEFT, **BARS}), read))) is falls
