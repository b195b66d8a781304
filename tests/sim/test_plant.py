"""The demo plant, its stories, its history, its sheets and edge files."""

import functools
import tomllib
from collections import Counter
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from asleft.sim import history, registers
from asleft.sim.calendar import ZONE
from asleft.sim.converter import DISCRETE, sensor_of, unit_of
from asleft.sim.history import WINDOW_S, plan, simulate_windows
from asleft.sim.plant import PRESSES, valves
from asleft.sim.recording import simulate
from asleft.sim.truth import PRODUCING, as_left_of, branches_bar, settings_at

NOW_S = datetime(2026, 3, 18, 10, 30, tzinfo=ZONE).timestamp()  # a Wednesday
DAY_S = 86400.0
VALVES = {valve.valve_id: valve for valve in valves(NOW_S)}
FILES = Path(__file__).parents[2] / "dashboard" / "asleft" / "cli" / "demo_plant"


@functools.cache
def all_now():
    """Three minutes of every valve."""
    return {one.valve_id: one for one in simulate(list(VALVES.values()), [NOW_S] * len(VALVES), 180.0)}


def live(name):
    return all_now()[name]


def test_who_is_there():
    assert list(VALVES) == [
        "press-1.platen",
        "press-1.ejector",
        "press-2.clamp",
        "press-2.platen",
        "press-3.platen",
        "press-3.cushion",
        "press-4.knock-out",
        "press-4.platen",
    ]
    assert {valve.signal for valve in VALVES.values()} == {"4-20mA", "0-10V", "0-5V"}
    assert {valve.press_key for valve in VALVES.values()} == set(PRESSES)


def test_the_healthy_ones_are_as_left():
    for name in ("press-1.platen", "press-2.platen", "press-4.platen", "press-4.knock-out"):
        assert settings_at(VALVES[name], NOW_S) == as_left_of(VALVES[name])


def test_the_clamp_ramps_slower_since_nine_days_ago_at_ten_past_three():
    clamp = VALVES["press-2.clamp"]
    (fault,) = clamp.faults
    assert datetime.fromtimestamp(fault.onset_s, ZONE) == datetime(2026, 3, 9, 3, 10, tzinfo=ZONE)
    assert settings_at(clamp, fault.onset_s - 1)["ramp_up"] == 1.6
    assert settings_at(clamp, NOW_S)["ramp_up"] == pytest.approx(2.1)


def test_the_drifting_platen_has_left_its_tolerance_by_now():
    platen = VALVES["press-3.platen"]
    change = settings_at(platen, NOW_S)["pressure_at_full"] - as_left_of(platen)["pressure_at_full"]
    assert -6.0 < change < -4.2


def test_the_cushion_sticks_since_its_dither_is_gone():
    left, found = as_left_of(VALVES["press-3.cushion"]), settings_at(VALVES["press-3.cushion"], NOW_S)
    assert found["dither_amplitude"] == 0.0
    assert found["hysteresis"] > left["hysteresis"] + 3.0


def test_the_ejector_clips_when_its_coil_is_hot_at_any_hour_but_not_before():
    ejector = VALVES["press-1.ejector"]
    hours = range(0, 24, 4)
    starts = [NOW_S + hour * 3600 for hour in hours] + [NOW_S - 12 * DAY_S + hour * 3600 for hour in hours]
    both = simulate([ejector] * len(starts), starts, 60.0)
    for hot in both[: len(hours)]:
        assert hot.truth.coil_degc[1] > 105.0
        current = hot.values("current")[hot.values("command") > 9.9]
        assert hot.truth.clipped.any()
        assert 0.010 < ejector.current_at_full_a - np.percentile(current, 95) < 0.06
    for before in both[len(hours) :]:
        assert not before.truth.clipped.any()


def test_no_other_valve_ever_clips():
    for name in VALVES:
        assert live(name).truth.clipped.any() == (name == "press-1.ejector"), name


def test_the_controller_with_its_own_ramps_is_slower_than_the_driver():
    one = live("press-2.platen")
    rise = np.diff(one.values("command").reshape(-1, 10).mean(axis=1)) / 0.1 / 16.0
    assert rise.max() == pytest.approx(1 / 0.8, rel=0.05)


def test_what_is_recorded_where():
    assert "current" not in VALVES["press-4.knock-out"].records
    assert not set(VALVES["press-4.platen"].records) & {"enable", "pump_running", "mode"}
    assert live("press-4.knock-out").bursts == ()
    modes = live("press-1.platen").values("mode")
    assert set(np.unique(modes)) == {1.0, 3.0}
    assert set(np.unique(live("press-3.platen").values("mode"))) == {1.0}


def test_cycles_visit_three_levels_with_long_dwells():
    for name, valve in VALVES.items():
        one = live(name)
        demand = (one.values("command") - valve.at_zero) / (valve.at_full - valve.at_zero)
        levels = Counter(np.round(demand * 20).astype(int).tolist())
        lasting = [level for level, samples in levels.items() if samples > 1000]
        assert len(lasting) >= 3, name
        assert {0, 20} <= set(lasting), name
        starts = np.flatnonzero((demand[1:] > 0.02) & (demand[:-1] <= 0.02))
        cycle_s = np.diff(one.time_s[starts])
        assert ((cycle_s > 7.5) & (cycle_s < 25.0)).all(), (name, cycle_s)


def test_the_plan_is_three_weeks_of_ten_minutes():
    windows = plan(NOW_S)
    assert {w.duration_s for w in windows} == {WINDOW_S}
    assert max(w.start_s for w in windows) + WINDOW_S <= NOW_S
    assert min(w.start_s for w in windows) >= NOW_S - 21 * DAY_S
    kinds = Counter(w.why for w in windows)
    assert {"production", "emergency", "night", "set-up", "break", "cold start"} <= set(kinds)
    assert plan(NOW_S) == windows


def test_each_valve_has_production_of_every_working_day_and_more_of_it_where_a_fault_is_followed():
    days = {name: Counter() for name in VALVES}
    for w in plan(NOW_S):
        if w.why == "production":
            days[w.valve.valve_id][datetime.fromtimestamp(w.start_s, ZONE).date()] += 1
    for name, valve in VALVES.items():
        assert len(days[name]) >= 14, name  # of fifteen working days, the first and the last of them cut short
        assert max(days[name].values()) == (3 if valve.faults else 1), name


@pytest.mark.parametrize("days_later", range(7))
def test_what_a_demo_is_there_to_show_comes_first(days_later):
    """Two valves whose faults are seen, then the other faulty ones, each part in the order of time."""
    windows = plan(NOW_S + days_later * DAY_S)
    names = [w.valve.valve_id for w in windows]
    ahead = {"press-2.clamp", "press-1.ejector"}
    parts = [0 if w.valve.valve_id in ahead else 1 if w.valve.faults else 2 for w in windows]
    assert parts == sorted(parts)
    for part in range(3):
        starts = [w.start_s for w, its in zip(windows, parts, strict=True) if its == part]
        assert starts == sorted(starts)
    for name in ahead:
        seen = next(k for k, w in enumerate(windows) if names[k] == name and w.start_s > w.valve.faults[0].onset_s)
        assert seen < 40  # judged within half a minute by two cores
    assert len(windows) < 280  # all of them within three minutes


def test_the_first_windows_do_not_wait_for_many_others(monkeypatch):
    sizes = []
    monkeypatch.setattr(history, "simulate", lambda valves, *_, **__: sizes.append(len(valves)) or list(valves))
    assert len(list(simulate_windows(plan(NOW_S)[:200]))) == 200
    assert sizes == [10, 20, 40, 80, 50]


def test_windows_show_what_they_say():
    windows = plan(NOW_S, days=7)
    production = [w for w in windows if w.why == "production"][:3]
    others = [next(w for w in windows if w.why == why) for why in ("emergency", "night", "set-up")]
    chosen = sorted(production + others, key=lambda w: w.start_s)
    for window, one in zip(chosen, simulate_windows(chosen, lanes=4), strict=True):
        assert one.valve_id == window.valve.valve_id
        assert one.time_s[0] == window.start_s
        states = one.truth.state_names
        found = {states[code] for code in np.unique(one.truth.state)}
        wanted = {"emergency": "emergency-stop", "night": "not-enabled", "set-up": "set-up"}.get(
            window.why, "producing"
        )
        assert wanted in found
        if window.why == "production":
            assert (one.truth.state == PRODUCING).all()


def sheet(name):
    text = (FILES / "sheets" / f"{name}.toml").read_text(encoding="utf-8")
    assert text.count("@COMMISSIONED@") == 1
    return tomllib.loads(text.replace("@COMMISSIONED@", "2026-02-10T07:10:00Z"))


def test_there_is_a_sheet_for_each_valve_and_no_other():
    assert {path.stem for path in (FILES / "sheets").glob("*.toml")} == set(VALVES)


@pytest.mark.parametrize("name", list(VALVES))
def test_sheets_say_what_was_left(name):
    valve, page = VALVES[name], sheet(name)
    left = as_left_of(valve)
    rounding = {"dither_amplitude": 5e-4, "hysteresis": 5e-3}
    for quantity, value in page["as_left"].items():
        assert value == pytest.approx(left[quantity], abs=rounding.get(quantity, 1e-9)), quantity
    assert page["valve"]["id"] == name
    assert (page["valve"]["press"], page["valve"]["name"]) == (valve.press, valve.name)
    assert page["signal"]["kind"] == valve.signal
    own_ramps = page["signal"].get("made_by") == "controller ramps"
    assert own_ramps == (valve.controller_ramp_s > 0)
    low, high = page["conditions"]["oil_temperature"]
    assert low < valve.oil_degc < high
    assert set(page["instrument"]) == set(valve.records) - set(DISCRETE)
    for channel, entry in page["instrument"].items():
        sensor = sensor_of(valve, channel)
        assert entry["range"] == [sensor.low, sensor.high]
        assert entry["expanded_uncertainty"] > 2 * sensor.noise / 10
        if "low_pass_hz" in entry:
            assert entry["low_pass_hz"] == sensor.low_pass_hz
    if "current" not in valve.records:
        assert not {"current_at_zero", "current_at_full"} & set(page["as_left"])
        return
    assert page["instrument"]["current"]["where"] == valve.current_sensor.where
    assert set(page["as_left"]) == set(left)
    coil = page["coil"]
    assert coil["cable_resistance"] == valve.cable_resistance_ohm
    assert (coil["driver_drop"], coil["duty_max"]) == (valve.driver_drop_v, valve.duty_max)
    curve = page["characteristic"]
    rising, falling = branches_bar(valve, np.array(curve["current"]))
    assert curve["rising"] == pytest.approx(rising, abs=0.051)
    assert curve["falling"] == pytest.approx(falling, abs=0.051)


@pytest.mark.parametrize("name", list(VALVES))
def test_the_sheet_knows_where_the_valve_is_in_control(name):
    page, one = sheet(name), live(name)
    valve = VALVES[name]
    if "in_control" in page.get("mode", {}):
        marked = np.isin(one.values("mode"), page["mode"]["in_control"])
    else:
        low, high = page["conditions"]["in_control_command"]
        percent = 100 * (one.values("command") - valve.at_zero) / (valve.at_full - valve.at_zero)
        marked = (percent >= low) & (percent <= high)
    settled = marked.copy()
    for shift in range(1, 60):  # contact is made within the first moments of a phase
        settled[shift:] &= marked[:-shift]
    assert settled.mean() > 0.1
    assert one.truth.in_control[settled].mean() > 0.999


@pytest.mark.parametrize(("box", "presses"), [("edge-1", PRESSES[:2]), ("edge-2", PRESSES[2:])])
def test_edge_files_read_the_registers_that_exist(box, presses):
    text = (FILES / "agents" / f"{box}.toml").read_text(encoding="utf-8")
    for number, press in enumerate(PRESSES, start=1):
        assert (f"@PRESS_{number}_PORT@" in text) == (press in presses)
        text = text.replace(f"@PRESS_{number}_PORT@", str(15020 + number))
    page = tomllib.loads(text.replace("@BROKER_PORT@", "1883").replace("@SPOOL@", "spool.db"))
    assert page["agent"] == box
    found = {}
    for instrument in page["instrument"]:
        (entry,) = instrument["valve"]
        found[entry["id"]] = (instrument, entry)
    assert list(found) == [name for name in VALVES if VALVES[name].press_key in presses]
    for name, (instrument, entry) in found.items():
        valve = VALVES[name]
        siblings = [v for v in VALVES if VALVES[v].press_key == valve.press_key]
        assert instrument["unit"] == siblings.index(name) + 1
        assert instrument["port"] == 15020 + int(valve.press_key[-1])
        assert [channel["name"] for channel in entry["channel"]] == list(valve.records)
        for channel in entry["channel"]:
            if channel["name"] in registers.STATUS_BIT:
                assert channel["register"] == registers.STATUS
                assert channel["bit"] == registers.STATUS_BIT[channel["name"]]
                continue
            assert channel["register"] == registers.CHANNEL_REGISTER[channel["name"]]
            if channel["name"] == "mode":
                continue
            sensor = sensor_of(valve, channel["name"])
            assert channel["unit"] == unit_of(valve, channel["name"])
            assert channel["scale"] == pytest.approx(sensor.scale, rel=1e-10)
            assert channel.get("offset", 0.0) == sensor.low
        assert ("burst" in entry) == ("current" in valve.records)
        if "burst" in entry:
            assert entry["burst"]["buffers"] == list(registers.BUFFERS)
            assert entry["burst"]["readings"] == registers.BURST_READINGS
            assert entry["burst"]["scale"] == pytest.approx(valve.burst_sensor.scale, rel=1e-10)
