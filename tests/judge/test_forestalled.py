"""A command that is read late: the current moves before it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from asleft.catalogue.parts import Part
from asleft.judge.judge import judge_log
from asleft.judge.types import Samples
from asleft.judge.watching.asked import FORESTALLED
from asleft.judge.watching.stretches import Stretch, WatchCarry
from asleft.judge.watching.watch import watch
from synth import columns, recording, sheet

LEVELS = [0.1, 0.6, 0.9, 0.3]


def log(late_s: float, *, rate_hz: float = 100.0, noise: float = 1e-3, seed: int = 0) -> Samples:
    """Two minutes of steps a few seconds apart, the command read `late_s` late (before, if less than none)."""
    plain = recording(LEVELS * 5, hold_s=6.0, rate_hz=rate_hz, jitter_s=0.0)
    rng = np.random.default_rng(seed)
    command = plain.channels["command"]
    at = np.interp(plain.time_s - late_s, plain.time_s, np.arange(plain.time_s.size))
    command = command[np.floor(at + 1e-6).astype(int)]
    current = plain.channels["current"] + noise * rng.standard_normal(plain.time_s.size)
    return Samples(plain.time_s, {"command": command, "current": current})


def late_in(samples: Samples, size: int | None = None) -> list[Stretch]:
    valve = sheet()
    signal = valve.signal
    demand = (samples.channels["command"] - signal.at_zero) / (signal.at_full - signal.at_zero)
    data = columns(demand, current=samples.channels["current"], enable=np.ones(demand.size))
    data[0] = samples.time_s
    carry, out = WatchCarry(), []
    ramps_s = (valve.as_left["ramp_up"], valve.as_left["ramp_down"])
    for a in range(0, demand.size, size or demand.size):
        out += watch(data[:, a : a + (size or demand.size)], valve, carry, ramps_s, 0.03)
    return [stretch for stretch in out if stretch.kind == FORESTALLED]


@pytest.mark.parametrize("rate_hz", [10.0, 100.0, 500.0])
@pytest.mark.parametrize("late_s", [0.4, 0.8])
def test_a_command_that_is_read_late_is_seen_by_the_current_that_comes_before_it(late_s, rate_hz) -> None:
    found = late_in(log(late_s, rate_hz=rate_hz))
    assert found
    assert sum(stretch.detail["times"] for stretch in found) >= 10
    assert found[-1].detail["lead_s"] == pytest.approx(late_s, abs=0.1 + 1.0 / rate_hz)


@pytest.mark.parametrize("rate_hz", [10.0, 100.0, 500.0])
@pytest.mark.parametrize("late_s", [-0.4, -0.1, 0.0, 0.01])
def test_a_current_that_follows_however_late_its_reading_forestalls_nothing(late_s, rate_hz) -> None:
    assert not late_in(log(late_s, rate_hz=rate_hz, noise=0.01))


@pytest.mark.parametrize("seed", range(6))
def test_dither_that_beats_slowly_moves_the_current_before_some_steps_by_chance(seed) -> None:
    """Half an hour of steps; 16 % of the span peak to peak, once in some eight seconds."""
    plain = recording(LEVELS * 60, hold_s=6.0, rate_hz=50.0, jitter_s=1.0, seed=seed)
    swing = 0.064 * np.sin(2.0 * np.pi * 0.12 * plain.time_s + seed)
    assert not late_in(Samples(plain.time_s, {**plain.channels, "current": plain.channels["current"] + swing}))


def test_readings_of_a_slow_logger_that_belong_to_two_instants_are_no_late_command() -> None:
    assert not late_in(log(0.1, rate_hz=10.0))


@pytest.mark.parametrize("size", [1, 37, 100])
def test_where_the_samples_are_cut_changes_nothing(size) -> None:
    samples = log(0.5)
    assert late_in(samples, size) == late_in(samples)


def test_a_current_that_still_rises_when_the_next_step_comes_forestalls_nothing() -> None:
    """A ramp of ten seconds over steps all of one direction, then down: it has never come to rest."""
    plain = recording([0.0, 0.3, 0.6, 0.9] * 5, hold_s=2.6, jitter_s=0.0, up_s=10.0)
    assert not late_in(plain)


def test_the_finding_names_the_data_and_leaves_no_current_unasked() -> None:
    samples = log(0.8)
    plain = sheet()
    judgement = judge_log(replace(plain, as_left={**plain.as_left, "ramp_up": 0.3, "ramp_down": 0.3}), samples)
    leading = [finding for finding in judgement.findings if finding.consequence_of is None]
    assert [finding.kind for finding in leading] == ["response-changed"]
    assert (leading[0].part, leading[0].alternatives) == (Part.DATA, ())
    assert "before the command" in leading[0].evidence


@pytest.mark.parametrize("seed", range(3))
def test_a_command_that_is_read_late_at_times_only_is_seen(seed) -> None:
    """Twelve seconds of every thirty; never are four steps in a row late. By how much is the same each time."""
    plain, late = log(0.0, seed=seed), log(0.7, seed=seed)
    at_times = (plain.time_s - plain.time_s[0]) % 30.0 > 18.0
    command = np.where(at_times, late.channels["command"], plain.channels["command"])
    samples = Samples(plain.time_s, {**plain.channels, "command": command})
    assert sum(stretch.detail["times"] for stretch in late_in(samples)) >= 4
    assert late_in(samples, 37) == late_in(samples)


@pytest.mark.parametrize("seed", range(4))
def test_a_current_that_is_disturbed_before_some_steps_forestalls_none(seed) -> None:
    """A fifth of the steps, either way and by any time up to a second before them."""
    plain, rng = log(0.0, seed=seed), np.random.default_rng(seed)
    command, current = plain.channels["command"], plain.channels["current"].copy()
    for k in np.flatnonzero(np.abs(np.diff(command)) > 1.0).tolist():
        if rng.uniform() < 0.2:
            from_s = plain.time_s[k] - rng.uniform(0.15, 1.0)
            current[(plain.time_s > from_s) & (plain.time_s <= plain.time_s[k])] += rng.choice([-0.04, 0.04])
    assert not late_in(Samples(plain.time_s, {**plain.channels, "current": current}))


def test_ripple_that_windows_average_out_hides_no_late_command() -> None:
    """A twentieth of the span at 40 Hz, six times of which is more than any lead would be taken for."""
    samples = log(0.8)
    ripple = 0.04 * np.sin(2.0 * np.pi * 40.3 * samples.time_s)
    shaken = {**samples.channels, "current": samples.channels["current"] + ripple}
    assert sum(stretch.detail["times"] for stretch in late_in(Samples(samples.time_s, shaken))) >= 10
    still = log(0.0)
    quiet = {**still.channels, "current": still.channels["current"] + ripple}
    assert not late_in(Samples(still.time_s, quiet))
