from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from asleft.judge.intake.intake import CURRENT, DEMAND, ENABLE, ENABLED, PRESSURE, STATE, SUPPLY, TIME
from asleft.judge.intake.states import NOT_ENABLED, PRODUCING, STOPPED, StateCarry, judge_states
from asleft.judge.state import copied
from asleft.judge.watching.asked import BREAK
from asleft.judge.watching.stretches import Stretch, WatchCarry
from asleft.judge.watching.watch import still_count, watch, with_breaks
from asleft.sheet.model import Instrument, Signal, SignalKind
from hypothesis import given, settings
from hypothesis import strategies as st
from synth import columns, sheet

SLOW = (1.0, 1.0)


def healthy(n: int = 1000, demand: float = 0.5) -> np.ndarray:
    """Demand at a level, the current that belongs to it, a little noise, pressure on the line."""
    rng = np.random.default_rng(1)
    u = np.full(n, demand)
    noise = 1e-3 * rng.standard_normal(n)
    return columns(u, current=0.2 + 0.8 * u + noise, pressure=10 + 190 * u + 100 * noise, enable=np.ones(n))


def seen(data: np.ndarray, valve=None, carry: WatchCarry | None = None) -> list[Stretch]:
    return watch(data, valve or sheet(), carry or WatchCarry(), SLOW, 0.02)


def kinds(stretches: list[Stretch]) -> list[str]:
    return [s.kind for s in stretches]


def test_a_healthy_machine_gives_nothing() -> None:
    assert seen(healthy()) == []
    assert seen(healthy()[:, :0]) == []


@pytest.mark.parametrize(
    ("reading_ma", "kind"),
    [
        (3.5, "command-failed"), (3.6, "command-failed"), (21.0, "command-failed"), (22.0, "command-failed"),
        (3.7, "command-clipped"), (20.8, "command-clipped"), (3.8, None), (20.5, None), (4.0, None), (20.0, None),
    ],
)  # fmt: skip
def test_limits_of_a_live_zero_signal(reading_ma, kind) -> None:
    """NAMUR NE 43: 3.8 to 20.5 mA is measuring range, 3.6 and 21 mA are failure."""
    data = healthy()
    data[DEMAND] = (reading_ma - 4.0) / 16.0
    data[CURRENT] = 0.2 + 0.8 * np.clip(data[DEMAND], 0, 1)
    found = [s for s in seen(data) if s.kind.startswith("command")]
    assert kinds(found) == ([] if kind is None else [kind])
    if found:
        assert found[0].detail["value"] == pytest.approx((reading_ma - 4.0) / 16.0)


@pytest.mark.parametrize(
    ("ends", "kind", "reading_ma", "expected"),
    [
        ((20.0, 4.0), SignalKind.MA_4_20, 20.3, None),
        ((20.0, 4.0), SignalKind.MA_4_20, 3.7, "command-clipped"),
        ((20.0, 4.0), SignalKind.MA_4_20, 20.7, "command-clipped"),
        ((20.0, 4.0), SignalKind.MA_4_20, 3.5, "command-failed"),
        ((20.0, 4.0), SignalKind.MA_4_20, 21.2, "command-failed"),
        ((20.0, 4.0), SignalKind.EXPLICIT, 3.5, "command-failed"),
        ((20.0, 4.0), SignalKind.EXPLICIT, 20.4, None),
        ((4.0, 12.0), SignalKind.MA_4_20, 3.85, None),
        ((4.0, 12.0), SignalKind.MA_4_20, 3.7, "command-clipped"),
        ((4.0, 12.0), SignalKind.MA_4_20, 12.1, None),
        ((4.0, 12.0), SignalKind.EXPLICIT, 12.3, "command-clipped"),  # asks for more than the valve can give
        ((4.0, 12.0), SignalKind.MA_4_20, 21.5, "command-failed"),
        ((12.0, 20.0), SignalKind.EXPLICIT, 8.0, None),  # the other coil's half
        ((12.0, 20.0), SignalKind.EXPLICIT, 20.4, None),
        ((12.0, 20.0), SignalKind.EXPLICIT, 20.7, "command-clipped"),
        ((0.0, 20.0), SignalKind.EXPLICIT, 0.2, None),  # no live zero
        ((0.0, 20.0), SignalKind.EXPLICIT, 20.6, "command-clipped"),
    ],
)
def test_limits_belong_to_the_loop_and_not_to_the_part_of_it_in_use(ends, kind, reading_ma, expected) -> None:
    """NAMUR NE 43 in mA, whatever part of the loop a valve uses and whichever way round."""
    valve = sheet(signal=Signal(kind, "mA", *ends))
    data = healthy()
    data[DEMAND] = valve.signal.demand(reading_ma)
    data[CURRENT] = 0.2 + 0.8 * np.clip(data[DEMAND], 0, 1)
    found = [s for s in seen(data, valve) if s.kind.startswith("command")]
    assert kinds(found) == ([] if expected is None else [expected])


def readings_ma(level_ma: float, noise_ma: float, seed: int, n: int = 3000) -> np.ndarray:
    data = healthy(n)
    reading = level_ma + noise_ma * np.random.default_rng(seed).standard_normal(n)
    data[DEMAND] = (reading - 4.0) / 16.0
    data[CURRENT] = 0.2
    return data


@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize(("level_ma", "kind"), [(3.58, "command-failed"), (20.53, "command-clipped")])
def test_noise_across_the_limit_does_not_hide_a_signal_beyond_it(level_ma, kind, seed) -> None:
    """0.016 mA of noise breaks every unbroken half second; the level is beyond the limit all the same."""
    found = merged([s for s in seen(readings_ma(level_ma, 0.016, seed)) if s.kind.startswith("command")])
    assert {key[0] for key in found} == {kind}
    (stretch,) = found.values()
    assert stretch.from_s < 0.2
    assert stretch.to_s > 29.5
    assert 4.0 + 16.0 * stretch.detail["value"] == pytest.approx(level_ma, abs=0.02)


@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize("level_ma", [3.85, 20.45])
def test_noise_across_the_limit_makes_no_failure_of_a_signal_within_it(level_ma, seed) -> None:
    assert [s for s in seen(readings_ma(level_ma, 0.03, seed)) if s.kind.startswith("command")] == []
    failed_ma = 3.63 if level_ma < 4.0 else 20.96
    assert "command-failed" not in kinds(seen(readings_ma(failed_ma, 0.03, seed)))


def test_a_failed_signal_is_back_only_clearly_within_its_range() -> None:
    data = readings_ma(3.55, 0.0, 1, 1000)
    data[DEMAND, 400:] = (3.65 - 4.0) / 16.0  # above where it fails, below where it is sure to be back
    data[DEMAND, 900:] = 0.2
    found = [s for s in seen(data) if s.kind == "command-failed"]
    assert [(s.from_s, s.to_s) for s in found] == [(0.0, 3.99)]
    data[DEMAND, 500:505] = (3.58 - 4.0) / 16.0
    found = list(merged([s for s in seen(data) if s.kind == "command-failed"]).values())
    assert [(s.from_s, s.to_s) for s in found] == [(0.0, 5.04)]  # still the same failure


@pytest.mark.parametrize(("demand", "clipped"), [(1.01, False), (1.03, True), (-0.01, False), (-0.03, True)])
def test_without_a_live_zero_a_wire_cannot_be_told_but_two_percent_beyond_can(demand, clipped) -> None:
    valve = sheet(signal=Signal(SignalKind.V_0_10, "V", 0.0, 10.0))
    data = healthy()
    data[DEMAND] = demand
    data[CURRENT] = 0.2 + 0.8 * np.clip(demand, 0, 1)
    assert kinds(seen(data, valve)) == (["command-clipped"] if clipped else [])


def test_short_excursions_do_not_count() -> None:
    data = healthy()
    data[DEMAND, 300:345] = -0.25
    assert seen(data) == []
    data[DEMAND, 300:355] = -0.25
    assert kinds(seen(data)) == ["command-failed"]


def test_a_stopped_machine_raises_no_failed_command() -> None:
    data = healthy()
    data[DEMAND], data[STATE] = -0.25, STOPPED
    assert "command-failed" not in kinds(seen(data))


def test_a_lost_current_is_dated_to_its_beginning() -> None:
    data = healthy()
    data[CURRENT, 400:] = 0.0
    (found,) = [s for s in seen(data) if s.kind == "current-lost"]
    assert (found.from_s, found.to_s) == (4.0, data[TIME, -1])
    assert found.detail["value"] == pytest.approx(0.0)


def test_a_ramp_three_times_as_slow_as_left_is_not_a_lost_current() -> None:
    n = 1000
    data = healthy(n, 0.0)
    data[DEMAND, 100:] = 1.0
    data[CURRENT] = 0.2 + 0.8 * np.clip((data[TIME] - 1.0) / 3.0, 0.0, 1.0)
    assert seen(data) == []


def test_a_fall_ten_times_as_slow_as_left_is_not_an_unwanted_current() -> None:
    n = 1500
    data = healthy(n, 1.0)
    data[DEMAND, 100:] = 0.0
    data[CURRENT] = 0.2 + 0.8 * np.clip(1.0 - (data[TIME] - 1.0) / 10.0, 0.0, 1.0)
    assert "current-unwanted" not in kinds(seen(data))


def test_current_above_what_is_asked_is_unwanted() -> None:
    data = healthy(1000, 0.1)
    data[CURRENT, 500:] += 0.3
    (found,) = seen(data)
    assert found.kind == "current-unwanted"
    assert found.from_s == pytest.approx(5.0)
    assert found.detail["value"] == pytest.approx(0.58, abs=0.01)


def test_what_is_asked_is_unknown_while_the_command_is_not_read() -> None:
    data = healthy(1000, 0.1)
    data[DEMAND, 300:] = np.nan
    data[CURRENT, 320:] = 0.9
    assert "current-unwanted" not in kinds(seen(data))
    data[DEMAND] = np.nan
    assert kinds(seen(data)) == []
    data = healthy(1000, 0.1)
    data[DEMAND, 500:540] = np.nan  # a moment only
    data[CURRENT, 480:] += 0.3
    assert kinds(seen(data)) == ["current-unwanted"]


def test_current_while_not_enabled_is_unwanted() -> None:
    data = healthy(1000, 0.5)
    data[ENABLE, 300:], data[ENABLED, 300:], data[STATE, 300:] = 0.0, 0.0, NOT_ENABLED
    assert "current-unwanted" in kinds(seen(data))
    data[CURRENT, 300:] = 0.0
    assert seen(data) == []


def without_enable(demand: np.ndarray, current: np.ndarray, **changes) -> np.ndarray:
    """Columns with their states as the judge infers them; nothing is recorded beside command and current."""
    data = columns(demand, current=current)
    judge_states(data, sheet(**changes), StateCarry())
    return data


@pytest.mark.parametrize("zero_a", [0.2, 0.0])
def test_a_coil_that_opens_at_a_standing_command_is_told_within_four_seconds(zero_a) -> None:
    """At 18 mA without an enable channel, also where the sheet's current at zero says nothing of the enable."""
    valve = sheet(as_left={**sheet().as_left, "current_at_zero": zero_a})
    n = 3000
    demand = np.full(n, (18.0 - 4.0) / 16.0)
    demand[:300] = demand[2000:] = 0.0  # the machine goes on with its cycle
    current = zero_a + (1.0 - zero_a) * demand + 1e-3 * np.random.default_rng(4).standard_normal(n)
    current[800:] = 0.0
    data = without_enable(demand, current, as_left=valve.as_left)
    found = [s for s in seen(data[:, :1200], valve) if s.kind == "current-lost"]
    assert [round(s.from_s, 1) for s in found] == [8.0]
    (found,) = [s for s in seen(data, valve) if s.kind == "current-lost"]  # one stretch, whatever is commanded after
    assert found.from_s == pytest.approx(8.0, abs=0.06)
    assert found.to_s == data[TIME, -1]
    assert (data[STATE, 1200:] == PRODUCING).all()
    assert seen(data[:, :1100], valve) == []  # may have been switched off


def test_a_driver_switched_off_before_its_command_is_cleared_has_lost_nothing() -> None:
    n = 4000
    demand = np.full(n, 0.5)
    demand[800:] = 0.0  # three seconds after an emergency stop
    current = np.where(np.arange(n) < 500, 0.6, 0.0)
    data = without_enable(demand, current)
    assert seen(data) == []
    assert (data[STATE, 510:] == NOT_ENABLED).all()


def test_without_an_enable_channel_two_rises_stay_unanswered() -> None:
    n = 2000
    demand = np.where((np.arange(n) // 300) % 2 == 0, 0.0, 0.8)
    current = np.where(np.arange(n) < 200, 0.2, 0.0)  # goes while nothing is commanded
    found = [s for s in seen(without_enable(demand, current)) if s.kind == "current-lost"]
    assert [round(s.from_s, 1) for s in found] == [2.0]
    assert not [s for s in seen(without_enable(demand, current)[:, :850]) if s.kind == "current-lost"]


def test_one_rise_that_stands_unanswered_is_enough() -> None:
    n = 1500
    demand = np.where(np.arange(n) < 400, 0.0, 0.8)
    current = np.where(np.arange(n) < 200, 0.2, 0.0)
    data = without_enable(demand, current)
    assert [round(s.from_s, 1) for s in seen(data) if s.kind == "current-lost"] == [2.0]
    assert not [s for s in seen(data[:, :715]) if s.kind == "current-lost"]
    assert (without_enable(np.full(n, 0.8), np.zeros(n))[STATE] == NOT_ENABLED).all()  # not switched on yet


def test_pressure_that_rises_while_stopped_is_unwanted() -> None:
    data = healthy(1000, 0.0)
    data[STATE] = STOPPED
    data[PRESSURE] = 3.0
    assert "pressure-unwanted" not in kinds(seen(data))
    data[PRESSURE, 600:] = 60.0
    (found,) = [s for s in seen(data) if s.kind == "pressure-unwanted"]
    assert found.from_s == pytest.approx(6.0)


def test_stored_pressure_that_only_bleeds_away_is_none() -> None:
    data = healthy(1000, 0.0)
    data[STATE] = STOPPED
    data[PRESSURE] = np.linspace(150.0, 20.0, 1000)
    assert "pressure-unwanted" not in kinds(seen(data))


def test_a_reading_at_the_end_of_its_range_is_pinned() -> None:
    valve = sheet(instruments={"pressure": Instrument(range_low=0.0, range_high=105.0)})
    data = healthy()
    data[PRESSURE, 200:] = 105.0
    (found,) = [s for s in seen(data, valve) if s.kind == "pinned:pressure"]
    assert found.from_s == pytest.approx(2.0)
    assert found.detail["value"] == 105.0
    assert [s for s in seen(data) if s.kind.startswith("pinned")] == []  # the range is not known


def test_a_reading_that_stands_still_while_the_command_moves_is_stuck() -> None:
    data = healthy(1200)
    data[DEMAND, 300:] = np.where((np.arange(900) // 100) % 2 == 0, 0.2, 0.9)
    data[CURRENT] = 0.2 + 0.8 * data[DEMAND] + 1e-3 * np.random.default_rng(2).standard_normal(1200)
    data[PRESSURE, 400:] = 77.5
    found = [s for s in seen(data) if s.kind.startswith("stuck")]
    assert kinds(found) == ["stuck:pressure"]
    assert found[0].from_s == pytest.approx(4.0)
    assert found[0].detail["value"] == 77.5


def supplied(step_v: float, noise_v: float, *, dead_from: int = 2000, value_v: float = 24.0) -> np.ndarray:
    """A swinging command, and a supply that sags by 0.1 V under load, read in steps and dead from a sample on."""
    n = 4000
    demand = np.where((np.arange(n) // 300) % 2 == 0, 0.2, 0.9)
    rng = np.random.default_rng(3)
    supply = value_v - 0.1 * demand + noise_v * rng.standard_normal(n)
    supply = np.round(supply / step_v) * step_v
    supply[dead_from:] = supply[min(dead_from, n) - 1]
    rows = {"current": 0.2 + 0.8 * demand + 1e-3 * rng.standard_normal(n), "enable": np.ones(n)}
    return columns(demand, pressure=10 + 190 * demand + rng.standard_normal(n), supply=supply, **rows)


@pytest.mark.parametrize(("step_v", "noise_v"), [(1e-6, 0.01), (0.005, 0.03), (0.01, 0.02)])
def test_a_supply_reading_that_flickered_and_stands_still_is_stuck(step_v, noise_v) -> None:
    found = [s for s in seen(supplied(step_v, noise_v)) if s.kind == "stuck:supply"]
    assert len(found) == 1
    assert found[0].from_s == pytest.approx(20.0, abs=0.05)


@pytest.mark.parametrize(("step_v", "noise_v"), [(0.117, 0.02), (0.117, 0.05), (0.5, 0.01), (0.01, 0.002)])
@pytest.mark.parametrize("value_v", [24.0, 24.03, 24.08, 24.1])
def test_a_supply_that_a_coarse_converter_reads_is_not_stuck(step_v, noise_v, value_v) -> None:
    """Noise within a step or two: the reading flickers by one code at some supplies, and stands still at others."""
    data = supplied(step_v, noise_v, dead_from=4000, value_v=value_v)
    data[SUPPLY, 2000:] = np.round(24.0 / step_v) * step_v
    assert "stuck:supply" not in kinds(seen(data))


def test_a_dead_supply_reading_is_found_however_its_samples_are_cut() -> None:
    data, carry = supplied(0.005, 0.03), WatchCarry()
    whole = [s for s in seen(data) if s.kind == "stuck:supply"]
    pieces = [s for k in range(0, 4000, 130) for s in seen(data[:, k : k + 130], carry=carry)]
    pieces = [s for s in pieces if s.kind == "stuck:supply"]
    assert (pieces[0].from_s, pieces[-1].to_s) == (whole[0].from_s, whole[0].to_s)


def test_a_supply_reading_that_flickered_without_current_is_dead_where_it_does_not() -> None:
    """A coil breaks off, so that the driver seems off; the supply is read on, and then it is not."""
    data = supplied(0.005, 0.03)
    data[ENABLED, 800:] = 0.0
    (found,) = [s for s in seen(data) if s.kind == "stuck:supply"]
    assert found.from_s == pytest.approx(20.0, abs=0.05)
    never_seen_off = supplied(0.005, 0.03)
    never_seen_off[ENABLED, 2000:] = 0.0  # what it does without a load nobody knows
    assert "stuck:supply" not in kinds(seen(never_seen_off))


@pytest.mark.parametrize(("answers", "stuck"), [(True, True), (False, False)])
def test_a_current_that_seems_not_to_flow_and_makes_pressure_is_read_by_a_dead_sensor(answers, stuck) -> None:
    n = 3000
    demand = np.where((np.arange(n) // 300) % 2 == 0, 0.2, 0.9)
    noise = np.random.default_rng(4).standard_normal(n)
    data = columns(demand, current=np.full(n, 0.0012), pressure=10.0 + (190.0 * demand if answers else 0.0) + noise)
    data[ENABLE], data[ENABLED] = np.nan, 0.0
    assert ("stuck:current" in kinds(seen(data))) is stuck
    data[ENABLE] = 0.0  # a channel says that it is off: whatever makes the pressure, the driver does not
    assert "stuck:current" not in kinds(seen(data))


def test_a_constant_reading_at_a_constant_command_is_no_fault() -> None:
    data = healthy(1200)
    data[PRESSURE] = 77.5
    assert [s for s in seen(data) if s.kind.startswith("stuck")] == []


@pytest.mark.parametrize("cut", [1200, 700])
@pytest.mark.parametrize(("answers_s", "stuck"), [(0.5, False), (3.0, True)])
def test_a_reading_at_rest_is_not_stuck_before_it_could_have_answered_the_command(answers_s, stuck, cut) -> None:
    """A coarse converter reads one value for a whole stay; the command moves at the end of it."""
    data = healthy(1200)
    data[DEMAND] = np.where(np.arange(1200) < 800, 0.2, 0.9)
    data[CURRENT] = 0.2 + 0.8 * data[DEMAND] + 1e-3 * np.random.default_rng(2).standard_normal(1200)
    data[PRESSURE] = np.where(np.arange(1200) < 800 + 100.0 * answers_s, 48.0, 181.0)
    carry = WatchCarry()
    found = [s for part in (data[:, :cut], data[:, cut:]) if part.size for s in seen(part, carry=carry)]
    assert ("stuck:pressure" in kinds(found)) is stuck


@pytest.mark.parametrize(("low", "high", "stuck"), [(0.4, 0.55, False), (0.4, 0.65, True)])
def test_it_takes_a_fifth_of_the_command_to_call_a_reading_stuck(low, high, stuck) -> None:
    """A pressure that the load makes may stand still over a small move."""
    data = healthy(1200)
    data[DEMAND] = np.where((np.arange(1200) // 100) % 2 == 0, low, high)
    data[CURRENT] = 0.2 + 0.8 * data[DEMAND] + 1e-3 * np.random.default_rng(2).standard_normal(1200)
    data[PRESSURE] = 77.5
    assert ("stuck:pressure" in kinds(seen(data))) is stuck


def test_a_gap_begins_every_hold_anew() -> None:
    data = healthy(80)
    data[DEMAND] = -0.25
    data[TIME, 40:] += 60.0
    assert seen(data) == []


def test_a_gap_between_two_calls_does_too() -> None:
    data = healthy(80)
    data[DEMAND] = -0.25
    data[TIME, 40:] += 60.0
    carry = WatchCarry()
    assert seen(data[:, :40], carry=carry) == []
    assert seen(data[:, 40:], carry=carry) == []


def merged(stretches: list[Stretch]) -> dict[tuple[str, float], Stretch]:
    """The last sight of each condition."""
    return {(s.kind, s.from_s): s for s in stretches}


def troubled(seed: int, n: int) -> np.ndarray:
    """Everything going wrong at random."""
    rng = np.random.default_rng(seed)
    data = healthy(n)
    blocks = np.repeat(rng.integers(0, 9, n // 60 + 1), 60)[:n]
    data[DEMAND] = np.repeat(rng.choice([0.0, 0.3, 0.9, 1.0], n // 90 + 1), 90)[:n]
    data[CURRENT] = 0.2 + 0.8 * data[DEMAND] + 1e-3 * rng.standard_normal(n)
    data[DEMAND, blocks == 1] = -0.25
    data[CURRENT, blocks == 2] = 0.0
    data[CURRENT, blocks == 3] = 0.95
    data[ENABLE, blocks == 4] = 0.0
    data[ENABLE, blocks == 5] = np.nan
    data[PRESSURE, blocks == 6] = 55.0
    data[CURRENT, rng.random(n) < 0.02] = np.nan
    data[ENABLED] = ~(data[ENABLE] < 0.5)
    data[STATE] = np.where(data[ENABLED] > 0.5, np.where(blocks == 7, STOPPED, 0.0), NOT_ENABLED)
    data[TIME] += np.cumsum(rng.random(n) < 0.003) * 5.0
    return data


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000), st.lists(st.integers(1, 400), min_size=2, max_size=8))
def test_cutting_the_samples_changes_no_condition(seed, sizes) -> None:
    data = troubled(seed, sum(sizes))
    whole = merged(seen(data))
    carry, at, found = WatchCarry(), 0, []
    for size in sizes:
        found += seen(data[:, at : at + size], carry=carry)
        at += size
    pieces = merged(found)
    assert pieces.keys() == whole.keys()
    for key, stretch in whole.items():
        assert pieces[key].to_s == stretch.to_s
        assert pieces[key].detail == pytest.approx(stretch.detail, nan_ok=True)


def test_a_copy_of_the_carry_is_independent() -> None:
    carry = WatchCarry()
    data = healthy()
    data[DEMAND, 900:] = -0.25
    seen(data, carry=carry)
    other = copied(carry)
    seen(healthy(), carry=other)
    assert "command-failed" in carry.since
    assert other.since == {}
    assert other.last_s == carry.last_s


# ------------------------------------------------------------------------------------------- a dead command reading


def swinging(n: int = 3000, command: float = 0.31) -> np.ndarray:
    """A current that does its cycle while the reading of the command stands still."""
    data = healthy(n, 0.0)
    wave = np.where((np.arange(n) // 300) % 2 == 0, 0.05, 0.95)
    data[CURRENT] = 0.2 + 0.8 * wave + 1e-3 * np.random.default_rng(2).standard_normal(n)
    data[DEMAND], data[ENABLE] = command, np.nan
    return data


def test_a_command_that_stands_still_while_the_current_swings_is_stuck() -> None:
    found = [s for s in seen(swinging()) if s.kind == "stuck:command"]
    assert found
    assert found[0].from_s == pytest.approx(0.0)
    assert found[0].detail["value"] == pytest.approx(4.0 + 16.0 * 0.31)  # as a reading, in mA


def test_a_command_that_rests_while_the_current_does_or_flickers_is_not() -> None:
    data = swinging()
    data[CURRENT] = 0.2 + 0.8 * 0.31
    assert "stuck:command" not in kinds(seen(data))
    data = swinging()
    data[DEMAND] += 3e-4 * np.random.default_rng(3).choice([-1.0, 0.0, 1.0], data.shape[1])
    assert "stuck:command" not in kinds(seen(data))
    data = swinging()
    data[ENABLED] = 0.0
    assert "stuck:command" not in kinds(seen(data))
    data = swinging(500)  # up once
    assert "stuck:command" not in kinds(seen(data))


@settings(max_examples=30, deadline=None)
@given(st.lists(st.integers(1, 900), min_size=1, max_size=12))
def test_a_stuck_command_is_the_same_however_it_is_cut(sizes) -> None:
    data = swinging()
    data[DEMAND, 2000:] = 0.5
    whole, carry, pieces, at = merged(seen(data)), WatchCarry(), [], 0
    for size in [*sizes, 3000]:
        pieces += seen(data[:, at : at + size], carry=carry)
        at = min(at + size, 3000)
    stuck = {k: v for k, v in merged(pieces).items() if k[0] == "stuck:command"}
    assert stuck == {k: v for k, v in whole.items() if k[0] == "stuck:command"}
    assert stuck


def test_with_the_driver_off_what_the_valve_lets_through_at_zero_is_nobodys_fault() -> None:
    data = healthy(1000, 0.0)
    data[STATE] = NOT_ENABLED
    data[PRESSURE] = 1.0
    data[PRESSURE, 500:] = 28.0  # the pump starts: pressure at zero is 10 bar, a tenth of full is 20
    assert "pressure-unwanted" not in kinds(seen(data))
    data[PRESSURE, 500:] = 45.0
    assert "pressure-unwanted" in kinds(seen(data))
    data[STATE], data[PRESSURE, 500:] = STOPPED, 28.0
    assert "pressure-unwanted" in kinds(seen(data))


# ---------------------------------------------------------------------------------- a current that comes and goes


def broken(lasts_s: float, *, told: bool, n: int = 6000, every: int = 900) -> np.ndarray:
    """Six breaks of the coil at four fifths of the command, the current back by a lag of 20 ms."""
    demand = np.where((np.arange(n) // 450) % 2 == 0, 0.1, 0.8)
    data = columns(demand, current=0.2 + 0.8 * demand, **({"enable": np.ones(n)} if told else {}))
    for k in range(600, n, every):
        k = k // 450 * 450 + 200 if demand[k] > 0.5 else (k // 450 + 1) * 450 + 200
        data[CURRENT, k : k + round(100 * lasts_s)] = 0.002
    data[CURRENT] += 2e-3 * np.random.default_rng(5).standard_normal(n)
    if not told:
        judge_states(data, sheet(), StateCarry())
    return data


@pytest.mark.parametrize("told", [True, False])
@pytest.mark.parametrize("lasts_s", [0.05, 0.2, 0.45])
def test_short_breaks_of_the_coil_are_counted(lasts_s, told) -> None:
    data = broken(lasts_s, told=told)
    found = [s for s in seen(data) if s.kind == BREAK]
    assert len(found) == 6
    for stretch in found:
        assert stretch.to_s - stretch.from_s == pytest.approx(lasts_s - 0.01, abs=0.011)
    carry, pieces = WatchCarry(), []
    for a in range(0, data.shape[1], 37):
        pieces += [s for s in seen(data[:, a : a + 37], carry=carry) if s.kind == BREAK]
    assert pieces == found


def test_breaks_count_for_ten_minutes_of_production_and_other_conditions_for_one() -> None:
    at_s = (100.0, 250.0, 400.0)
    breaks = [Stretch(BREAK, s, s + 0.2, {"times": 1.0, "clock_s": s}) for s in at_s]
    other = Stretch("command-failed", 400.0, 401.0, {"clock_s": 401.0})
    assert still_count([*breaks, other], 470.0, 470.0) == breaks
    assert still_count(breaks, 4_000.0, 699.0) == breaks  # through a stop, which shows nothing
    assert still_count(breaks, 4_000.0, 701.0) == breaks[1:]
    many = [Stretch(BREAK, float(s), s + 0.2, {"times": 1.0, "clock_s": float(s)}) for s in range(0, 400, 2)]
    assert still_count(many, 400.0, 400.0) == many[-100:]  # a live valve's memory is short


def test_three_breaks_are_a_lost_current_and_two_are_none() -> None:
    found = [s for s in seen(broken(0.2, told=True)) if s.kind == BREAK]
    assert with_breaks(found[:2]) == []
    assert [s.kind for s in with_breaks(found[:3])] == ["current-lost"] * 3


@pytest.mark.parametrize(("break_s", "dead"), [(0.04, False), (2.0, True)])
def test_a_commands_reading_that_stood_while_a_contact_opened_for_an_instant_is_not_dead(
    break_s: float, dead: bool
) -> None:
    """Without noise a command stands exactly still in every stay; two seconds without current may be its doing."""
    breaks = [Stretch(BREAK, s, s + break_s, {"times": 1.0}) for s in (10.0, 13.0, 16.0)]
    stood = Stretch("stuck:command", 9.0, 17.0, {"value": 20.0})
    assert (stood in with_breaks([*breaks, stood])) is dead
    elsewhere = replace(stood, from_s=30.0, to_s=40.0)
    assert elsewhere in with_breaks([*breaks, elsewhere])


def test_a_contact_that_opens_too_briefly_for_the_current_to_go_is_counted_too() -> None:
    """Sixty openings of 40 ms behind a lag of 40 ms: the current falls to a third and is back."""
    n = 12000
    demand = np.full(n, 0.8)
    open_ = (np.arange(n) % 200) < 4
    open_[:150] = False
    current = np.empty(n)
    now = 0.84
    for k, away in enumerate(open_.tolist()):
        now += (1.0 - np.exp(-0.25)) * ((0.0 if away else 0.84) - now)
        current[k] = now
    data = columns(demand, current=current + 2e-3 * np.random.default_rng(5).standard_normal(n), enable=np.ones(n))
    found = [s for s in seen(data) if s.kind == BREAK]
    assert len(found) == 59
    assert "current-lost" not in kinds(seen(data))


@pytest.mark.parametrize("late_s", [-0.3, -0.1, 0.1, 0.3])
def test_a_command_that_is_read_late_or_early_is_no_break(late_s) -> None:
    """Steps without a ramp between two levels at which much must flow."""
    n = 6000
    demand = np.where((np.arange(n) // 300) % 2 == 0, 0.4, 1.0)
    for valve in (sheet(), sheet(as_left={**sheet().as_left, "ramp_up": 0.0, "ramp_down": 0.0})):
        data = columns(demand, current=0.2 + 0.8 * np.roll(demand, round(100 * late_s)), enable=np.ones(n))
        slow = (valve.as_left["ramp_up"], valve.as_left["ramp_down"])
        assert BREAK not in kinds(watch(data, valve, WatchCarry(), slow, 0.02))


def test_an_exact_command_is_not_stuck_because_the_coil_breaks_off() -> None:
    data = swinging(command=0.8)
    data[CURRENT] = 0.84
    data[CURRENT, (np.arange(3000) % 300) < 40] = 0.001
    assert "stuck:command" not in kinds(seen(data))
    assert len([s for s in seen(data) if s.kind == BREAK]) == 9
    smooth = np.array(data[CURRENT])
    for k in range(1, smooth.size):  # the same behind a lag of 40 ms, which passes every level on its way
        smooth[k] = smooth[k - 1] + (1.0 - np.exp(-0.25)) * (data[CURRENT, k] - smooth[k - 1])
    data[CURRENT] = smooth
    assert "stuck:command" not in kinds(seen(data))


def test_what_is_no_break_of_the_coil() -> None:
    data = broken(0.2, told=True)
    data[ENABLE], data[ENABLED] = (np.where(data[CURRENT] < 0.1, 0.0, 1.0) for _ in range(2))
    assert BREAK not in kinds(seen(data))  # switched off and on again
    data = broken(0.2, told=True)
    data[DEMAND] = np.where(data[CURRENT] < 0.1, 0.0, data[DEMAND])
    data[CURRENT] = np.where(data[CURRENT] < 0.1, 0.2, data[CURRENT])
    assert BREAK not in kinds(seen(data))  # commanded so
    assert BREAK not in kinds(seen(broken(0.01, told=True)))  # one reading may be the converter's
    ripple = healthy(3000, 0.05)
    ripple[CURRENT] = 0.24 + 0.22 * np.sin(2.0 * np.pi * 1.3 * ripple[TIME])
    assert BREAK not in kinds(seen(ripple))  # aliased ripple of a small current


@pytest.mark.parametrize("seed", range(3))
def test_readings_each_late_by_another_time_are_no_break_of_a_rising_current(seed) -> None:
    """A current that rises in half a second to two thirds, read up to 0.4 s late, a time of its own each."""
    n, late_s = 12000, np.random.default_rng(seed).uniform(0.0, 0.4, 12000)
    demand = np.where((np.arange(n) // 400) % 2 == 0, 0.0, 0.63)
    time_s = 0.01 * np.arange(n)
    way = np.minimum(np.where(demand > 0.0, (time_s % 4.0) / 0.5, 1.0 - (time_s % 4.0) / 0.5).clip(0.0, 1.0), demand)
    data = columns(demand, current=0.4 + 1.9 * np.interp(time_s - late_s, time_s, way), enable=np.ones(n))
    valve = sheet(as_left={**sheet().as_left, "current_at_zero": 0.4, "current_at_full": 2.3})
    assert BREAK not in kinds(watch(data, valve, WatchCarry(), (0.5, 0.5), 0.03))
    for k in range(700, n, 800):  # the same with breaks is still told
        data[CURRENT, k : k + 20] = 0.0
    assert len([s for s in watch(data, valve, WatchCarry(), (0.5, 0.5), 0.03) if s.kind == BREAK]) == 15


@pytest.mark.parametrize("zero_a", [0.2, 0.0])
def test_no_current_before_it_was_asked_for_does_not_count_as_time_without(zero_a) -> None:
    """A driver is enabled and commanded at one instant after half a minute off; the reading is 0.3 s late."""
    n = 6000
    on = np.arange(n) >= 3000
    demand = np.where(on, 0.5, 0.0)
    data = columns(demand, current=np.roll(np.where(on, zero_a + 0.4, 0.0), 30), enable=np.where(on, 1.0, 0.0))
    data[CURRENT, :30], data[ENABLED] = 0.0, data[ENABLE]
    valve = sheet(as_left={**sheet().as_left, "current_at_zero": zero_a, "current_at_full": zero_a + 0.8})
    assert "current-lost" not in kinds(watch(data, valve, WatchCarry(), (0.0, 0.0), 0.03))
    data[CURRENT] = 0.0
    lost = [s for s in watch(data, valve, WatchCarry(), (0.0, 0.0), 0.03) if s.kind == "current-lost"]
    assert lost
