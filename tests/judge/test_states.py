from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from asleft.judge.intake.holding import gaps, held
from asleft.judge.intake.intake import DEMAND, ENABLED, PUMP, STATE, TIME
from asleft.judge.intake.states import (
    CODES,
    NOT_ENABLED,
    PRODUCING,
    SET_UP,
    STOPPED,
    UNKNOWN,
    StateCarry,
    hours_of,
    intervals_of,
    judge_states,
    surest,
)
from asleft.judge.types import State
from hypothesis import given, settings
from hypothesis import strategies as st
from stored import stored
from synth import MA, columns, sheet


def naive_held(mask, time_s, since_s, hold_s, gap):
    """The definition as a loop."""
    out, since = [], since_s
    for k, on in enumerate(mask):
        if gap is not None and gap[k]:
            since = None
        since = (time_s[k] if since is None else since) if on else None
        out.append(on and time_s[k] - since >= hold_s - 1e-6)
    return out, since


@settings(max_examples=200, deadline=None)
@given(
    st.lists(st.tuples(st.booleans(), st.booleans(), st.integers(1, 5)), min_size=1, max_size=40),
    st.one_of(st.none(), st.floats(-10.0, 0.0)),
    st.floats(0.0, 12.0),
    st.booleans(),
)
def test_held_is_what_a_loop_would_say(rows, since_s, hold_s, with_gaps) -> None:
    mask = np.array([r[0] for r in rows])
    gap = np.array([r[1] and with_gaps for r in rows])
    time_s = np.cumsum([r[2] for r in rows]).astype(float)
    result, since = held(mask, time_s, since_s, hold_s, gap if with_gaps else None)
    expected, last = naive_held(mask, time_s, since_s, hold_s, gap if with_gaps else None)
    assert result.tolist() == [bool(x) for x in expected]
    assert since == last


def test_nothing_in_nothing_held() -> None:
    result, since = held(np.zeros(0, dtype=bool), np.zeros(0), 3.0, 1.0)
    assert result.size == 0
    assert since == 3.0


def test_gaps_look_back_to_the_last_call() -> None:
    time_s = np.array([10.0, 10.1, 20.0])
    assert gaps(time_s, 9.9).tolist() == [False, False, True]
    assert gaps(time_s, 5.0).tolist() == [True, False, True]
    assert gaps(time_s, None).tolist() == [False, False, True]
    assert gaps(np.zeros(0), 1.0).size == 0


def flat(n: int, demand: float = 0.5) -> np.ndarray:
    return np.full(n, demand)


def test_channels_decide_where_they_are_recorded() -> None:
    n = 40
    enable, pump, mode = np.ones(n), np.ones(n), np.ones(n)
    enable[10:20], pump[20:30], mode[30:] = 0.0, 0.0, 2.0
    data = columns(flat(n), enable=enable, pump_running=pump, mode=mode, current=flat(n))
    _, basis = judge_states(data, sheet(), StateCarry())
    assert data[STATE].tolist() == [PRODUCING] * 10 + [NOT_ENABLED] * 10 + [STOPPED] * 10 + [SET_UP] * 10
    assert set(basis.values()) == {
        "from the channel enable",
        "from the channel pump_running",
        "from the channel mode",
    }


def test_a_mode_the_sheet_does_not_know_is_unknown() -> None:
    data = columns(flat(5), mode=np.full(5, 7.0))
    judge_states(data, sheet(), StateCarry())
    assert data[STATE].tolist() == [UNKNOWN] * 5


def test_a_failed_mode_keeps_the_last_for_two_seconds() -> None:
    mode = np.full(500, np.nan)
    mode[:100] = 2.0
    data = columns(flat(500), mode=mode)
    carry, _ = judge_states(data, sheet(), StateCarry())
    assert data[STATE, 250] == SET_UP
    assert data[STATE, -1] == UNKNOWN
    assert carry.mode == 2.0


def test_without_enable_the_current_tells_after_five_hundredths_of_a_second() -> None:
    current = np.full(40, 0.5)
    current[10:20] = 0.05
    current[25:28] = 0.0  # too short to be a driver that is off
    data = columns(flat(40), current=current)
    _, basis = judge_states(data, sheet(), StateCarry())
    assert np.flatnonzero(data[ENABLED] == 0.0).tolist() == [15, 16, 17, 18, 19]
    assert data[STATE, 15] == NOT_ENABLED
    assert basis["enabled"].startswith("inferred")


def test_a_record_that_begins_without_current_begins_with_the_driver_off() -> None:
    data = columns(flat(30), current=np.zeros(30))
    judge_states(data, sheet(), StateCarry())
    assert (data[ENABLED] == 0.0).all()


def test_a_current_that_is_not_read_changes_nothing() -> None:
    current = np.zeros(400)
    current[100:120] = np.nan
    current[150:] = np.nan
    data = columns(flat(400), current=current)
    judge_states(data, sheet(), StateCarry())
    assert (data[ENABLED] == 0.0).all()


def test_a_driver_that_is_commanded_on_and_on_without_current_is_not_switched_off() -> None:
    n = 3000
    demand = np.where((np.arange(n) // 200) % 2 == 0, 0.0, 0.8)
    data = columns(demand, current=np.where(np.arange(n) < 250, 0.2 + 0.8 * demand, 0.0), pressure=np.full(n, 1.0))
    judge_states(data, sheet(), StateCarry())
    assert (data[ENABLED, 260:] == 0.0).all()  # no current, as far as segments go
    assert (data[STATE, 260:600] == NOT_ENABLED).all()  # it may have been switched off
    commanded = (demand > 0.5) & (np.arange(n) > 1000)
    assert (data[STATE, commanded] == PRODUCING).all()  # two rises unanswered: it was not


def test_below_the_off_threshold_no_current_is_no_disabling() -> None:
    quiet = replace(MA, off_below_pct=5.0)
    data = columns(flat(20, 0.01), current=np.zeros(20))
    judge_states(data, sheet(signal=quiet), StateCarry())
    assert (data[ENABLED] == 1.0).all()


def test_a_zero_current_near_nothing_cannot_tell() -> None:
    left = {**sheet().as_left, "current_at_zero": 0.01}
    data = columns(flat(20), current=np.zeros(20))
    _, basis = judge_states(data, sheet(as_left=left), StateCarry())
    assert (data[ENABLED] == 1.0).all()
    assert basis["enabled"] == "not known: taken as enabled"


def test_under_the_off_threshold_the_last_word_stands() -> None:
    demand, current = np.full(300, 0.5), np.full(300, 0.5)
    current[100:], demand[200:] = 0.0, 0.0  # an emergency stop, then the command is cleared
    data = columns(demand, current=current)
    judge_states(data, sheet(signal=replace(MA, off_below_pct=5.0)), StateCarry())
    assert (data[ENABLED, :105] == 1.0).all()
    assert (data[ENABLED, 170:] == 0.0).all()  # in between it may still come out from under its threshold


def test_a_failed_enable_reading_is_bridged_by_the_current() -> None:
    enable = np.full(40, np.nan)
    enable[0], enable[-1] = 1.0, 0.0
    current = np.full(40, 0.5)
    current[20:] = 0.0
    data = columns(flat(40), enable=enable, current=current)
    judge_states(data, sheet(), StateCarry())
    assert np.flatnonzero(data[ENABLED] == 0.0).tolist() == list(range(25, 40))


def test_an_enable_channel_that_fails_leaves_its_last_word_until_current_flows() -> None:
    enable, current = np.full(300, np.nan), np.full(300, np.nan)
    enable[:50] = 0.0
    current[200:] = 0.5
    data = columns(flat(300), enable=enable, current=current)
    judge_states(data, sheet(), StateCarry())
    assert (data[ENABLED, :200] == 0.0).all()
    assert (data[ENABLED, 200:] == 1.0).all()


def test_a_driver_that_is_off_says_more_than_a_pump_that_is_off() -> None:
    n = 20
    data = columns(flat(n, 0.0), enable=np.zeros(n), pump_running=np.zeros(n), current=np.zeros(n))
    judge_states(data, sheet(), StateCarry())
    assert (data[STATE] == NOT_ENABLED).all()
    assert (data[PUMP] == 0.0).all()


def test_without_pump_low_pressure_at_no_command_for_half_a_second_means_stopped() -> None:
    n = 500
    pressure = np.full(n, 2.0)
    pressure[400:] = 9.0
    data = columns(flat(n, 0.0), current=flat(n, 0.2), pressure=pressure)
    _, basis = judge_states(data, sheet(), StateCarry())
    assert data[STATE, 49] == PRODUCING
    assert (data[STATE, 50:430] == STOPPED).all()
    assert (data[STATE, 430:] == PRODUCING).all()
    assert "pressure" in basis["stopped"]
    assert (data[PUMP] == (data[STATE] != STOPPED)).all()


def test_a_command_ends_a_stop_at_once() -> None:
    demand = np.zeros(300)
    demand[200:] = 0.3
    data = columns(demand, current=0.2 + 0.8 * demand, pressure=np.full(300, 2.0))
    judge_states(data, sheet(), StateCarry())
    assert np.flatnonzero(data[STATE] == STOPPED).tolist() == list(range(50, 200))


def test_pressure_far_above_what_zero_command_allows_is_no_pump_start() -> None:
    pressure = np.full(1000, 1.0)
    pressure[300:] = 80.0
    data = columns(flat(1000, 0.0), current=flat(1000, 0.2), pressure=pressure)
    judge_states(data, sheet(), StateCarry())
    assert (data[STATE, 60:] == STOPPED).all()


def test_where_the_driver_switches_off_at_zero_no_pressure_says_nothing() -> None:
    data = columns(flat(800, 0.0), current=flat(800, 0.0), pressure=np.zeros(800))
    _, basis = judge_states(data, sheet(signal=replace(MA, off_below_pct=5.0)), StateCarry())
    assert (data[STATE] == PRODUCING).all()
    assert "usual rest" in basis["stopped"]


def test_a_broken_command_wire_is_no_rest_but_with_the_pressure_gone_it_is_a_stop() -> None:
    broken = flat(13_000, -0.25)
    data = columns(broken, current=flat(13_000, 0.2))
    judge_states(data, sheet(), StateCarry())
    assert (data[STATE] == PRODUCING).all()
    data = columns(broken, current=flat(13_000, 0.2), pressure=np.zeros(13_000))
    judge_states(data, sheet(), StateCarry())
    assert (data[STATE, 60:] == STOPPED).all()


def test_a_live_loop_that_reports_its_failure_is_no_machine_at_rest() -> None:
    """3.58 mA, and a driver that cuts its output for it: nobody switched anything off. A dead loop may be."""
    n = 3000
    reading = 3.58 + 0.016 * np.random.default_rng(3).standard_normal(n)
    data = columns((reading - 4.0) / 16.0, current=np.zeros(n), pressure=np.zeros(n))
    judge_states(data, sheet(), StateCarry())
    assert (data[STATE, 5:] == PRODUCING).all()
    assert (data[ENABLED, 5:] == 0.0).all()
    for told in ({"enable": np.zeros(n)}, {"pump_running": np.zeros(n)}):
        off = columns((reading - 4.0) / 16.0, current=np.zeros(n), pressure=np.zeros(n), **told)
        judge_states(off, sheet(), StateCarry())
        assert PRODUCING not in off[STATE, 60:]
    dead = columns(flat(n, -0.25), current=np.zeros(n), pressure=np.zeros(n))
    judge_states(dead, sheet(), StateCarry())
    assert PRODUCING not in dead[STATE, 60:]


def test_a_command_above_zero_is_no_stop_however_low_the_pressure() -> None:
    data = columns(flat(500, 0.4), current=flat(500, 0.5), pressure=np.zeros(500))
    judge_states(data, sheet(), StateCarry())
    assert (data[STATE] == PRODUCING).all()


def test_without_pressure_two_minutes_without_command_mean_stopped() -> None:
    data = columns(flat(1300, 0.0), rate_hz=10.0, current=flat(1300, 0.2))
    _, basis = judge_states(data, sheet(), StateCarry())
    assert data[STATE, 1199] == PRODUCING
    assert data[STATE, 1200] == STOPPED
    assert "usual rest" in basis["stopped"]


def test_a_lost_pressure_reading_does_not_end_a_stop_at_once() -> None:
    pressure = np.full(700, 1.0)
    pressure[450:600] = np.nan
    data = columns(flat(700, 0.0), current=flat(700, 0.2), pressure=pressure)
    judge_states(data, sheet(), StateCarry())
    assert (data[STATE, 250:640] == STOPPED).all()


def test_a_gap_begins_the_hold_anew() -> None:
    data = columns(flat(400, 0.0), current=flat(400, 0.2), pressure=np.zeros(400))
    data[TIME, 30:] += 60.0
    judge_states(data, sheet(), StateCarry())
    assert (data[STATE, :80] == PRODUCING).all()
    assert (data[STATE, 80:] == STOPPED).all()


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(1, 160), min_size=1, max_size=14), st.integers(0, 2**31))
def test_cutting_the_samples_changes_no_state(sizes, seed) -> None:
    rng = np.random.default_rng(seed)
    n = sum(sizes)
    demand = np.repeat(rng.choice([0.0, 0.3, 0.7, np.nan], n // 15 + 1, p=[0.5, 0.3, 0.17, 0.03]), 15)[:n]
    rows = {
        "current": np.repeat(rng.choice([0.0, 0.3, np.nan], n // 9 + 1), 9)[:n],
        "pressure": np.where(rng.random(n) < 0.03, np.nan, rng.choice([1.0, 30.0], n, p=[0.98, 0.02])),
        "enable": np.repeat(rng.choice([np.nan, 1.0, 0.0], n // 40 + 1), 40)[:n],
        "pump_running": np.repeat(rng.choice([np.nan, 1.0, 0.0], n // 60 + 1), 60)[:n],
        "mode": np.where(rng.random(n) < 0.3, np.nan, rng.choice([1.0, 2.0, 5.0], n)),
    }
    for name in rng.choice([*rows], 3, replace=False).tolist():
        rows.pop(name)
    valve = sheet(signal=replace(MA, off_below_pct=float(rng.choice([0.0, 5.0]))))
    whole = columns(demand, rate_hz=10.0, **rows)
    whole[TIME] += np.cumsum(rng.random(n) < 0.01) * 30.0
    cut = whole.copy()
    end, basis = judge_states(whole, valve, StateCarry())
    carry, at, words = StateCarry(), 0, {}
    for size in sizes:
        piece = cut[:, at : at + size].copy()
        carry = stored("states", carry)  # as the judge's memory keeps it
        carry, now = judge_states(piece, valve, carry)
        words = {name: surest(words.get(name, text), text) for name, text in now.items()}
        cut[:, at : at + size] = piece
        at += size
    assert np.array_equal(cut[[STATE, ENABLED, PUMP]], whole[[STATE, ENABLED, PUMP]])
    assert carry == end
    assert words == basis


def test_intervals_join_equal_states_and_end_at_gaps() -> None:
    data = columns(flat(6), rate_hz=10.0)
    data[STATE] = [0, 0, 1, 1, 1, 0]
    data[TIME, 4:] += 100.0
    out = intervals_of(data, {"stopped": "from the channel pump_running"}, 0.1)
    assert [(i.state, round(i.from_s, 3), round(i.to_s, 3)) for i in out] == [
        (State.PRODUCING, 0.0, 0.2),
        (State.STOPPED, 0.2, 0.4),
        (State.STOPPED, 100.4, 100.5),
        (State.PRODUCING, 100.5, 100.6),
    ]
    assert out[1].basis == "from the channel pump_running"
    assert intervals_of(data[:, :0], {}, 0.1) == ()


def test_hours_count_the_time_each_sample_stands_for() -> None:
    data = columns(flat(4))
    data[STATE] = [0, 0, 1, 0]
    hours = hours_of(data, np.array([0.0, 3600.0, 1800.0, 0.0]))
    assert hours == {"producing": pytest.approx(1.0), "stopped": pytest.approx(0.5)}
    assert all(code.value not in hours for code in CODES[2:])


def test_the_surest_basis_stays() -> None:
    channel, pressure, command = "from the channel enable", "inferred: pressure under half", "inferred: no command"
    assert surest(channel, pressure) == surest(pressure, channel) == channel
    assert surest(command, pressure) == surest(pressure, command) == pressure
    assert surest("not known: taken as enabled", command) == command


def test_an_empty_call_changes_nothing() -> None:
    carry = StateCarry(mode=3.0, last_s=4.0)
    assert judge_states(columns(flat(0)), sheet(), carry) == (carry, {})
    assert columns(flat(0))[DEMAND].size == 0
