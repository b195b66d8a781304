""" "As left" is only said of what every visit of the log bears out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from asleft.catalogue.statuses import Status
from asleft.judge.features import Dwell
from asleft.judge.finding.steadiness import unsteady
from asleft.judge.onset import times_beyond
from asleft.judge.types import Judgement, Verdict
from presses import judged, press
from synth import curved, dwell
from test_findings import context, result

CYCLE = (0.0, 0.5, 1.0, 0.7)


def visits(off: dict[int, float], *, level: float = 1.0, cycles: int = 7, channel: str = "current_a") -> list[Dwell]:
    """A press of straight lines; at the given visits of a level a channel reads so much more."""
    out = []
    for cycle in range(cycles):
        for k, u in enumerate(CYCLE):
            at_s = 40.0 * cycle + 9.0 * k
            one = dwell(
                u, 0.2 + 0.8 * u, pressure_bar=10.0 + 190.0 * u, arrival=-1.0 if u in {0.0, 0.7} else 1.0,
                from_s=at_s, to_s=at_s + 5.0, supply_v=24.0,
            )  # fmt: skip
            more = off.get(cycle, 0.0) if u == level else 0.0
            out.append(one._replace(**{channel: getattr(one, channel) + more}))
    return out


def said(dwells: list[Dwell], **more: object) -> list[str]:
    base = context()
    seen, found = replace(base.seen, dwells=dwells), replace(base.found, judged_pressure=dwells)
    return unsteady(replace(base, seen=seen, found=found, **more))


def test_levels_that_keep_their_places_say_nothing() -> None:
    assert said(visits({})) == []
    assert said([]) == []


@pytest.mark.parametrize("level", [1.0, 0.5])
def test_two_visits_of_seven_speak_against_as_left(level: float) -> None:
    at = f"current at {100 * level:.0f} % command"
    told = said(visits({2: -0.03, 5: -0.03}, level=level))
    assert len(told) == 1
    assert told[0].startswith(f"{at} was at ")
    assert "at 2 of 7 visits" in told[0]


def test_the_last_visit_alone_does_too_where_it_is_a_tolerance_off() -> None:
    assert said(visits({6: -0.02}))  # the tolerance is 0.016 A
    assert said(visits({6: -0.014})) == []


def test_a_current_that_wanders_from_visit_to_visit_has_no_two_places() -> None:
    assert said(visits({k: 0.012 * k for k in range(7)})) == []


def test_a_creep_of_all_levels_shows_where_each_is_met_too_seldom_for_a_line() -> None:
    crept = [
        one._replace(current_a=one.current_a - 0.0004 * max(one.from_s - 60.0, 0.0)) for one in visits({}, cycles=4)
    ]
    told = said(crept)
    assert len(told) == 1
    assert told[0].startswith("current at 100 % command went from 1.000 A to 0.969 A, 3 other levels with it")
    alone = [one if one.demand != 1.0 else two for one, two in zip(visits({}, cycles=4), crept, strict=True)]
    assert not any("other level" in clause for clause in said(alone))


def test_levels_that_never_come_back_say_nothing_of_the_time() -> None:
    """Each visit half a percent beside the last, along a driver's law that bends: what moved is the command."""
    bent = [dwell(0.3 + 0.004 * k, 0.44 + 0.0032 * k + 0.02 * (k / 100.0) ** 2, from_s=9.0 * k) for k in range(100)]
    assert said(bent) == []


def test_a_pressure_may_be_a_loads_or_not_at_rest_once_and_not_twice() -> None:
    assert said(visits({3: -30.0}, channel="pressure_bar")) == []
    assert said(visits({3: 30.0}, channel="pressure_bar")) == []
    assert "pressure at 100 % command was at 170.0 bar at 2 of 7 visits" in said(
        visits({3: -30.0, 5: -30.0}, channel="pressure_bar")
    )[0]  # fmt: skip
    at_full, at_half = (visits({3: -30.0}, level=u, channel="pressure_bar") for u in (1.0, 0.5))
    both = [two if one.demand == 0.5 else one for one, two in zip(at_full, at_half, strict=True)]
    assert "pressure at 100 % command was at 170.0 bar at 1 of 7 visits" in said(both)[0]


def test_a_level_that_is_reached_by_part_of_a_way_lies_anywhere_in_the_loop() -> None:
    """From 0.75 down to 0.7 the spool hardly moves: seen seven times, twice after such a way."""
    dwells = visits({2: 8.0, 5: 8.0}, level=0.7, channel="pressure_bar")
    near = [
        one._replace(demand=0.75) if k // 4 in {2, 5} and one.demand == 1.0 else one for k, one in enumerate(dwells)
    ]
    assert said(near) == []
    assert said(dwells) != []


def test_a_supply_that_sagged_once_is_said() -> None:
    assert "supply voltage was at 20.0 V at 1 of 28 visits" in said(visits({3: -4.0}, channel="supply_v"))[0]


@pytest.mark.parametrize(("up", "down", "told"), [(2.0, -4.0, True), (0.5, -1.0, False), (6.0, 6.0, False)])
def test_a_loop_that_is_not_seen_while_its_pressures_moved_as_a_wider_one_has_them(
    up: float, down: float, told: bool
) -> None:
    moved = context({"pressure_at_zero": 10.0 + up, "pressure_at_full": 200.0 + down}, sheet=curved())
    unseen = replace(result("pressure_at_zero", None, Verdict.NOT_OBSERVED), id="hysteresis", as_left=3.0)
    wide = {**curved().tolerance, "hysteresis": replace(curved().tolerance["ramp_up"], above=2.0)}
    moved = replace(moved, results={**moved.results, "hysteresis": unseen}, sheet=curved(tolerance=wide))
    assert bool(unsteady(moved)) is told


def test_what_lies_between_two_places_on_the_way_from_one_to_the_other_is_no_third() -> None:
    """A supply that sags for half a minute: the stay in which it goes reads something in between."""
    volts = ([24.0] * 6 + [22.0] + [20.0] * 6 + [22.3]) * 3
    series = [(10.0 * k, v + 0.001 * (k % 3)) for k, v in enumerate(volts)]
    assert times_beyond(series, 24.0, 2.4, np.inf) is not None
    wandering = [(10.0 * k, v) for k, v in enumerate([24.0, 22.3, 20.0, 22.0, 21.0, 23.0, 20.2, 21.7] * 4)]
    assert times_beyond(wandering, 24.0, 2.4, np.inf) is None


# ------------------------------------------------------------------------------------------ the whole log


def low_at(rows: dict[str, np.ndarray], cycles: tuple[int, ...], by_a: float) -> Judgement:
    """The current at full command, which is visited once a cycle, is low in some cycles."""
    at = (rows["command"] > 19.9) & np.isin(((rows["time"] - rows["time"][0]) // 16.4).astype(int), cycles)
    return judged({**rows, "current": rows["current"] - by_a * at, "pressure": rows["pressure"] - 237.5 * by_a * at})


@pytest.mark.parametrize("cycle", [2, 6])
def test_a_log_of_which_one_visit_was_off_is_not_called_as_left(cycle: int) -> None:
    rows = press(levels=CYCLE, cycles=7)
    fine, off = judged(rows), low_at(rows, (cycle,), 0.03)
    assert fine.sentence.startswith("As left.")
    assert fine.status is Status.GOOD
    assert off.findings == ()
    assert off.status in {Status.NOT_JUDGED, Status.MAINTENANCE_REQUIRED}
    assert off.sentence.startswith("Not certain: ")
    assert "current at 100 % command was at 0.970 A at 1 of 7 visits, else at 1.000 A" in off.sentence


def test_a_current_that_stepped_is_told_as_it_is_now_where_only_one_level_is_left() -> None:
    """Zero command is visited before the step alone: what is found is no mixture of before and after."""
    rows = press(levels=(0.0, 1.0) * 6 + (1.0,) * 12, cycles=1)
    stepped = rows["time"] > rows["time"][0] + 60.0
    out = judged({**rows, "current": rows["current"] - 0.04 * stepped})
    full = next(one for one in out.quantities if one.id == "current_at_full")
    assert full.as_found == pytest.approx(0.96, abs=2e-3)
    assert full.uncertainty is not None
    assert abs(full.as_found - 0.96) < full.uncertainty < 0.01


def crept(by_bar: float, *, level: float = 0.5, cycles: int = 9) -> list[Dwell]:
    """The pressure of a level falls by so much over the last third of the visits."""
    usual = visits({}, level=level, cycles=cycles, channel="pressure_bar")
    begins_s = 2.0 / 3.0 * usual[-1].from_s
    rate = by_bar / (usual[-1].from_s - begins_s)
    return [
        one._replace(pressure_bar=one.pressure_bar - rate * max(one.from_s - begins_s, 0.0) * (one.demand == level))
        for one in usual
    ]


@pytest.mark.parametrize("level", [0.5, 0.7])
def test_a_pressure_that_crept_at_a_level_below_full_is_not_called_as_left(level: float) -> None:
    told = said(crept(8.0, level=level))
    assert len(told) == 1
    assert told[0].startswith(f"pressure at {100 * level:.0f} % command went from ")
    assert said(crept(2.0, level=level)) == []  # the tolerance is 4 bar


def test_a_pressure_that_comes_and_goes_may_be_on_the_way_at_some_visits() -> None:
    """Three visits far off at one height, and three of the twelve others a little off: read while it came or went."""
    low = dict.fromkeys((3, 7, 11), -12.0) | dict.fromkeys((1, 5, 9), -3.4)
    told = said(visits(low, cycles=15, channel="pressure_bar"))
    assert [clause for clause in told if "at 3 of 15 visits" in clause]
    spread = {k: -3.0 * k for k in range(6)}
    assert said(visits(spread, cycles=7, channel="pressure_bar")) == []
