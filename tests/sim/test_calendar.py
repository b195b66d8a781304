"""The plant's calendar and the live plant's hours."""

from datetime import UTC, datetime
from itertools import islice, pairwise

import numpy as np
import pytest
from asleft.sim.calendar import ZONE, live_stretches, local_hour, stretches, warmth
from asleft.sim.model import default_valve
from asleft.sim.programme import oil_degc
from asleft.sim.recording import simulate
from asleft.sim.truth import EMERGENCY, NOT_ENABLED, PRODUCING, SET_UP, STOPPED
from hypothesis import given
from hypothesis import strategies as st


def at(*parts):
    return datetime(*parts, tzinfo=ZONE).timestamp()


@given(
    from_s=st.floats(1.7e9, 1.9e9),
    length_s=st.floats(60.0, 10 * 86400.0),
    press=st.sampled_from(["press-1", "press-4"]),
)
def test_no_gap_no_overlap(from_s, length_s, press):
    found = list(stretches(press, from_s, from_s + length_s))
    assert found[0].from_s == from_s
    assert found[-1].to_s == from_s + length_s
    for one, two in pairwise(found):
        assert one.to_s == two.from_s
        assert one.to_s > one.from_s


def test_nothing_is_produced_at_the_weekend_or_at_night():
    for press in ("press-1", "press-2", "press-3", "press-4"):
        for stretch in stretches(press, at(2026, 3, 1), at(2026, 4, 12)):  # over the change to summer time
            if stretch.kind not in ("night", "weekend"):
                begins = datetime.fromtimestamp(stretch.from_s, ZONE)
                assert begins.weekday() < 5
                assert 6 <= local_hour(stretch.from_s) < 22
                assert local_hour(stretch.to_s - 1) < 22


def test_presses_pause_one_after_the_other():
    day = [list(stretches(f"press-{n}", at(2026, 3, 4), at(2026, 3, 5))) for n in range(1, 5)]
    pauses = {next(s.from_s for s in one if s.kind == "break") for one in day}
    assert len(pauses) == 4


def test_a_weekend_recording_holds_no_production():
    one = simulate([default_valve()], [at(2026, 3, 7, 11)], 30.0, programme="day")[0]
    assert (one.truth.state == NOT_ENABLED).all()
    assert one.values("pump_running").max() == 0
    assert np.abs(one.values("current")).max() < 0.005
    assert np.abs(one.values("pressure")).max() < 2.0


def test_a_shift_begins_disabled_then_enabled_then_at_work():
    quiet = next(
        day
        for day in range(2, 28)
        if datetime(2026, 3, day, tzinfo=ZONE).weekday() < 5
        and next(iter(stretches("press-9", at(2026, 3, day, 6, 0), at(2026, 3, day, 7)))).kind == "producing"
    )
    one = simulate([default_valve()], [at(2026, 3, quiet, 5, 59)], 120.0, programme="day")[0]
    state = one.truth.state
    order = [int(state[0]), *(int(b) for a, b in pairwise(state.tolist()) if a != b)]
    assert order == [NOT_ENABLED, STOPPED, PRODUCING]
    assert one.values("current")[:5900].max() < 0.01


def test_an_emergency_stop_leaves_the_command_standing_for_a_while():
    stop = next(s for s in stretches("press-9", at(2026, 3, 2), at(2026, 4, 2)) if s.kind == "emergency")
    one = simulate([default_valve()], [stop.from_s - 30.0], 60.0, programme="day")[0]
    stopped = one.truth.state == EMERGENCY
    assert stopped[3050:3300].all()
    assert one.values("enable")[3010:3300].max() == 0
    assert one.values("current")[3100:3300].max() < 0.01
    command = one.values("command")
    assert command[3010:3280].std() < 0.05
    assert command[3400:3500].mean() == pytest.approx(4.0, abs=0.02)


def test_oil_is_cold_on_monday_and_warm_by_noon():
    valve = default_valve()
    assert oil_degc(valve, at(2026, 3, 2, 6, 5), "day") < 20.0
    assert oil_degc(valve, at(2026, 3, 2, 12, 0), "day") == pytest.approx(45.0, abs=2.0)
    assert 20.0 < oil_degc(valve, at(2026, 3, 3, 6, 5), "day") < 35.0
    assert oil_degc(valve, at(2026, 3, 2, 6, 5), "live") > 40.0


@given(hours=st.floats(0.0, 24 * 7.0))
def test_warmth_is_a_share(hours):
    assert 0.0 <= warmth(at(2026, 3, 2) + hours * 3600, 0.9, 6.0) <= 1.0


def test_the_live_plant_never_sleeps_and_has_its_events_each_hour():
    start_s = datetime(2026, 3, 7, 23, 17, tzinfo=UTC).timestamp()
    for press in ("press-1", "press-2"):
        plan = list(islice(live_stretches(press, start_s), 60))
        assert plan[0].from_s == start_s
        for one, two in pairwise(plan):
            assert one.to_s == two.from_s
        verified = {"verification"} if press == "press-2" else set()
        assert {s.kind for s in plan} == {"producing", "set-up", "emergency", "break", *verified}
        whole = [s for s in plan if 3600 * 500000 + start_s > s.from_s > start_s + 3600]
        hours = (whole[-1].to_s - whole[0].from_s) / 3600
        for kind, length_s in (("set-up", 180.0), ("emergency", 60.0), ("break", 240.0), ("verification", 150.0)):
            if kind == "verification" and not verified:
                continue
            of_kind = [s for s in whole if s.kind == kind]
            assert len(of_kind) == pytest.approx(hours, abs=1.5)
            assert all(s.to_s - s.from_s == pytest.approx(length_s) for s in of_kind)


@pytest.mark.parametrize("minute", range(0, 60, 5))
def test_whoever_starts_the_live_plant_sees_it_at_work_first(minute: int):
    start_s = at(2026, 3, 4, 12) + 60.0 * minute
    for press in ("press-1", "press-2", "press-3", "press-4"):
        first = next(live_stretches(press, start_s))
        assert first.kind == "producing"
        assert first.to_s - first.from_s >= 300.0


def test_set_up_jogs_in_its_own_mode():
    jog = next(s for s in live_stretches("press-9", at(2026, 3, 4, 12)) if s.kind == "set-up")
    before_s = 310.0
    assert jog.from_s - before_s > at(2026, 3, 4, 12)
    one = simulate([default_valve()], [jog.from_s - before_s], before_s + 100.0, programme="live")[0]
    inside = one.truth.state == SET_UP
    assert inside[31500:39500].all()
    assert (one.values("mode")[inside] == 2).all()
    assert one.values("command").max() > 5.0
