"""A current that never falls below a floor, and what levels there say of the driver: nothing."""

from __future__ import annotations

import numpy as np
import pytest
from asleft.judge.driver.currents import Level, floored, usable
from asleft.judge.judge import judge_log
from asleft.judge.types import Samples, Verdict
from lanes import by_id
from synth import dwell, recording, sheet


def raised(samples: Samples, floor_a: float) -> Samples:
    current = samples.channels["current"]
    floor = floor_a + 5e-4 * np.random.default_rng(7).standard_normal(current.size)
    return Samples(samples.time_s, {**samples.channels, "current": np.where(current < floor_a, floor, current)})


@pytest.mark.parametrize("levels", [(0.0, 0.2, 0.3, 0.15), (0.0, 0.2, 0.35, 0.8, 0.3)])
def test_a_current_at_full_is_not_called_out_for_a_floor_that_lower_commands_stand_on(
    levels: tuple[float, ...],
) -> None:
    judgement = judge_log(sheet(), raised(recording(levels * 12), 0.6))
    zero, full = by_id(judgement)["current_at_zero"], by_id(judgement)["current_at_full"]
    assert zero.as_found == pytest.approx(0.6, abs=2e-3)
    assert zero.verdict is Verdict.OUT
    assert full.verdict is not Verdict.OUT


def level(demand: float, current_a: float) -> Level:
    return Level(demand, current_a, 1e-4, 0.0, 8e-4, 10, 0.0, 10.0)


def test_a_floor_takes_two_commands_of_one_current_above_what_was_left() -> None:
    left = (0.2, 1.0)
    assert floored([level(0.0, 0.5), level(0.2, 0.5), level(0.8, 0.84)], left, 0.016) == 2
    assert floored([level(0.0, 0.5), level(0.5, 0.6), level(1.0, 1.0)], left, 0.016) == 0  # a zero that was turned
    assert floored([level(0.0, 0.2), level(0.04, 0.2), level(1.0, 1.0)], left, 0.016) == 0  # too near to one another
    assert floored([], left, 0.016) == 0


def test_no_current_at_zero_command_where_hardly_any_flows_is_a_driver_that_is_off() -> None:
    """In a stop that no channel marks; where more flows when left, the state of the machine tells it."""
    little = sheet(as_left={**sheet().as_left, "current_at_zero": 0.02})
    assert not usable(dwell(0.0, 0.0), little)
    assert usable(dwell(0.0, 0.019), little)
    assert usable(dwell(0.5, 0.0), little)
    assert usable(dwell(0.0, 0.0), sheet())
