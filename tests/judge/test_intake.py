from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from asleft.judge.intake.intake import CURRENT, DEMAND, PRESSURE, TIME, Intake, remarks_of, take_in, wild
from asleft.judge.judge import begin, step
from asleft.judge.types import Samples
from asleft.sheet.model import Sheet
from hypothesis import given, settings
from hypothesis import strategies as st
from lanes import part, run
from stored import stored
from synth import MA, recording, sheet


def samples(n: int = 300, rate_hz: float = 100.0, seed: int = 1, level: float = 0.5) -> Samples:
    rng = np.random.default_rng(seed)
    noise = rng.standard_normal((3, n))
    return Samples(
        1000.0 + np.arange(n) / rate_hz,
        {
            "command": 4.0 + 16.0 * (level + 3e-4 * noise[0]),
            "current": 0.2 + 0.8 * level + 1e-3 * noise[1],
            "pressure": 10.0 + 190.0 * level + 0.2 * noise[2],
        },
    )


def taken(data: Samples, valve: Sheet | None = None) -> tuple[np.ndarray, Intake]:
    return take_in(data, valve or sheet(), Intake(), flush=True)


@pytest.mark.parametrize(("name", "row"), [("command", DEMAND), ("current", CURRENT), ("pressure", PRESSURE)])
@pytest.mark.parametrize("wildness", [-1e3, -0.05, 0.05, 0.5, 1e6])
@pytest.mark.parametrize("length", [1, 2])
def test_one_or_two_wild_readings_are_set_aside_and_counted(name, row, wildness, length) -> None:
    data = samples()
    scale = {"command": 16.0, "current": 0.8, "pressure": 200.0}[name]
    data.channels[name][150 : 150 + length] += wildness * scale
    columns, intake = taken(data)
    assert np.flatnonzero(np.isnan(columns[row])).tolist() == list(range(150, 150 + length))
    assert intake.excluded == {name: length}
    assert intake.found_s == tuple(data.time_s[150 : 150 + length])
    assert np.isfinite(columns[[r for r in (DEMAND, CURRENT, PRESSURE) if r != row]]).all()


def test_what_was_set_aside_is_remarked_for_a_day_and_in_a_log_for_good() -> None:
    data = samples()
    data.channels["command"][[100, 200]] += 8.0
    data.channels["pressure"][150] += 80.0
    _, intake = taken(data)
    sentence = "Set aside as single wild readings in the last day: 2 of command, 1 of pressure."
    assert remarks_of(intake, lately=True) == (sentence,)
    for hours, said in ((22.0, (sentence,)), (26.0, ())):
        later = replace(samples(seed=2), time_s=data.time_s + 3600.0 * hours)
        _, after = take_in(later, sheet(), stored("intake", intake), flush=True)
        assert remarks_of(after, lately=True) == said
        assert remarks_of(after, lately=False) == (sentence.replace(" in the last day", ""),)


def test_counts_of_more_than_a_day_are_forgotten_one_hour_at_a_time() -> None:
    intake = Intake()
    for hour in range(100):
        intake = replace(intake, newest_s=3600.0 * hour + 5.0).counting("time", np.array([3600.0 * hour + 5.0]))
    assert intake.counts(lately=True) == {"time": 24}
    assert intake.counts(lately=False) == {"time": 100}
    assert len(intake.lately) == 24


def test_two_wild_readings_to_opposite_sides() -> None:
    data = samples()
    data.channels["current"][100:102] = [9.0, -9.0]
    assert taken(data)[1].excluded == {"current": 2}


def test_what_lasts_and_what_moves_is_left_alone() -> None:
    data = samples()
    data.channels["command"][100:103] += 8.0  # three in a row are something
    data.channels["pressure"][200:] -= 80.0  # a step
    data.channels["current"][:] = 0.5 + 0.3 * np.sin(np.arange(300) / 3.0)
    columns, intake = taken(data)
    assert intake.excluded == {}
    assert remarks_of(intake, lately=False) == remarks_of(intake, lately=True) == ()
    assert np.isfinite(columns[[DEMAND, CURRENT, PRESSURE]]).all()


@pytest.mark.parametrize("period", [2, 3, 5])
def test_dither_that_was_not_filtered_out_is_no_wild_reading(period) -> None:
    data = samples()
    data.channels["current"][:] += 0.12 * np.cos(2.0 * np.pi * np.arange(300) / period)
    assert taken(data)[1].excluded == {}


def test_healthy_production_has_none(healthy) -> None:
    for name in ("healthy-0", "healthy-5", "healthy-9"):
        lane = healthy[name]
        assert take_in(lane.samples, lane.sheet, Intake())[1].excluded == {}


def test_noise_of_any_size_is_hardly_ever_taken_for_wild_readings() -> None:
    rng = np.random.default_rng(4)
    assert wild(np.arange(200_000) / 100.0, rng.standard_normal(200_000), 0.0).size <= 40


def test_at_ten_hertz_one_reading_may_be_wild_two_are_a_pulse() -> None:
    data = samples(rate_hz=10.0)
    data.channels["current"][100] = 5.0
    data.channels["current"][200:202] = 5.0
    columns, intake = taken(data)
    assert intake.excluded == {"current": 1}
    assert np.isnan(columns[CURRENT, 100])


def test_across_a_pause_there_are_no_neighbours() -> None:
    data = samples()
    time_s = data.time_s.copy()
    time_s[151:] += 30.0
    data.channels["pressure"][150] = 900.0
    assert taken(replace(data, time_s=time_s))[1].excluded == {}


def test_without_settings_in_the_sheet_there_are_limits_all_the_same() -> None:
    data = samples()
    data.channels["current"][100] += 0.5
    data.channels["pressure"][200] += 50.0
    assert taken(data, Sheet("press-1.bare", MA, {}, {}))[1].excluded == {"current": 1, "pressure": 1}


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(1, 60), min_size=2, max_size=25), st.integers(0, 10_000))
def test_cuts_and_text_change_nothing(sizes, seed) -> None:
    rng = np.random.default_rng(seed)
    n = sum(sizes)
    data = samples(n, rate_hz=float(rng.choice([10.0, 100.0, 200.0])), seed=seed)
    time_s = data.time_s + 40.0 * np.cumsum(rng.random(n) < 0.01)
    for values in data.channels.values():
        values[rng.random(n) < 0.03] *= rng.choice([-3.0, 1.2, 5.0, np.nan])
    data = replace(data, time_s=time_s)
    whole, end = take_in(data, sheet(), Intake())
    pieces, intake, at = [], Intake(), 0
    for size in sizes:
        intake = stored("intake", intake)
        columns, intake = take_in(part(data, at, at + size), sheet(), intake)
        pieces.append(columns)
        at += size
    assert np.array_equal(np.concatenate(pieces, axis=1), whole, equal_nan=True)
    assert intake.excluded == end.excluded
    assert intake.lately == end.lately
    assert intake.steps == end.steps
    assert np.array_equal(intake.waiting, end.waiting, equal_nan=True)
    last, _ = take_in(part(data, 0, 0), sheet(), intake, flush=True)
    assert last.shape[1] == min(2, n)
    assert end.newest_s == intake.newest_s == time_s[-1]
    assert whole[TIME].tolist() == time_s[: max(n - 2, 0)].tolist()


def test_wild_readings_open_no_stroke_break_no_dwell_and_find_nothing(healthy) -> None:
    lane = healthy["healthy-7"]
    clean = run(lane.sheet, lane.samples, [6000])
    rng = np.random.default_rng(5)
    n = lane.samples.time_s.size
    channels = {name: values.copy() for name, values in lane.samples.channels.items()}
    struck = 0
    for name in ("command", "current", "pressure"):
        reach = np.ptp(channels[name])
        for at in (np.arange(200, n - 200, 2500) + rng.integers(0, 2000, len(range(200, n - 200, 2500)))).tolist():
            length = int(rng.integers(1, 3))
            channels[name][at : at + length] += rng.choice([-1.0, 1.0]) * rng.uniform(0.5, 3.0) * reach
            struck += length
    spoilt = run(lane.sheet, replace(lane.samples, channels=channels), [6000])
    assert sum(spoilt.state.intake.excluded.values()) >= 0.9 * struck
    assert spoilt.judgement.findings == clean.judgement.findings == ()
    assert spoilt.judgement.state_hours == pytest.approx(clean.judgement.state_hours, rel=1e-6)
    assert len(spoilt.state.strokes) == len(clean.state.strokes)
    assert abs(len(spoilt.state.dwells) - len(clean.state.dwells)) <= 1
    (remark,) = [r for r in spoilt.judgement.remarks if r.startswith("Set aside")]
    assert "of command" in remark
    for name, quantity in {q.id: q for q in spoilt.judgement.quantities}.items():
        other = next(q for q in clean.judgement.quantities if q.id == name)
        assert quantity.verdict is other.verdict
        if quantity.as_found is not None and other.uncertainty is not None and other.as_found is not None:
            assert abs(quantity.as_found - other.as_found) <= other.uncertainty


def counted(values: np.ndarray, step: float) -> np.ndarray:
    return np.round(values / step) * step


def test_flicker_of_a_coarse_converter_is_no_wild_reading() -> None:
    """Eight bits over 1.25 times the range: two steps are 1 % of full pressure, and a quiet signal flickers so."""
    for seed in range(5):
        data = samples(30_000, seed=seed)
        noise = np.random.default_rng(seed).standard_normal((3, 30_000))
        data.channels["pressure"][:] = counted(105.0 + 0.6 * noise[0], 250.0 / 256)
        data.channels["current"][:] = counted(0.6 + 0.003 * noise[1], 1.25 / 256)
        data.channels["command"][:] = counted(12.0 + 0.04 * noise[2], 20.0 / 256)
        assert sum(taken(data)[1].excluded.values()) <= 3


def test_a_wild_reading_of_a_coarse_converter_is_set_aside_all_the_same() -> None:
    data = samples(2000)
    data.channels["pressure"][:] = counted(105.0 + 0.4 * np.random.default_rng(2).standard_normal(2000), 250.0 / 256)
    data.channels["pressure"][1500] += 9.0
    assert taken(data)[1].excluded == {"pressure": 1}


def test_a_converters_step_is_known_from_its_changes_and_not_from_one_wild_reading() -> None:
    data = samples(2000)
    data.channels["pressure"][:] = 105.0
    data.channels["pressure"][[300, 600, 900]] = 140.0
    _, intake = taken(data)
    assert intake.excluded == {"pressure": 3}
    assert intake.steps["pressure"].known == 0.0
    data.channels["pressure"][1000::7] = 105.5
    _, intake = taken(data)
    assert intake.steps["pressure"].known == pytest.approx(0.5)
    assert intake.excluded == {"pressure": 3}


def test_many_wild_readings_are_missing_data() -> None:
    data = recording([0.0, 0.5, 1.0, 0.5] * 8, seed=6)
    data.channels["current"][::8] = 5.0
    outcome = step(sheet(), begin(sheet()), data)
    assert "data-missing" in {f.kind for f in outcome.judgement.findings}
