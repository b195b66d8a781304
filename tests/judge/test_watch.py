from __future__ import annotations

import numpy as np
import pytest
from asleft.judge.intake.columns import CURRENT, DEMAND, ENABLE, ENABLED, PRESSURE, STATE, TIME
from asleft.judge.intake.states import NOT_ENABLED, STOPPED
from asleft.judge.state_codec import copied
from asleft.judge.watching.watch import Stretch, WatchCarry, watch
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


def test_without_an_enable_channel_it_takes_two_rises_unanswered() -> None:
    n = 2000
    data = healthy(n, 0.5)
    data[ENABLE] = np.nan
    data[ENABLED, 200:], data[STATE, 200:], data[CURRENT, 200:] = 0.0, NOT_ENABLED, 0.0
    assert "current-lost" not in kinds(seen(data))  # may be disabled
    data[DEMAND, 200:] = np.where((np.arange(n - 200) // 300) % 2 == 0, 0.0, 0.8)
    found = [s for s in seen(data) if s.kind == "current-lost"]
    assert found
    assert found[0].from_s >= data[TIME, 200 + 900]


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


def test_a_constant_reading_at_a_constant_command_is_no_fault() -> None:
    data = healthy(1200)
    data[PRESSURE] = 77.5
    assert [s for s in seen(data) if s.kind.startswith("stuck")] == []


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
