"""Steps of a command against a limiter worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest
from asleft.judge.verify.recognise import limited, moves_of


def command(*script: tuple[float, float], rate_hz: float = 100.0, spoilt: float = 0.0):
    """(seconds, level) one after the other; `spoilt`: the share of readings that failed."""
    levels = np.concatenate([np.full(round(s * rate_hz), u) for s, u in script])
    rng = np.random.default_rng(5)
    demand = levels + 0.002 * rng.normal(size=levels.size)
    demand[rng.random(levels.size) < spoilt] = np.nan
    return 1000.0 + np.arange(levels.size) / rate_hz, demand


def test_steps_are_told_with_how_long_the_command_stayed():
    up, down = moves_of(*command((3.0, 0.0), (4.0, 1.0), (5.0, 0.2)))
    assert (up.rising, down.rising) == (True, False)
    assert (up.at_s, up.stayed_s) == pytest.approx((1003.0, 4.0), abs=0.011)
    assert (down.from_level, down.to_level, down.size) == pytest.approx((1.0, 0.2, 0.8), abs=0.01)
    assert (up.moves_on, down.moves_on) == (True, False)


@pytest.mark.parametrize("spoilt", [0.0, 0.2, 0.5])
def test_failed_readings_hide_no_step(spoilt):
    assert len(moves_of(*command((3.0, 0.0), (2.0, 1.0), (3.0, 0.0), (2.0, 1.0), (3.0, 0.0), spoilt=spoilt))) == 4


def test_what_creeps_is_no_step():
    creep = [(0.1, k / 40) for k in range(41)]
    assert moves_of(*command((3.0, 0.0), *creep, (3.0, 1.0))) == []


def test_a_limiter_goes_as_far_as_the_command_lets_it():
    moves = moves_of(*command((3.0, 0.0), (0.5, 1.0), (4.0, 0.0), (3.0, 1.0), (3.0, 0.0)))
    ran = limited(moves, up_s=2.0, down_s=1.0)
    assert [move.run for move in ran] == pytest.approx([0.25, 0.25, 1.0, 1.0], abs=0.01)
    assert [move.whole for move in ran] == [False, False, True, True]
    assert [move.begun_early for move in ran] == [False, True, False, False]


def test_without_a_ramp_every_step_is_whole():
    moves = moves_of(*command((3.0, 0.0), (0.5, 1.0), (4.0, 0.0)))
    assert [move.whole for move in limited(moves, 0.0, 0.0)] == [True, True]


def test_nothing_read_is_no_step():
    assert moves_of(np.arange(100) / 10.0, np.full(100, np.nan)) == []
