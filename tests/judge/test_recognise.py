"""Cycles and sweeps recognised from a command alone, against scripts whose truth is known."""

from __future__ import annotations

import numpy as np
import pytest
from asleft.judge.verify.recognise import motion_of

RATE = 50.0
STROKES = [(3.0, 0.0), (3.0, 1.0), (3.0, 0.0)]
UP = [(2.0, k / 10) for k in range(1, 11)]
DOWN = [(2.0, k / 10) for k in range(9, -1, -1)]
REST = [(3.0, 0.0)]


def command(script, noise=1e-3):
    time_s = np.arange(round(sum(s for s, _ in script) * RATE)) / RATE
    edges = np.cumsum([0.0, *(s for s, _ in script)])
    at = np.minimum(np.searchsorted(edges, time_s, side="right") - 1, len(script) - 1)
    u = np.array([level for _, level in script])[at]
    return 1000.0 + time_s, u + noise * np.random.default_rng(1).normal(size=u.size)


def test_two_strokes_and_a_sweep():
    motion = motion_of(*command([*STROKES, (3.0, 1.0), *REST, *UP, *DOWN, *REST]))
    assert [cycle.sweep for cycle in motion.cycles] == [False, False, True]
    sweep = motion.cycles[2]
    assert len(sweep.up.rests) == len(sweep.down.rests) == 11
    assert sweep.up.largest_step == pytest.approx(0.1, abs=2e-3)
    assert sweep.from_s == pytest.approx(1015.0, abs=0.2)
    assert sweep.to_s == pytest.approx(1015.0 + 38.0, abs=0.3)
    assert sweep.up.rate == pytest.approx(0.94 / 18.0, rel=0.02)
    assert motion.under_way == ""


def test_a_slow_sweep_without_rests():
    time_s = 1000.0 + np.arange(0.0, 60.0, 1 / RATE)
    demand = np.clip(1.0 - np.abs(time_s - 1030.0) / 25.0, 0.0, 1.0)
    (cycle,) = motion_of(time_s, demand).cycles
    assert cycle.sweep
    fast = np.clip(1.0 - np.abs(time_s - 1030.0) / 6.0, 0.0, 1.0)
    assert not motion_of(time_s, fast).cycles[0].sweep


@pytest.mark.parametrize(
    "script",
    [
        [*REST, *UP[:5], (2.0, 0.42), *UP[5:], *DOWN, *REST],  # turned back on the way up
        [*REST, *UP, *DOWN[:4], (2.0, 0.75), *DOWN[4:], *REST],  # and on the way down
        [*REST, (2.0, 0.35), (2.0, 0.7), (2.0, 1.0), (2.0, 0.4), *REST],  # production
        [*REST, *UP, *REST],  # down in one step
        [*REST, (2.0, 0.3), *UP[3:], *DOWN, *REST],  # one step too large
        [*REST, *((2.0, k / 3) for k in range(1, 4)), *((2.0, k / 3) for k in (2, 1, 0)), *REST],  # steps of a third
    ],
)
def test_what_is_no_sweep(script):
    motion = motion_of(*command(script))
    assert len(motion.cycles) == 1
    assert motion.sweeps == ()


@pytest.mark.parametrize(
    ("script", "way", "reached"),
    [
        ([*REST, *UP[:4]], "up", 0.4),
        ([*REST, *UP, *DOWN[:3]], "down", 0.7),
        ([*REST, *UP[:9], (2.0, 0.96), *DOWN, *REST], "", None),  # never reached the upper end
    ],
)
def test_what_is_under_way(script, way, reached):
    motion = motion_of(*command(script))
    assert motion.cycles == ()
    assert motion.under_way == way
    if reached is not None:
        assert motion.reached == pytest.approx(reached, abs=0.01)


def test_a_pause_in_the_data_breaks_the_cycle():
    time_s, demand = command([*REST, *UP, *DOWN, *REST])
    kept = (time_s < 1010.0) | (time_s > 1013.0)
    assert motion_of(time_s[kept], demand[kept]).cycles == ()
    unread = np.where(kept, demand, np.nan)
    assert motion_of(time_s, unread).cycles == ()


def test_nothing_recorded_is_nothing_done():
    assert motion_of(np.zeros(0), np.zeros(0)).cycles == ()
    assert motion_of(np.arange(5.0), np.full(5, np.nan)).under_way == ""
