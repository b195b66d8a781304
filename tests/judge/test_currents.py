from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from asleft.judge.driver.clipping import on_dwells, split_clipped
from asleft.judge.driver.currents import Level, current_line, levels_of, usable
from hypothesis import given, settings
from hypothesis import strategies as st
from synth import MA, dwell, sheet


def level(demand: float, current_a: float, se: float = 1e-4, dwells: int = 10) -> Level:
    return Level(demand, current_a, se, 0.0, 8e-4, dwells, 0.0, 10.0)


def straight(*demands: float, zero: float = 0.2, full: float = 1.0) -> list[Level]:
    return [level(u, zero + u * (full - zero)) for u in demands]


def test_dwells_of_one_command_are_one_level() -> None:
    dwells = [dwell(u, 0.2 + 0.8 * u) for u in (0.301, 0.0, 0.302, 0.9, 0.299)]
    levels = levels_of(dwells, 0.0)
    assert [round(x.demand, 2) for x in levels] == [0.0, 0.3, 0.9]
    assert [x.dwells for x in levels] == [1, 3, 1]


def test_repetition_averages_noise_but_not_the_converter_step() -> None:
    quiet = [dwell(0.5, 0.6, current_sd_a=1e-6, current_se_a=1e-7) for _ in range(100)]
    noisy = [dwell(0.5, 0.6, current_sd_a=1e-3, current_se_a=1e-5) for _ in range(100)]
    step = 5e-4
    assert levels_of(quiet, step)[0].current_se_a == pytest.approx(step / np.sqrt(12), rel=0.03)  # uniform
    assert levels_of(noisy, step)[0].current_se_a < 2e-6  # noise of two steps makes the converter linear


def test_scatter_between_dwells_counts_where_it_is_larger() -> None:
    apart = [dwell(0.5, 0.6 + x, current_se_a=1e-6) for x in (-1e-3, 1e-3, -1e-3, 1e-3, 0.0)]
    assert levels_of(apart, 0.0)[0].current_se_a > 3e-4


@settings(max_examples=30, deadline=None)
@given(st.floats(0.0, 2.0), st.floats(0.05, 2.0), st.lists(st.floats(0.0, 1.0), min_size=2, max_size=6, unique=True))
def test_a_line_through_levels_that_lie_on_one_is_that_line(zero, span, demands) -> None:
    levels = sorted((level(u, zero + u * span) for u in demands), key=lambda x: x.demand)
    line = current_line(levels, 1e-6)
    if levels[-1].demand - levels[0].demand < 0.15:
        assert line is None
        return
    assert line is not None
    assert line.at_zero_a == pytest.approx(zero, abs=1e-7)
    assert line.at_full_a == pytest.approx(zero + span, abs=1e-7)
    assert np.abs(line.residual_a).max() < 1e-7


def test_uncertainty_grows_with_extrapolation() -> None:
    middle, ends = current_line(straight(0.4, 0.6), 0.0), current_line(straight(0.0, 1.0), 0.0)
    assert middle is not None
    assert ends is not None
    assert ends.se_full_a == pytest.approx(1e-4)
    # Level 0.5 known to se/sqrt 2, slope to se sqrt 2 / 0.2, half a span away.
    assert middle.se_full_a == pytest.approx(1e-4 * np.hypot(1 / np.sqrt(2), 0.5 * np.sqrt(2) / 0.2), rel=1e-6)
    assert middle.se_full_a == pytest.approx(middle.se_zero_a)


def test_an_uncertain_command_makes_an_uncertain_current() -> None:
    sure, unsure = current_line(straight(0.0, 0.5, 1.0), 0.0), current_line(straight(0.0, 0.5, 1.0), 1e-3)
    assert sure is not None
    assert unsure is not None
    assert unsure.se_full_a > 5 * sure.se_full_a


def test_a_bent_law_widens_what_is_extrapolated_and_not_what_was_seen() -> None:
    """Bent by 5 % of the span at half command: what flows at the ends was seen."""
    seen = straight(0.0, 0.25, 0.5, 0.75, 1.0)
    seen[2] = replace(seen[2], current_a=seen[2].current_a + 0.04)
    line = current_line(seen, 0.0)
    assert line is not None
    assert line.at_zero_a == pytest.approx(0.2, abs=3e-4)
    assert line.at_full_a == pytest.approx(1.0, abs=3e-4)
    assert max(line.law_zero_a, line.law_full_a) < 3e-4
    unseen = current_line(seen[:-1], 0.0)
    assert unseen is not None
    assert unseen.law_full_a > 0.02
    assert unseen.at_zero_a == pytest.approx(0.2, abs=3e-4)


@pytest.mark.parametrize("bend", [0.0, 0.6])
def test_the_middle_of_an_s_promises_nothing_at_its_ends(bend: float) -> None:
    """From 40 to 60 % an S of the driver is as straight as a line; the ends lie 7 % of the span off it."""
    levels = [level(u, 0.2 + 0.8 * (u + 0.05 * bend * np.sin(2.0 * np.pi * u))) for u in (0.4, 0.45, 0.5, 0.55, 0.6)]
    line = current_line(levels, 0.0)
    assert line is not None
    for found, left, u in ((line.at_zero_a, 0.2, line.law_zero_a), (line.at_full_a, 1.0, line.law_full_a)):
        assert abs(found - left) < 2.0 * u
        assert u > 0.02


def test_a_jump_at_zero_command_is_seen_as_one() -> None:
    jumped = [level(0.0, 0.2), *(level(u, 0.28 + 0.72 * u) for u in (0.3, 0.45, 0.6, 0.9))]
    line = current_line(jumped, 0.0)
    assert line is not None
    assert line.at_zero_a == pytest.approx(0.2, abs=3e-4)
    assert line.at_full_a == pytest.approx(1.0, abs=3e-4)
    assert line.law_full_a < 2e-3


def test_levels_that_vary_do_not_scatter() -> None:
    """Commands of one level a per cent apart: their currents differ as they should, and the mean is as sure."""
    rng = np.random.default_rng(1)
    apart = [dwell(u, 0.2 + 0.8 * u, current_se_a=1e-6) for u in (*rng.uniform(0.49, 0.505, 20), 0.0, 0.9)]
    middle = levels_of(apart, 0.0)[1]
    assert middle.dwells == 20
    assert middle.current_se_a < 1e-5


def test_one_level_or_two_too_close_are_no_line() -> None:
    assert current_line(straight(0.5), 0.0) is None
    assert current_line(straight(0.5, 0.6), 0.0) is None


def test_only_settled_dwells_above_the_off_threshold_count() -> None:
    off = sheet(signal=replace(MA, off_below_pct=5.0))
    assert usable(dwell(0.5, 0.6), off)
    assert not usable(dwell(0.5, 0.6, flat=0.0), off)
    assert not usable(dwell(0.04, 0.0), off)
    assert not usable(dwell(1.03, 1.0), off)
    assert usable(dwell(0.0, 0.2), sheet())


def test_a_cut_off_top_is_told_from_a_changed_full_current() -> None:
    cut = straight(0.0, 0.35, 0.7, 1.0)
    cut[-1] = replace(cut[-1], current_a=0.9, from_s=77.0)
    kept, clip = split_clipped(cut, 0.8, 0.016, 0.0)
    assert [x.demand for x in kept] == [0.0, 0.35, 0.7]
    assert clip is not None
    assert (clip.limit_a, clip.from_s) == (0.9, 77.0)
    assert clip.demanded_a == pytest.approx(1.0)
    kept, clip = split_clipped(straight(0.0, 0.35, 0.7, 1.0, full=0.9), 0.8, 0.016, 0.0)
    assert clip is None
    assert len(kept) == 4


def test_all_levels_above_a_cut_one_are_cut() -> None:
    levels = [*straight(0.0, 0.3, 0.6), level(0.8, 0.8), level(1.0, 0.8)]
    kept, clip = split_clipped(levels, 0.8, 0.016, 0.0)
    assert len(kept) == 3
    assert clip is not None
    assert clip.demand == 0.8
    assert clip.demanded_a == pytest.approx(1.0, abs=0.1)


@settings(max_examples=50)
@given(st.lists(st.floats(-3e-4, 3e-4), min_size=5, max_size=5))
def test_noise_alone_is_never_clipping(noise) -> None:
    levels = [
        replace(x, current_a=x.current_a + e) for x, e in zip(straight(0.0, 0.2, 0.5, 0.8, 1.0), noise, strict=True)
    ]
    assert split_clipped(levels, 0.8, 0.016, 0.0)[1] is None


def test_two_levels_cannot_show_clipping() -> None:
    levels = [level(0.0, 0.2), level(1.0, 0.5)]
    assert split_clipped(levels, 0.8, 0.016, 0.0) == (levels, None)


def test_single_dwells_date_the_clip_and_give_its_level() -> None:
    line = current_line(straight(0.0, 0.4, 0.7), 0.0)
    assert line is not None
    levels = [*straight(0.0, 0.4, 0.7), level(1.0, 0.95)]  # the mean of before and after
    _, clip = split_clipped(levels, 0.8, 0.016, 0.0)
    assert clip is not None
    dwells = [dwell(1.0, 1.0, from_s=float(t)) for t in (0, 10)] + [
        dwell(1.0, 0.9, from_s=float(t)) for t in (20, 30, 40)
    ]
    seen = on_dwells(clip, line, [*dwells, dwell(0.4, 0.1, from_s=5.0)])
    assert (seen.from_s, seen.limit_a, seen.dwells) == (20.0, 0.9, 3)
    assert on_dwells(clip, line, dwells[:2]) == clip
