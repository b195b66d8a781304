from __future__ import annotations

import numpy as np
import pytest
from asleft.judge.intake.intake import CURRENT, DEMAND, ENABLED, PRESSURE, STATE, SUPPLY, TIME, Scale
from asleft.judge.intake.states import STOPPED
from asleft.judge.ramp_fit.demand_path import demand_path, moving, step_time
from asleft.judge.ramp_fit.learner import Learner
from asleft.judge.segments.segments import Carry, Cut, cut
from asleft.judge.types import Samples
from synth import columns, recording

SCALE = Scale(0.01, 3e-4, 0.006, 0.8, has_current=True)


def data_of(samples: Samples) -> np.ndarray:
    demand = (samples.channels["command"] - 4.0) / 16.0
    out = columns(demand, current=samples.channels["current"])
    out[TIME] = samples.time_s
    return out


def cut_all(data: np.ndarray, learner: Learner | None = None, scale: Scale = SCALE) -> Cut:
    return cut(data, Carry(), scale, learner or Learner(1.0, 1.0), flush=True)


def test_steps_become_strokes_with_a_dwell_on_every_level() -> None:
    levels = [0.0, 0.4, 0.9, 0.3, 0.0]
    result = cut_all(data_of(recording(levels, hold_s=3.0)))
    assert [round(d.demand, 2) for d in result.dwells] == levels
    assert [(round(s.from_demand, 2), round(s.to_demand, 2)) for s in result.strokes] == [
        (0.0, 0.4), (0.4, 0.9), (0.9, 0.3), (0.3, 0.0)
    ]  # fmt: skip
    assert [d.arrival for d in result.dwells] == [0.0, 1.0, 1.0, -1.0, -1.0]


def test_dwells_hold_the_settled_current_only() -> None:
    result = cut_all(data_of(recording([0.0, 0.5, 1.0, 0.2], hold_s=3.0, noise_a=2e-4)))
    for dwell in result.dwells:
        assert dwell.flat == 1.0
        assert dwell.current_a == pytest.approx(0.2 + 0.8 * dwell.demand, abs=4e-4)
        assert dwell.current_sd_a < 4e-4


def test_an_actual_ramp_three_times_as_slow_as_left_makes_no_false_dwell() -> None:
    """The allowance alone would end too early: the trend has to be gone as well."""
    result = cut_all(data_of(recording([0.0, 0.8, 0.1, 0.9], hold_s=4.5, up_s=3.0, down_s=3.0)))
    assert result.dwells
    for dwell in result.dwells:
        assert dwell.current_a == pytest.approx(0.2 + 0.8 * dwell.demand, abs=2e-3)


def test_a_fall_far_slower_than_left_hides_no_dwell_after_a_rise() -> None:
    cycle = [0.4, 0.7, 1.0, 0.3] * 12
    result = cut_all(data_of(recording(cycle, hold_s=2.5, up_s=1.0, down_s=10.0)))
    late = [d for d in result.dwells if d.from_s > 1060.0]
    assert sum(abs(d.demand - 1.0) < 0.01 for d in late) >= 4
    carrying = [s for s in result.strokes if s.active_down_s > 1.0]
    assert np.median([s.own_down_s for s in carrying]) == pytest.approx(10.0, rel=0.01)


def test_long_rests_are_cut_into_pieces_of_five_seconds() -> None:
    result = cut_all(data_of(recording([0.2, 0.6], hold_s=22.0)))
    lengths = [d.to_s - d.from_s for d in result.dwells]
    assert max(lengths) == pytest.approx(4.99, abs=1e-6)
    assert sum(lengths) > 0.95 * (44.0 - 2.0)


def test_several_moves_before_anything_settles_are_one_stroke() -> None:
    samples = recording([0.0, 0.0, 0.0, 0.0, 0.5, 0.8, 0.2, 0.2, 0.2], hold_s=0.6, up_s=1.0, down_s=1.0)
    result = cut_all(data_of(samples))
    assert len(result.strokes) == 1
    assert result.strokes[0].high_demand == pytest.approx(0.8, abs=0.01)
    assert result.dwells[-1].arrival == -1.0  # overshot, then came down


def test_only_the_first_stroke_after_enabling_is_set_aside() -> None:
    data = data_of(recording([0.0, 0.5, 0.0, 0.5, 0.0, 0.5, 0.0], hold_s=2.5))
    off = (data[TIME] > 1006.0) & (data[TIME] < 1007.0)
    data[ENABLED, off], data[CURRENT, off] = 0.0, 0.0
    result = cut_all(data)
    damaged_files = [s.excluded for s in result.strokes]
    assert damaged_files[0] == 1.0
    after = [s.excluded for s in result.strokes if s.from_s > 1007.0]
    assert after[0] == 1.0
    assert not any(after[1:])
    assert all(not (d.from_s < 1007.0 and d.to_s > 1006.0) for d in result.dwells)


def test_nothing_reaches_across_a_gap() -> None:
    data = data_of(recording([0.0, 0.5, 0.9, 0.2], hold_s=4.0))
    data = data[:, (data[TIME] < 1004.3) | (data[TIME] > 1005.0)]
    result = cut_all(data)
    assert all(not (s.from_s < 1004.3 and s.to_s > 1005.0) for s in result.strokes)
    assert all(not (d.from_s < 1004.3 and d.to_s > 1005.0) for d in result.dwells)


def test_failed_readings_inside_a_rest_do_not_spoil_it() -> None:
    data = data_of(recording([0.3, 0.7], hold_s=4.0))
    data[CURRENT, 100:103] = np.nan
    data[DEMAND, 600] = np.nan
    result = cut_all(data)
    assert all(np.isfinite(d.current_a) for d in result.dwells)
    assert len(result.strokes) == 1


def test_other_channels_are_averaged_and_production_must_last_throughout() -> None:
    data = data_of(recording([0.3, 0.7, 0.3], hold_s=3.0))
    data[SUPPLY] = 23.5
    data[PRESSURE] = np.where(data[DEMAND] > 0.5, 150.0, 70.0)
    data[STATE, 800] = STOPPED
    result = cut_all(data)
    assert [d.supply_v for d in result.dwells] == pytest.approx([23.5] * 3)
    assert [d.pressure_bar for d in result.dwells] == pytest.approx([70.0, 150.0, 70.0])
    assert [d.pressure_moves_bar for d in result.dwells] == pytest.approx([0.0] * 3)
    assert [d.producing for d in result.dwells] == [1.0, 1.0, 0.0]


def test_without_a_current_reading_there_are_dwells_but_no_strokes() -> None:
    data = data_of(recording([0.3, 0.7], hold_s=3.0))
    data[CURRENT] = np.nan
    result = cut_all(data, scale=Scale(0.01, 3e-4, 0.006, 0.8, has_current=False))
    assert [round(d.demand, 1) for d in result.dwells] == [0.3, 0.7]
    assert all(np.isnan(d.current_a) for d in result.dwells)
    assert not result.strokes


def test_a_command_that_never_rests_is_given_up_and_not_kept() -> None:
    n = 80_000
    data = columns(0.5 + 0.4 * np.sin(np.arange(n) * 0.02), current=np.full(n, 0.5))
    result = cut(data, Carry(), SCALE, Learner(1.0, 1.0))
    assert result.tail.shape[1] <= 24_100
    assert not result.strokes


def test_after_giving_up_the_next_rest_is_seen() -> None:
    n = 30_000
    demand = np.concatenate((0.5 + 0.4 * np.sin(np.arange(n) * 0.02), np.full(3000, 0.6)))
    data = columns(demand, current=0.2 + 0.8 * demand)
    result = cut_all(data)
    assert result.dwells
    assert result.dwells[-1].current_a == pytest.approx(0.68, abs=1e-3)


@pytest.mark.parametrize("size", [1000, 7777, 26_500])
def test_giving_up_happens_at_the_same_place_whichever_way_the_samples_are_cut(size) -> None:
    rng = np.random.default_rng(3)
    n = 25_000
    demand = np.concatenate((np.full(500, 0.5), 0.5 + 0.4 * np.sin(np.arange(n) * 0.02), np.full(1500, 0.6)))
    data = columns(demand, current=0.2 + 0.8 * demand + 5e-4 * rng.standard_normal(demand.size))
    whole = cut(data, Carry(), SCALE, Learner(1.0, 1.0))
    carry, tail, learner, dwells, strokes = Carry(), data[:, :0], Learner(1.0, 1.0), [], []
    for first in range(0, data.shape[1], size):
        joined = np.concatenate((tail, data[:, first : first + size]), axis=1)
        result = cut(joined, carry, SCALE, learner)
        carry, tail = result.carry, result.tail
        dwells += result.dwells
        strokes += result.strokes
    assert whole.dwells
    assert repr(dwells) == repr(whole.dwells)
    assert repr(strokes) == repr(whole.strokes)


@pytest.mark.parametrize("size", [1, 37, 250, 1203])
def test_long_rests_are_the_same_whichever_way_the_samples_are_cut(size) -> None:
    """Pieces of five seconds follow one another; a move right after one needs what lay before it."""
    samples = recording([0.2, 0.6, 0.3], hold_s=11.3, jitter_s=0.0)
    data = data_of(samples)[:, : 3000 if size == 1 else None]
    whole = cut(data, Carry(), SCALE, Learner(1.0, 1.0))
    carry, tail, learner, dwells, strokes = Carry(), data[:, :0], Learner(1.0, 1.0), [], []
    for first in range(0, data.shape[1], size):
        result = cut(np.concatenate((tail, data[:, first : first + size]), axis=1), carry, SCALE, learner)
        carry, tail = result.carry, result.tail
        dwells += result.dwells
        strokes += result.strokes
        assert tail.shape[1] < 1000
    assert len(whole.dwells) >= 4
    assert repr(dwells) == repr(whole.dwells)
    assert repr(strokes) == repr(whole.strokes)


@pytest.mark.parametrize("rest_s", [0.2, 0.6, 0.95])
def test_what_is_left_of_a_rest_is_a_dwell_only_if_a_second_long(rest_s) -> None:
    """However it was cut: the rest after the first pieces is no first piece."""
    hold_s = 5.0 + 0.12 + 1.1 * 0.4 + rest_s
    samples = recording([0.2, 0.6, 0.2], hold_s=hold_s, jitter_s=0.0)
    data = data_of(samples)
    learner = Learner(1.0, 1.0)
    at = round(100 * (2 * hold_s - 0.5 * rest_s))  # between the end of the first piece and the next move
    first = cut(data[:, :at], Carry(), SCALE, learner)
    second = cut(np.concatenate((first.tail, data[:, at:]), axis=1), first.carry, SCALE, learner)
    whole = cut(data, Carry(), SCALE, Learner(1.0, 1.0))
    assert repr(first.dwells + second.dwells) == repr(whole.dwells)
    assert repr(first.strokes + second.strokes) == repr(whole.strokes)
    assert len(whole.strokes) == 2


def test_nothing_usable_gives_nothing() -> None:
    data = columns(np.full(50, np.nan), current=np.full(50, 0.3))
    result = cut_all(data)
    assert (result.dwells, result.strokes, result.tail.shape[1]) == ([], [], 0)


def test_moving_looks_back_only() -> None:
    demand = np.concatenate((np.zeros(50), np.full(50, 0.1)))
    flags = moving(demand, 15, 0.006)
    assert np.flatnonzero(flags).tolist() == list(range(50, 64))
    longer = moving(np.concatenate((demand, np.ones(40))), 15, 0.006)
    assert np.array_equal(longer[:100], flags)
    assert not moving(np.array([0.4]), 15, 0.006).any()


def test_the_path_is_level_where_the_command_rests() -> None:
    rng = np.random.default_rng(1)
    demand = np.concatenate((np.full(50, 0.2), np.linspace(0.2, 0.8, 20), np.full(60, 0.8)))
    demand += 3e-4 * rng.standard_normal(demand.size)
    time_s = np.arange(demand.size) * 0.01
    flags = moving(demand, 15, 0.006)
    t, u = demand_path(time_s, demand, flags, 0.006, 3e-4)
    assert np.all(np.diff(t) > 0)
    assert len(t) < 30
    ideal = np.interp(time_s, [0.0, 0.5, 0.69, 1.3], [0.2, 0.2, 0.8, 0.8])
    assert np.abs(np.interp(time_s, t, u) - ideal).max() < 0.035


def test_the_path_ends_where_the_range_ends_like_the_driver() -> None:
    demand = np.concatenate((np.full(40, 0.5), np.full(40, -0.25), np.full(40, 1.1)))
    t, u = demand_path(np.arange(120) * 0.01, demand, moving(demand, 15, 0.006), 0.006, 3e-4)
    assert min(u) == 0.0
    assert max(u) == 1.0
    assert len(t) == len(u)


@pytest.mark.parametrize(("filter_s", "within_s"), [(0.008, 0.002), (0.016, 0.001), (1e-4, 0.0051)])
def test_a_step_is_dated_between_samples_where_the_filter_shows_it(filter_s, within_s) -> None:
    t = np.arange(120) * 0.01
    for late in np.linspace(0.0, 0.0099, 12):
        u = 0.3 + 0.2 * (1.0 - np.exp(-np.maximum(t - 0.5 - late, 0.0) / filter_s))
        a = int(np.flatnonzero(u > 0.306)[0])
        at_s = step_time(t, u, a, 110, 0.5, 0.003)
        assert at_s is not None
        assert at_s - filter_s == pytest.approx(0.5 + late, abs=within_s)


def test_a_step_becomes_a_jump_and_a_ramp_or_an_overshoot_does_not() -> None:
    t = np.arange(150) * 0.01
    step = np.where(t > 0.495, 0.6, 0.2)
    at, u = demand_path(t, step, moving(step, 15, 0.006), 0.006, 3e-4)
    assert u == pytest.approx([0.2, 0.2, 0.2, 0.6, 0.6, 0.6])
    assert at[2] == pytest.approx(0.495)
    assert at[3] - at[2] < 1e-5
    ramp = np.interp(t, [0.5, 0.8], [0.2, 0.6])
    assert step_time(t, ramp, 51, 94, 0.6, 0.003) is None
    over = step.copy()
    over[51] = 0.75
    assert step_time(t, over, 50, 64, 0.6, 0.003) is None


def test_a_step_dated_into_the_rest_before_it_ends_that_rest() -> None:
    """A reading's filter may put the step before the last sample still at rest: the path must go on in time."""

    class Early:
        wire_sd = 0.0

        def date(self, time_s, demand, a, b, levels, near):
            return float(time_s[a]) - 0.034

    demand = np.concatenate((np.full(50, 0.2), np.full(5, 0.5), np.full(60, 0.8)))
    time_s = np.arange(demand.size) * 0.01
    t, u = demand_path(time_s, demand, moving(demand, 15, 0.006), 0.006, 3e-4, Early())
    assert np.all(np.diff(t) > 0)
    stepped = t[int(np.argmax(np.array(u) > 0.3))]
    assert stepped == pytest.approx(0.466, abs=1e-5)
    assert max(x for x, level in zip(t, u, strict=True) if level < 0.3) == pytest.approx(0.466, abs=1e-5)
