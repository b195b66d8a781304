"""The measures of the fault benchmark, and which of its faults are separable, without simulating any."""

from __future__ import annotations

import itertools
import sys
from collections import Counter
from pathlib import Path

import pytest
from asleft.catalogue.parts import Part

sys.path.insert(0, str(Path(__file__).parent.parent / "bench"))

from damadics import Stretch, detection_time, false_rate, true_rate
from fault_cases import CASES, CHANNEL_SETS, expected, valve
from fault_jobs import SEEDS, full_jobs
from fault_runs import Plan, plans, tolerances, window_start_s
from report import share_interval


def signal(*edges: float, end: float, on: bool = False) -> list[Stretch]:
    """On and off in turn, beginning with `on`, changing at the edges."""
    times = [0.0, *edges, end]
    return [Stretch(a, b, on ^ bool(k % 2)) for k, (a, b) in enumerate(itertools.pairwise(times))]


def test_detection_time_is_that_of_the_last_leading_edge() -> None:
    assert detection_time(signal(130.0, end=200.0), 100.0) == 30.0
    assert detection_time(signal(110.0, 120.0, 150.0, end=200.0), 100.0) == 50.0
    assert detection_time(signal(110.0, 120.0, end=200.0), 100.0) is None
    assert detection_time(signal(end=200.0, on=True), 100.0) == 0.0
    assert detection_time([], 100.0) is None


def test_rates_are_shares_of_the_time_after_and_before() -> None:
    flicker = signal(20.0, 30.0, 125.0, end=200.0)
    assert false_rate(flicker, 100.0) == pytest.approx(0.10)
    assert true_rate(flicker, 100.0) == pytest.approx(0.75)
    assert false_rate(flicker, 0.0) == 0.0


def test_interval_of_a_share_is_clopper_and_pearsons() -> None:
    """0 of 10: 1 - 0.025^(1/10) = 0.3085, the closed form of the upper limit."""
    assert share_interval(0, 10) == pytest.approx((0.0, 1.0 - 0.025**0.1))
    assert share_interval(10, 10) == pytest.approx((0.025**0.1, 1.0))


def test_there_are_faults_enough_and_the_ones_that_were_asked_for() -> None:
    names = {case.name for case in CASES}
    assert len(CASES) >= 20
    assert len(names) == len(CASES)
    assert {"coil unplugged", "coil short-circuited", "unwanted current", "stick-slip"} <= names
    assert {case.part for case in CASES} == set(Part)


def test_the_right_part_is_always_among_those_expected() -> None:
    for case in CASES:
        for channels in CHANNEL_SETS:
            parts = expected(case, channels)
            assert not parts or case.part in parts, (case.name, channels)
        assert expected(case, "full"), case.name


@pytest.mark.parametrize(
    ("name", "channels", "parts"),
    [
        ("ramp up longer", "full", {Part.DRIVER_SETTING}),
        ("ramp up longer", "no current", set()),
        ("spring weak", "full", {Part.VALVE, Part.PRESSURE_SENSOR, Part.PRESSURE_SOURCE}),
        ("spring weak", "no pressure", set()),
        ("pressure sensor's zero", "full", {Part.PRESSURE_SENSOR}),
        ("current sensor's gain", "full", {Part.CURRENT_SENSOR}),
        ("current sensor's gain", "monitor", {Part.CURRENT_SENSOR, Part.DRIVER}),
        ("current sensor's gain", "no pressure", {Part.CURRENT_SENSOR, Part.DRIVER, Part.DRIVER_SETTING}),
        ("command leaks", "full", {Part.COMMAND_WIRING, Part.DRIVER, Part.DRIVER_SETTING}),
        ("coil hot", "full", {Part.COIL}),
        ("supply sags", "no supply", set()),
        ("coil hot", "no current", {Part.COIL, Part.COIL_WIRING, Part.DRIVER, Part.PRESSURE_SOURCE}),
        ("pump weak", "no current", {Part.COIL, Part.COIL_WIRING, Part.DRIVER, Part.PRESSURE_SOURCE}),
        ("pump weak", "full", {Part.PRESSURE_SOURCE}),
    ],
)
def test_what_is_separable_follows_from_the_table(name, channels, parts) -> None:
    assert expected(next(case for case in CASES if case.name == name), channels) == parts


def test_sizes_grow_and_a_whole_fault_has_none() -> None:
    model = valve(0, "plain")
    widths = tolerances({
        "current_at_zero": 0.2, "current_at_full": 0.9, "ramp_up": 1.0, "ramp_down": 1.0, "dither_frequency": 120.0,
        "dither_amplitude": 0.1, "pressure_at_full": 200.0, "supply_voltage": 24.0,
        "coil_resistance": 8.0,
    })  # fmt: skip
    assert widths["ramp_up"] == pytest.approx(0.1)
    assert widths["supply_voltage"] == pytest.approx(2.4)
    for case in CASES:
        small, large = (abs(case.amount(valve(0, case.variant), widths, size)) for size in (0.5, 4.0))
        assert small == large if case.whole else small < large, case.name
    todo = plans(CASES, (0.5, 2.0, 4.0))
    assert len(todo) == sum(1 if case.whole else 6 for case in CASES)
    faulty = Plan(CASES[0], 2.0, slow=False).model(model, widths)
    assert faulty.faults[0].onset_s == window_start_s(5) + 60.0
    assert window_start_s(5) - window_start_s(0) == 7 * 86_400.0


def test_jobs_simulate_every_fault_once_and_count_every_healthy_valve_once() -> None:
    jobs = full_jobs()
    faults = Counter((job.seed, name) for job in jobs for name in job.names)
    assert set(faults) == {(seed, case.name) for seed in range(SEEDS) for case in CASES}
    assert set(faults.values()) == {1}
    variant = {case.name: case.variant for case in CASES}
    assert all(variant[name] == job.variant for job in jobs for name in job.names)
    calm = Counter((job.seed, job.variant) for job in jobs if job.counts_calm)
    assert set(calm.values()) == {1}
    assert set(calm) == {(job.seed, job.variant) for job in jobs}
