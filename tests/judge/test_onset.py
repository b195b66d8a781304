from __future__ import annotations

import math
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
from asleft.judge.dither import DitherBurst
from asleft.judge.estimates.as_found import AsFound, Seen
from asleft.judge.features import Stroke
from asleft.judge.onset import (
    best_split,
    creep_within,
    feature_series,
    motion_within,
    onset_of,
    step_within,
    times_beyond,
)
from hypothesis import given, settings
from hypothesis import strategies as st
from synth import dwell, sheet


def series(values: list[float], every_s: float = 10.0) -> list[tuple[float, float]]:
    return [(1000.0 + every_s * k, value) for k, value in enumerate(values)]


def brute(y: np.ndarray) -> float:
    """Smallest squared residual over all splits, the long way."""
    return min(
        float(((y[:k] - y[:k].mean()) ** 2).sum() + ((y[k:] - y[k:].mean()) ** 2).sum()) for k in range(1, y.size)
    )


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(-5.0, 5.0), min_size=3, max_size=40))
def test_best_split_is_the_best_of_all(values: list[float]) -> None:
    y = np.array(values)
    last, before, after, gain = best_split(y)
    assert before == pytest.approx(y[: last + 1].mean(), abs=1e-9)
    assert after == pytest.approx(y[last + 1 :].mean(), abs=1e-9)
    assert float(((y - y.mean()) ** 2).sum()) - gain == pytest.approx(brute(y), abs=1e-7)


@given(st.integers(4, 12), st.integers(4, 12), st.sampled_from([-1.0, 1.0]))
def test_a_step_is_dated_at_its_first_value(before: int, after: int, way: float) -> None:
    found = step_within(series([1.0] * before + [1.0 + 0.3 * way] * after), 0.1)
    assert found == 1000.0 + 10.0 * before


@pytest.mark.parametrize(
    ("values", "why"),
    [
        ([1.0] * 3 + [2.0] * 4, "too few values"),
        ([1.0] * 9 + [2.0] * 3, "too few after it"),
        ([1.0] * 8 + [1.04] * 8, "less than half a tolerance"),
        ([1.0 + 0.1 * k for k in range(16)], "a drift"),
        ([1.0, 2.0] * 8, "to and fro"),
        ([1.0] * 16, "nothing moves"),
    ],
)
def test_what_is_no_step(values: list[float], why: str) -> None:
    assert step_within(series(values), 0.1) is None, why


def test_a_step_needs_more_than_half_the_tolerance() -> None:
    values = [1.0] * 8 + [1.06] * 8
    assert step_within(series(values), 0.1) == 1080.0
    assert step_within(series(values), 0.125) is None


def test_onset_of_a_step_under_noise() -> None:
    rng = np.random.default_rng(5)
    values = np.r_[np.full(30, 1.2), np.full(12, 1.55)] + 0.02 * rng.standard_normal(42)
    assert onset_of(series(values.tolist()), 1.2, 0.12) == 1000.0 + 10.0 * 30


def test_onset_of_a_drift_is_where_it_leaves_a_quarter_of_the_tolerance() -> None:
    """Rises 0.01 a step from left: at the 6th step beyond 0.05 for good."""
    values = [1.0 + 0.01 * k for k in range(60)]
    assert onset_of(series(values), 1.0, 0.2) == pytest.approx(1000.0 + 10.0 * 6, abs=10.0)


def test_out_from_the_first_value_on_is_dated_there() -> None:
    assert onset_of(series([1.5] * 10 + [1.9] * 10), 1.0, 0.1) == 1000.0
    assert onset_of(series([1.5, 1.5]), 1.0, 0.1) == 1000.0


def test_coming_back_is_no_onset() -> None:
    """After the best split the values are nearer to left than before it: the departure lies before the record."""
    assert onset_of(series([1.3] * 10 + [1.0] * 10), 1.0, 0.5) == 1000.0


@given(st.integers(3, 20), st.integers(1, 20), st.floats(0.5, 5.0), st.floats(-1e9, 1e9))
def test_onset_does_not_depend_on_the_clock(before: int, after: int, size: float, shift: float) -> None:
    values = [0.0] * before + [size] * after
    moved = [(at + shift, value) for at, value in series(values)]
    assert onset_of(moved, 0.0, 0.1) - shift == pytest.approx(onset_of(series(values), 0.0, 0.1), abs=1e-3)


# ------------------------------------------------------------------------------------------ what single features say


def stroke(at_s: float, up_s: float, down_s: float, *, excluded: float = 0.0, active: tuple[float, float]) -> Stroke:
    plain = Stroke(*([0.0] * len(Stroke._fields)))
    return plain._replace(
        from_s=at_s,
        own_up_s=up_s,
        own_down_s=down_s,
        excluded=excluded,
        active_up_s=active[0],
        active_down_s=active[1],
    )


@pytest.fixture
def seen() -> Seen:
    dwells = [
        dwell(0.0, 0.2, from_s=1.0, supply_v=24.0),
        dwell(1.0, 1.0, from_s=2.0, supply_v=23.0, producing=0.0),
        dwell(1.0, 1.1, from_s=3.0, supply_v=22.0, flat=0.0),
        dwell(0.5, 0.6, from_s=4.0, supply_v=math.nan),
    ]
    strokes = [
        stroke(5.0, 1.2, 9.0, active=(0.5, 0.0)),
        stroke(6.0, 9.0, 2.0, active=(0.0, 0.5)),
        stroke(7.0, 1.4, 2.2, excluded=1.0, active=(0.5, 0.5)),
    ]
    bursts = [DitherBurst(8.0, 100.0, 0.08, 1e-3, 0.01, 1e-4, "sine")]
    return Seen(dwells, strokes, bursts, True, True, True, 0.0, 1e-3, 0.01, None)


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("ramp_up", [(5.0, 1.2)]),
        ("ramp_down", [(6.0, 2.0)]),
        ("current_at_zero", [(1.0, 0.2)]),
        ("current_at_full", [(2.0, 1.0)]),
        ("dither_amplitude", [(8.0, 0.08)]),
        ("supply_voltage", [(1.0, 24.0), (3.0, 22.0)]),
        ("hysteresis", []),
    ],
)
def test_features_count_only_where_they_say_something(
    name: str, expected: list[tuple[float, float]], seen: Seen
) -> None:
    assert feature_series(name, sheet(), seen, AsFound()) == expected


def test_pressure_counts_where_judged_and_by_its_way_of_arriving(seen: Seen) -> None:
    found = AsFound(
        judged_pressure=[
            dwell(1.0, from_s=1.0, pressure_bar=200.0, arrival=1.0),
            dwell(1.0, from_s=2.0, pressure_bar=205.0, arrival=-1.0),
            dwell(0.0, from_s=3.0, pressure_bar=12.0, arrival=-1.0),
            dwell(0.5, from_s=4.0, pressure_bar=100.0, arrival=1.0),
        ]
    )
    assert feature_series("pressure_at_full", sheet(), seen, found) == [(1.0, 200.0)]
    assert feature_series("pressure_at_zero", sheet(), seen, found) == [(3.0, 12.0)]


def noisy(values: list[float], sd: float = 0.05, seed: int = 1) -> list[tuple[float, float]]:
    return series((np.array(values) + sd * np.random.default_rng(seed).standard_normal(len(values))).tolist())


def test_what_creeps_is_told_by_its_end() -> None:
    still, running = [0.0] * 30, np.linspace(0.0, 1.5, 30).tolist()
    creep = creep_within(noisy([*still, *running]), 1.0)
    assert creep is not None
    assert creep.per_s == pytest.approx(1.5 / 290.0, rel=0.1)
    assert creep.since_s == pytest.approx(1590.0 - 0.25 / creep.per_s, abs=1.0)
    down = creep_within(noisy([*still, *(-np.array(running)).tolist()]), 1.0)
    assert down is not None
    assert down.per_s < 0.0


@pytest.mark.parametrize("values", [[0.0] * 40, [0.01 * k for k in range(40)], [0.0, 1.0] * 20, [0.0] * 6])
def test_what_stands_swings_or_moves_a_little_does_not_creep(values: list[float]) -> None:
    assert creep_within(noisy(values), 1.0) is None


def test_a_creep_over_half_of_the_values_is_no_step_and_a_step_no_creep() -> None:
    creeps = noisy([*[0.0] * 12, *np.linspace(0.0, 2.0, 12).tolist()])
    assert motion_within(creeps, 1.0)[0] is None
    assert motion_within(creeps, 1.0)[1] is not None
    steps = noisy([*[0.0] * 12, *[2.0] * 12])
    assert motion_within(steps, 1.0) == (1120.0, None)


def test_few_values_creep_only_where_they_lie_on_a_line() -> None:
    assert creep_within(noisy([0.0, 0.0, 0.0, 1.0, 2.0, 3.0], 0.01), 1.0) is not None
    assert creep_within(noisy([0.0, 0.0, 0.0, 2.0, 1.0, 3.0], 0.01), 1.0) is None
    assert creep_within(noisy([0.0, 0.0, 0.0, 0.0, 3.0, 3.0], 0.01), 1.0) is None  # a step, so far


def test_what_was_beyond_at_times_is_told_by_its_runs() -> None:
    values = [*[0.0] * 8, *[2.0] * 5, *[0.0] * 7, *[2.0] * 4, *[0.0] * 9]
    times = times_beyond(noisy(values), 0.0, 1.0, 1.0)
    assert times is not None
    assert times.at_s == {1000.0 + 10.0 * k for k, value in enumerate(values) if value}
    assert times.since_s == 1000.0 + 10.0 * 24


@pytest.mark.parametrize(
    "values",
    [
        [0.0] * 30,
        [2.0] * 30,  # always
        [*[0.0] * 20, 2.0, *[0.0] * 9],  # once
        [0.0, 0.0, -2.0] * 10,  # at every third visit: the load's doing
        [*[0.9] * 15, *[1.2] * 15],  # just across the line, and no further
    ],
)
def test_what_is_no_coming_and_going(values: list[float]) -> None:
    assert times_beyond(noisy(values, 0.02), 0.0, 1.0, 1.0, loaded=True) is None


def test_what_no_load_can_make_counts_at_single_visits_too() -> None:
    values = noisy([0.0, 0.0, 2.0] * 10, 0.02)
    assert times_beyond(values, 0.0, 1.0, 1.0, loaded=True) is not None
    assert times_beyond([(at, -v) for at, v in values], 0.0, 1.0, 1.0) is not None
    assert times_beyond(noisy([0.0, 0.0, 2.0] * 10, 0.5), 0.0, 1.0, 1.0) is None


def test_the_tail_of_what_scatters_is_no_coming_and_going() -> None:
    """A spool that sticks stops at another place each time; what comes and goes has two."""
    sticks = series([abs(v) for v in np.random.default_rng(2).normal(0.0, 0.8, 90).tolist()])
    assert sum(v > 1.0 for _, v in sticks) > 10
    assert times_beyond(sticks, 0.0, 1.0, 1.0) is None


def test_segments_in_which_a_value_changed_are_no_third_place() -> None:
    """A segment over a change is the mean of before and after: with 50 segments and 9 changes no tail of anything."""
    halves = [0.0] * 5 + [-0.8] + [-1.5] * 5 + [-0.6]
    values = halves * 4
    times = times_beyond(noisy(values, 1e-3), 0.0, 1.0, math.inf)
    assert times is not None
    assert len(times.at_s) == 20
    tail = [0.0] * 5 + [-0.8, -0.6] + [-1.5] * 5 + [-0.7, -0.8]  # two in a row are no change
    assert times_beyond(noisy(tail * 4, 1e-3), 0.0, 1.0, math.inf) is None


def test_a_creep_that_began_between_two_visits_is_one_by_three_values() -> None:
    """Visits a minute apart seldom meet its beginning: a line from a visit then leaves more than noise."""
    values = [0.0] * 7 + [0.17, 0.66, 1.16]
    creep = creep_within(noisy(values, 0.005), 1.0)
    assert creep is not None
    assert creep.moved == pytest.approx(1.16, abs=0.05)
    assert 1060.0 < creep.begins_s < 1070.0
    assert creep_within(noisy([0.0] * 7 + [0.5, 0.2, 1.16], 0.005), 1.0) is None


def test_few_strokes_that_tell_a_ramp_well_show_it_creep_and_those_that_tell_little_are_left_out() -> None:
    usual = {**dict.fromkeys(Stroke._fields, 0.0), "active_up_s": 0.5}
    rows = [(26, 1.0, 7e-4), (38, 1.001, 3e-3), (84, 0.968, 0.011), (99, 0.987, 7e-4), (110, 0.969, 3e-3)]
    rows += [(157, 0.905, 0.011), (172, 0.863, 6e-4)]
    strokes = [Stroke(**{**usual, "from_s": float(at), "own_up_s": up, "h00": sd**-2}) for at, up, sd in rows]
    valve = sheet(as_left={**sheet().as_left, "ramp_up": 1.0})
    seen = SimpleNamespace(strokes=strokes)
    told = feature_series("ramp_up", valve, cast("Seen", seen), AsFound())
    assert [at for at, _ in told] == [26.0, 38.0, 99.0, 110.0, 172.0]
    creep = motion_within(told, 0.1)[1]
    assert creep is not None
    assert creep.moved == pytest.approx(-0.137, abs=0.01)
