"""Poor recordings of a healthy valve: nothing is found, nothing is judged out, and what was left out is counted."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from asleft.judge.judge import judge_log
from asleft.judge.types import Judgement, Samples, Verdict
from lanes import by_id
from synth import recording, sheet

LEVELS = [0.0, 0.35, 0.7, 1.0, 0.4] * 9
SETTINGS = ("current_at_zero", "current_at_full", "ramp_up", "ramp_down")


def valve() -> object:
    """A sheet of what `recording` makes: no pressure, supply or dither in it."""
    left = {name: sheet().as_left[name] for name in SETTINGS}
    return sheet(as_left=left, tolerance={name: sheet().tolerance[name] for name in SETTINGS})


def production(rate_hz: float = 100.0, seed: int = 2) -> Samples:
    return recording(LEVELS, rate_hz=rate_hz, seed=seed, jitter_s=0.3, lags_s=(0.02, 0.012))


def check(samples: Samples, *, seen: bool = True) -> Judgement:
    judgement = judge_log(valve(), samples)
    assert [f for f in judgement.findings if f.kind != "data-missing"] == [], judgement.findings
    for name, quantity in by_id(judgement).items():
        if name not in SETTINGS:
            continue
        assert quantity.verdict is not Verdict.OUT, (name, quantity.as_found)
        if seen:
            assert quantity.verdict is Verdict.IN, (name, quantity.verdict, quantity.reason)
    assert judgement.state_hours.get("set-up", 0.0) == 0.0
    assert judgement.state_hours.get("not-enabled", 0.0) == 0.0
    return judgement


@pytest.mark.parametrize("rate_hz", [10.0, 25.0, 50.0, 200.0])
def test_any_rate_from_ten_to_two_hundred(rate_hz) -> None:
    check(production(rate_hz), seen=rate_hz > 10.0)


@pytest.mark.parametrize("share", [0.2, 0.45])
def test_timestamps_that_jitter(share) -> None:
    """The reading is taken at the true instant and stamped wrong by up to that share of an interval."""
    data = production()
    rng = np.random.default_rng(3)
    check(replace(data, time_s=data.time_s + 0.01 * share * rng.uniform(-1.0, 1.0, data.time_s.size)))


def test_irregular_sampling() -> None:
    data = production(200.0)
    keep = np.sort(np.random.default_rng(4).choice(data.time_s.size, data.time_s.size // 3, replace=False))
    check(Samples(data.time_s[keep], {name: values[keep] for name, values in data.channels.items()}))


def test_times_that_come_twice_are_left_out_and_counted() -> None:
    data = production()
    twice = np.sort(np.concatenate((np.arange(data.time_s.size), np.arange(100, 9000, 90))))
    channels = {name: values[twice].copy() for name, values in data.channels.items()}
    again = np.flatnonzero(np.diff(twice) == 0) + 1
    channels["current"][again] = 99.0  # what comes second is not looked at
    judgement = check(Samples(data.time_s[twice], channels))
    assert judgement.samples == data.time_s.size
    assert f"Left out: {again.size} samples whose time came twice or went back." in judgement.remarks


def test_gaps_and_failed_readings() -> None:
    data = production()
    rng = np.random.default_rng(5)
    keep = np.ones(data.time_s.size, dtype=bool)
    for first in rng.integers(0, keep.size - 400, 6):
        keep[first : first + rng.choice([3, 40, 300])] = False
    channels = {name: values[keep].copy() for name, values in data.channels.items()}
    for name in channels:
        for first in rng.integers(0, keep.sum() - 100, 8):
            channels[name][first : first + rng.choice([1, 5, 60])] = np.nan
    check(Samples(data.time_s[keep], channels))


@pytest.mark.parametrize("late_ms", [20, 50])
@pytest.mark.parametrize("channel", ["current", "command"])
def test_a_channel_that_comes_late(channel, late_ms) -> None:
    data = production()
    shift = late_ms // 10
    values = data.channels[channel]
    late = np.concatenate((np.full(shift, values[0]), values[:-shift]))
    check(replace(data, channels={**data.channels, channel: late}))


def test_wild_readings_in_every_channel() -> None:
    data = production()
    rng = np.random.default_rng(6)
    channels = {name: values.copy() for name, values in data.channels.items()}
    for values in channels.values():
        for first in range(150, values.size - 50, 700):
            at = first + int(rng.integers(0, 500))
            values[at : at + int(rng.integers(1, 3))] = rng.choice([-1e4, 0.0, 1e4])
    judgement = check(replace(data, channels=channels))
    assert any(remark.startswith("Set aside as single wild readings") for remark in judgement.remarks)


def test_twelve_bits_and_a_noisy_command() -> None:
    data = recording(LEVELS, seed=7, jitter_s=0.3, noise_u=2e-3, noise_a=2e-3)
    step_ma, step_a = 22.0 / 4095, 2.0 / 4095
    rounded = {
        "command": np.round(data.channels["command"] / step_ma) * step_ma,
        "current": np.round(data.channels["current"] / step_a) * step_a,
    }
    check(replace(data, channels=rounded))


def test_a_reading_that_sticks_is_found_and_its_settings_are_not_invented() -> None:
    data = production()
    current = data.channels["current"].copy()
    current[4000:] = current[4000]
    judgement = judge_log(valve(), replace(data, channels={**data.channels, "current": current}))
    causes = [f for f in judgement.findings if f.consequence_of is None]
    assert [f.kind for f in causes] == ["reading-pinned"]
    command = data.channels["command"].copy()
    command[4000:] = command[4000]
    judgement = judge_log(valve(), replace(data, channels={**data.channels, "command": command}))
    causes = [f for f in judgement.findings if f.consequence_of is None]
    assert [f.kind for f in causes] == ["reading-pinned"]
    assert causes[0].part.value == "command-wiring"
