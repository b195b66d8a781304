"""What moved within a recording: by few visits, at few levels, lately, and what a load does instead."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from asleft.catalogue.statuses import Status
from asleft.judge.features import PressureDelay
from asleft.judge.finding.context import FindingContext
from asleft.judge.finding.watched import late_moves, lost_by_dead_command
from asleft.judge.types import Judgement, Verdict
from asleft.judge.valve.living import is_end
from asleft.judge.valve.together import left_together, moved_together
from asleft.judge.watching.stretches import Stretch
from lanes import by_id, causes
from presses import SPAN_A, SPAN_BAR, VALVE, ZERO_A, ZERO_BAR, judged, press
from synth import drive, dwell

Rows = dict[str, np.ndarray]


def since(rows: Rows, share: float) -> np.ndarray:
    """Which readings lie in the last `share` of the recording."""
    return rows["time"] > rows["time"][-1] - share * (rows["time"][-1] - rows["time"][0])


def at_times(rows: Rows, *, period_s: float = 115.0, low_s: float = 30.0) -> np.ndarray:
    return (rows["time"] - rows["time"][0]) % period_s < low_s


def kinds(judgement: Judgement) -> set[str]:
    return {finding.kind for finding in judgement.findings}


def with_pressure(rows: Rows, pressure: np.ndarray) -> Judgement:
    return judged({**rows, "pressure": pressure})


def test_a_gauge_that_reads_low_at_single_visits_is_told_by_the_levels_beside_them() -> None:
    rows = press(cycles=8)
    assert "pressure-changed" in kinds(with_pressure(rows, rows["pressure"] * np.where(at_times(rows), 0.965, 1.0)))


@pytest.mark.parametrize("load_bar", [120.0, 165.0])
def test_a_load_that_holds_single_visits_down_is_none(load_bar: float) -> None:
    rows = press(cycles=8)
    held = np.minimum(rows["pressure"], np.where(at_times(rows), load_bar, np.inf))
    assert "pressure-changed" not in kinds(with_pressure(rows, held))


def test_all_levels_that_left_their_places_in_the_last_minute_are_told_though_full_was_met_twice() -> None:
    rows = press(cycles=5)
    late = since(rows, 0.2)
    judgement = with_pressure(rows, rows["pressure"] * np.where(late, 0.94, 1.0))
    assert by_id(judgement)["pressure_at_full"].verdict is Verdict.OUT
    assert by_id(judgement)["pressure_at_full"].as_found == pytest.approx(188.0, abs=1.0)


def visits(changed: Callable[[float, float], float], cycles: int = 12) -> list:
    """Cycles up to full and down again; their pressures as `changed` makes them of level and time."""
    out = []
    for k in range(cycles):
        for place, u in enumerate((0.5, 0.75, 1.0, 0.7, 0.45)):
            at, way = 50.0 * k + 10.0 * place, 1.0 if place < 3 else -1.0
            out.append(dwell(u, from_s=at, to_s=at + 5.0, pressure_bar=changed(10.0 + 190.0 * u, at), arrival=way))
    return out


def test_levels_that_move_by_one_share_moved_together_and_those_under_one_load_did_not() -> None:
    def odd(at_s: float) -> bool:
        return at_s // 50.0 % 3.0 == 1.0

    for changed, told in (
        (lambda bar, at: bar * (0.95 if odd(at) else 1.0), True),
        (lambda bar, at: bar - (8.0 if odd(at) else 0.0), True),
        (lambda bar, at: min(bar, 140.0) if odd(at) else bar, False),  # a load
        (lambda bar, at: bar - (12.0 if odd(at) and bar > 199.0 else 0.0), False),  # the top alone
    ):
        rows = visits(changed)
        full = [d for d in rows if d.demand == 1.0]
        off = {d.from_s for d in full if odd(d.from_s)}
        assert moved_together(rows, full, off, VALVE) is told


def test_when_all_levels_left_is_dated_by_the_first_that_did() -> None:
    rows = visits(lambda bar, at: bar * (0.95 if at >= 435.0 else 1.0))
    full = [d for d in rows if d.demand == 1.0]
    assert left_together(rows, full, {d.from_s for d in full if d.from_s > 435.0}, VALVE) == 440.0


def lowered(rows: Rows, by: Callable[[np.ndarray], np.ndarray], share: float = 0.2) -> Rows:
    """The current at the end of the recording as `by` makes it, and the pressure with it."""
    current = np.where(since(rows, share), by(rows["current"]), rows["current"])
    return {**rows, "current": current, "pressure": ZERO_BAR + SPAN_BAR * (current - ZERO_A) / SPAN_A}


def limited(current: np.ndarray, limit_a: float) -> np.ndarray:
    """Cut off, and read with noise still: a reading without any has come to its end."""
    return np.minimum(current, limit_a) + 2e-4 * np.random.default_rng(7).standard_normal(current.size)


def test_a_limit_that_came_in_the_last_minute_is_a_cut() -> None:
    found = causes(judged(lowered(press(cycles=5), lambda current: limited(current, 0.93))))
    assert "current-clipped" in found
    assert "current-full-changed" not in found


def test_a_gain_that_fell_in_the_last_minute_is_none() -> None:
    assert "current-clipped" not in kinds(judged(lowered(press(cycles=5), lambda current: 0.93 * current)))


def test_a_limit_met_once_and_gone_again_is_told() -> None:
    rows = press(cycles=5)
    once = np.abs(rows["time"] - rows["time"].mean()) < 20.0
    found = causes(judged({**rows, "current": np.where(once, limited(rows["current"], 0.9), rows["current"])}))
    assert "current-clipped" in found


def small_cut(rows: Rows, off: np.ndarray, low_a: np.ndarray) -> Judgement:
    """The current `off` or as it was, and the pressure with it."""
    current = np.where(off, low_a, rows["current"])
    return judged({**rows, "current": current, "pressure": ZERO_BAR + SPAN_BAR * (current - ZERO_A) / SPAN_A})


@pytest.mark.parametrize("at_times", [False, True])
def test_a_small_cut_is_told_from_a_lower_setting_by_the_lowest_levels(at_times: bool) -> None:
    """At 8 and 15 % command another setting takes 2 and 4 mA, a limit nothing; none lies between them and full."""
    rows = press((0.0, 0.08, 0.15, 1.0, 0.15, 0.08), cycles=9)
    off = in_cycles(rows, (2, 3, 6, 8), 9) if at_times else since(rows, 0.6)
    limit = limited(rows["current"], 1.0 - 0.028)
    found = small_cut(rows, off, limit)
    assert "current-clipped" in causes(found)
    assert "current-full-changed" not in kinds(found)
    assert by_id(found)["current_at_full"].verdict is not Verdict.OUT
    turned = ZERO_A + (rows["current"] - ZERO_A) * (1.0 - 0.028 / SPAN_A)
    assert "current-clipped" not in kinds(small_cut(rows, off, turned))


def test_a_command_beyond_its_range_shows_a_limit_below_full() -> None:
    rows = press((0.0, 0.5, 1.045, 0.7, 0.3, 1.045, 0.0, 0.8), cycles=6, goes_on=True)
    assert "current-clipped" not in kinds(judged(rows))
    assert "current-clipped" in kinds(judged({**rows, "current": limited(rows["current"], 0.95)}))


def test_a_current_that_moved_is_told_at_an_inner_level_where_full_is_never_at_rest() -> None:
    rows = press((0.0, 0.5, 0.75, 0.3), cycles=12)
    assert "current-full-changed" not in kinds(judged(rows))
    gain = np.where(since(rows, 0.5), 0.96, 1.0)
    assert "current-full-changed" in kinds(judged({**rows, "current": gain * rows["current"]}))


def crept(rows: Rows, share: float, by: float) -> np.ndarray:
    """What has grown to `by` in the last `share` of the recording, a value a reading."""
    t = (rows["time"] - rows["time"][0]) / (rows["time"][-1] - rows["time"][0])
    return by * np.maximum(t - 1.0 + share, 0.0) / share


@pytest.mark.parametrize("levels", [(0.4, 0.5, 0.53, 0.6), (0.0, 0.23, 0.275)])
def test_a_gain_that_creeps_is_told_at_levels_far_from_full(levels: tuple[float, ...]) -> None:
    """Also where the current at zero is carried so far that it knows less than each level does of itself."""
    rows = press(levels, cycles=16)
    assert "current-full-changed" not in kinds(judged(rows))
    wider = ZERO_A + (rows["current"] - ZERO_A) * (1.0 + crept(rows, 0.4, 0.11))
    assert "current-full-changed" in kinds(judged({**rows, "current": wider}))


def test_both_ends_of_a_current_that_creeps_are_those_of_its_end() -> None:
    """Else a gain looks like one end turned, and the reading that moved is not even named."""
    rows = press(cycles=10)
    now = by_id(judged({**rows, "current": rows["current"] * (1.0 + crept(rows, 0.6, 0.035))}))
    for name, left_a in (("current_at_zero", ZERO_A), ("current_at_full", ZERO_A + SPAN_A)):
        assert now[name].as_found == pytest.approx(1.035 * left_a, abs=0.0025), name


def test_a_current_at_zero_that_creeps_is_not_taken_for_one_at_full() -> None:
    rows = press((0.0, 0.23, 0.275), cycles=16)
    moved_a = crept(rows, 0.4, 0.04) * (1.0 - (rows["command"] - 4.0) / 16.0)
    assert "current-full-changed" not in kinds(judged({**rows, "current": rows["current"] + moved_a}))


def test_a_pressure_that_follows_the_command_is_the_valves_however_low_and_a_load_is_not() -> None:
    rows = press(cycles=5)
    shares = (rows["current"] - ZERO_A) / SPAN_A
    weak = with_pressure(rows, ZERO_BAR + 0.8 * SPAN_BAR * shares)
    assert by_id(weak)["pressure_at_full"].verdict is Verdict.OUT
    load = 150.0 + 12.0 * np.sin(rows["time"] / 3.0)
    assert (
        by_id(with_pressure(rows, np.minimum(rows["pressure"], load)))["pressure_at_full"].verdict is not Verdict.OUT
    )


def test_a_pressure_held_up_once_while_the_command_fell_is_a_spool_that_stuck() -> None:
    rows = press(cycles=6)
    demand = (rows["command"] - 4.0) / 16.0
    falls = np.flatnonzero((demand[1:] < 0.72) & (demand[:-1] > 0.98))
    at = int(falls[4])
    stuck = rows["pressure"].copy()
    stuck[at : at + 800] = stuck[at - 100 : at].mean() + 0.05 * np.random.default_rng(7).standard_normal(800)
    assert "hysteresis-changed" in kinds(with_pressure(rows, stuck))


@pytest.mark.parametrize(("stands_s", "told"), [(8.0, True), (0.0, False)])
def test_a_spool_that_held_the_pressure_up_once_and_let_go_within_the_stay_is_told(
    stands_s: float, told: bool
) -> None:
    levels = tuple(u for u in (0.0, 1.0, 0.6, 0.3) for _ in range(4))  # stays of some 16 s
    rows = press(levels, cycles=5)
    demand = (rows["command"] - 4.0) / 16.0
    at = int(np.flatnonzero((demand[1:] < 0.7) & (demand[:-1] > 0.9))[2])
    stuck, n = rows["pressure"].copy(), round(100 * stands_s)
    stuck[at : at + n] = stuck[at - 100 : at].mean() + 0.05 * np.random.default_rng(7).standard_normal(n)
    assert ("hysteresis-changed" in kinds(with_pressure(rows, stuck))) is told
    lets_slowly_go = rows["pressure"].copy()
    way = np.exp(-np.arange(1500) / 100.0 / 4.0)
    lets_slowly_go[at : at + 1500] += way * (lets_slowly_go[at - 100 : at].mean() - lets_slowly_go[at : at + 1500])
    assert "hysteresis-changed" not in kinds(with_pressure(rows, lets_slowly_go))


def test_a_driver_that_comes_out_from_under_its_threshold_late_was_never_off() -> None:
    """With a ramp of 3 s it takes 0.06 s to 2 %: full pressure, at which each cycle begins, is judged."""
    valve = replace(VALVE, signal=replace(VALVE.signal, off_below_pct=2.0), as_left={**VALVE.as_left, "ramp_up": 3.0})
    rng = np.random.default_rng(3)
    held = np.repeat(np.tile([0.0, 1.0, 0.6, 0.3], 12), 600)
    acting = drive(np.repeat(held, 10), up_s=3.0, down_s=1.0)[::10]
    flows = np.where(acting < 0.02, 0.0, ZERO_A + SPAN_A * acting)
    judgement = judged(
        {
            "time": 1000.0 + np.arange(held.size) / 100.0,
            "command": 4.0 + 16.0 * held + 0.003 * rng.standard_normal(held.size),
            "current": flows + 5e-4 * rng.standard_normal(held.size),
            "pressure": ZERO_BAR + SPAN_BAR * acting + 0.05 * rng.standard_normal(held.size),
        },
        valve,
    )
    assert by_id(judgement)["pressure_at_full"].verdict is Verdict.IN


def test_a_reading_at_the_end_that_the_sheet_states_is_no_dead_one() -> None:
    assert is_end(Stretch("pinned:current", 0.0, 5.0, {"value": 1.537}), 1.53746)
    assert not is_end(Stretch("pinned:current", 0.0, 5.0, {"value": 1.537}), 1.6)
    assert not is_end(Stretch("stuck:current", 0.0, 5.0, {"value": 1.537}), 1.53746)


def test_a_pressure_that_no_high_command_ever_raised_is_not_as_left() -> None:
    """Full is never reached, and of the way there the sheet says nothing: a load may be away, or the spool stuck."""
    rows = press((0.0, 0.5, 0.85), cycles=8)
    assert not with_pressure(rows, rows["pressure"]).sentence.startswith("Not certain")
    low = np.minimum(rows["pressure"], ZERO_BAR) + 0.05 * np.random.default_rng(5).standard_normal(rows["time"].size)
    doubted = with_pressure(rows, low)
    assert "at 85 % command" in doubted.sentence
    assert doubted.status is Status.NOT_JUDGED


def moves(*runs: tuple[int, float, str]) -> Any:
    """So many moves of the pressure with a delay (s), up, down or both ways in turn."""
    ways = {"up": (1.0, 1.0), "down": (-1.0, -1.0), "both": (1.0, -1.0)}
    out = [PressureDelay(0.0, ways[way][k % 2], delay_s) for count, delay_s, way in runs for k in range(count)]
    return SimpleNamespace(pressure_delays=out)


def test_pressures_that_are_late_next_to_each_other_are_read_late_and_single_ones_are_not() -> None:
    at_times_late = moves((3, 0.0, "up"), (2, 0.8, "both"), (3, 0.0, "up"), (2, 0.7, "both"))
    assert len(late_moves(at_times_late)) == 4
    assert len(late_moves(moves((9, 0.0, "up"), (6, 0.8, "up")))) == 6
    assert late_moves(moves((9, 0.0, "up"), (5, 0.8, "up"))) == []
    assert late_moves(moves((3, 0.8, "up"), (3, 1.6, "up"))) == []
    assert late_moves(moves(*[(1, 0.8, "up"), (1, 0.0, "up")] * 9)) == []


def lateness(behind_s: list[float]) -> Any:
    """Moves up and down in turn whose parts come so late, none of which tells a dead time by itself."""
    ways = (1.0, 1.0, -1.0)
    out = [PressureDelay(20.0 * k, ways[k % 3], np.nan, late_s) for k, late_s in enumerate(behind_s)]
    return cast("FindingContext", SimpleNamespace(pressure_delays=out))


@pytest.mark.parametrize(
    ("behind_s", "told"),
    [
        ([0.1, 0.1, 0.0, 0.9, 0.9, 0.8] * 4, 12),  # cycles that are late and cycles that are not
        ([0.9, 0.9, 0.8] * 8, 0),  # all: a slow oil's
        ([0.1, 0.1, 0.8] * 8, 0),  # all of one way: an accumulator's
        ([0.1, 0.1, 0.0] * 7 + [0.1, 0.9, 0.0], 0),  # one: a spool's that stuck
    ],
)
def test_a_pressure_that_is_late_at_times_both_ways_is_read_late(behind_s: list[float], told: int) -> None:
    assert len(late_moves(lateness(behind_s))) == told


def test_a_current_lost_while_the_commands_reading_stood_still_is_that_readings_doing() -> None:
    stuck, lost = Stretch("stuck:command", 100.0, 200.0, {}), Stretch("current-lost", 150.0, 160.0, {})
    later = Stretch("current-lost", 300.0, 310.0, {})
    for stretches, told in (([stuck, lost], True), ([stuck, lost, later], False), ([lost], False), ([stuck], False)):
        assert lost_by_dead_command(cast("FindingContext", SimpleNamespace(stretches=stretches))) is told


def test_all_levels_that_left_together_are_told_by_two_visits_after_two_as_left() -> None:
    rows = press(cycles=3)
    late = since(rows, 0.6)
    judgement = with_pressure(rows, rows["pressure"] + np.where(late, 12.0, 0.0))
    assert by_id(judgement)["pressure_at_full"].verdict is Verdict.OUT


FEW_LEVELS = (0.0, 0.6, 1.0, 0.7, 0.3)


def in_cycles(rows: Rows, cycles: tuple[int, ...], of: int) -> np.ndarray:
    """Which readings lie in these of so many equal cycles."""
    share = (rows["time"] - rows["time"][0]) / (rows["time"][-1] - rows["time"][0])
    return np.isin(np.floor(of * share), cycles)


def test_a_gain_that_was_off_at_two_visits_of_full_is_told_by_the_levels_beside_them() -> None:
    rows = press(FEW_LEVELS, cycles=7)
    off = in_cycles(rows, (2, 5), 7)
    low = np.where(off, 0.97, 1.0)
    current = ZERO_A + (rows["current"] - ZERO_A) * low
    told = judged({**rows, "current": current, "pressure": ZERO_BAR + (rows["pressure"] - ZERO_BAR) * low})
    assert "current-full-changed" in kinds(told)
    alone = np.where(off & (rows["command"] > 19.9), rows["current"] - 0.024, rows["current"])
    assert "current-full-changed" not in kinds(judged({**rows, "current": alone}))
