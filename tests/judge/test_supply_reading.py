"""A supply reading that stood on one value from the first row on: dead, or only coarse, or rounded."""

from __future__ import annotations

import math

import pytest
from asleft.judge.driver.supply import supply_estimate, supply_never_moved
from synth import dwell


def rows(value_v: float, *, moves_v: float = 0.0, levels: tuple[float, float] = (0.1, 0.9), n: int = 10):
    return [dwell(levels[k % 2], supply_v=value_v + moves_v * k, producing=1.0) for k in range(n)]


def test_one_value_to_the_last_digit_whatever_flows_is_dead() -> None:
    found = supply_never_moved(rows(23.973), 0.8, 1e-4)
    assert [stretch.kind for stretch in found] == ["stuck:supply"]
    assert found[0].detail["value"] == 23.973


@pytest.mark.parametrize(
    ("dwells", "resolution_a"),
    [
        (rows(23.973, moves_v=1e-4), 1e-4),  # it moves
        (rows(24.1), 1e-4),  # a number of one digit behind the point
        (rows(24.05), 1e-4),
        (rows(24.13), 1e-4),  # a register of two digits beside a regulated supply
        (rows(23.973), 3e-3),  # everything in this log is read in coarse steps
        (rows(23.973, levels=(0.5, 0.55)), 1e-4),  # the load hardly changed
        (rows(23.973, n=5), 1e-4),
        ([], 1e-4),
    ],
)
def test_what_may_be_alive_is_not_dead(dwells, resolution_a) -> None:
    assert supply_never_moved(dwells, 0.8, resolution_a) == []


@pytest.mark.parametrize(("value_v", "step_v"), [(24.0, 1.0), (24.1, 0.1), (24.13, 0.01)])
def test_a_number_that_never_moves_is_known_to_its_last_digit(value_v: float, step_v: float) -> None:
    told = supply_estimate(rows(value_v), recorded=True, instrument_u_v=0.0)
    assert not isinstance(told, str)
    assert math.hypot(told.repeatability, told.systematic) == pytest.approx(step_v / math.sqrt(12.0))


def test_a_number_that_moves_is_known_by_how_it_moves() -> None:
    told = supply_estimate(rows(24.1, moves_v=0.01), recorded=True, instrument_u_v=0.05)
    assert not isinstance(told, str)
    assert told.systematic == 0.05
