"""The strangers' sheets, ripple and truth: valid for every draw, and no more than the log's channels can show."""

from __future__ import annotations

import subprocess
import sys
import tomllib

import numpy as np
import pytest
from strangers.conditions import CONDITIONS
from strangers.draw import draw_machine
from strangers.driver import switching_a
from strangers.faults import FAULTS
from strangers.hydraulics import characteristic, play
from strangers.readings import ripple_a, sample_times
from strangers.stranger import draw, sheet_of
from strangers.truth import LIMITS


def sampled_switching(seed: int, condition: str) -> np.ndarray:
    """Switching ripple in the rows of a log, in shares of its peak to peak; shape (n,)."""
    m = draw_machine(seed, condition)[0]
    times = sample_times(m, np.random.default_rng(seed))[0]
    return ripple_a(m, m, times, np.zeros_like(times), (0.0, seed * 1.3))[1] / switching_a(m)


def test_switching_ripple_beats_with_the_logger_unless_it_is_drawn_to_stand_still():
    free = [sampled_switching(seed, "plain") for seed in range(8)]
    assert min(np.std(r) for r in free) > 0.2, "an even spread over a triangle has 0.29"
    assert len({draw_machine(seed, "plain")[0].driver.pwm_hz for seed in range(8)}) == 8
    locked = [sampled_switching(seed, "ripple stands still") for seed in range(8)]
    assert max(np.std(r) for r in locked) < 0.01
    assert np.ptp([r.mean() for r in locked]) > 0.3, "at another phase in every log"


def test_no_logger_has_an_exact_clock():
    for condition in ("plain", "jitter", "fast logger"):
        for seed in range(5):
            m = draw_machine(seed, condition)[0]
            times, stamps = sample_times(m, np.random.default_rng(seed))
            slope_ppm = 1e6 * (np.polyfit(stamps, times, 1)[0] - 1.0)
            assert slope_ppm == pytest.approx(m.logger.clock_ppm, abs=1.0)
            assert 5.0 <= abs(m.logger.clock_ppm) <= 50.0


def drawn_sheets(count: int) -> list[tuple[tuple[int, str, str], str]]:
    """Sheets of drawn pairs of condition and fault; every second one is a mixture."""
    rng = np.random.default_rng(76)
    pairs = [(76, "mixture", "command readings late")]
    while len(pairs) < count:
        condition = "mixture" if len(pairs) % 2 else str(rng.choice(CONDITIONS))
        pairs.append((int(rng.integers(100_000)), condition, str(rng.choice(FAULTS))))
    return [(pair, sheet_of(*pair)) for pair in pairs]


def test_every_drawn_sheet_is_within_the_limits_of_the_sheet():
    for pair, text in drawn_sheets(300):
        sheet = tomllib.loads(text)
        left = sheet["as_left"]
        for quantity, value in left.items():
            low, high = LIMITS[quantity]
            assert low <= value <= high, (pair, quantity, value)
        for lower, upper in (("current_at_zero", "current_at_full"), ("pressure_at_zero", "pressure_at_full")):
            if lower in left and upper in left:
                assert left[lower] < left[upper], (pair, left)
        for quantity, values in sheet.get("tolerance", {}).items():
            assert np.abs(values).min() > 0.0, (pair, quantity)


def test_drawn_sheets_are_accepted_by_the_reader(tmp_path):
    files = []
    for k, (_, text) in enumerate(drawn_sheets(20)):
        files.append(tmp_path / f"{k}.toml")
        files[-1].write_text(text, encoding="utf-8")
    command = [sys.executable, "-m", "asleft.cli.main", "sheet", "check", *map(str, files)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.count("no fault") == len(files)


def test_half_a_span_is_ramped_through_in_half_the_time():
    """As found: span over slope. The floor takes half of the span and leaves the slope as it was."""
    s = draw(17, "plain", "current unasked")
    for ramp in ("ramp_up", "ramp_down"):
        a = s.actuals[ramp]
        assert a.now == pytest.approx(0.5 * a.left, rel=0.01)
        assert not a.defined, "the driver's own ramp has not changed"
    assert not s.actuals["hysteresis"].defined, "the loop never reaches its lower end"


@pytest.mark.parametrize("fault", ["coil hot", "wiring resistance", "driver limit lower"])
def test_a_cut_current_leaves_the_setting_as_it_is(fault):
    s = draw(17, "plain", fault)
    a, f = s.actuals["current_at_full"], s.faults[0]
    assert a.low == a.high == a.now == pytest.approx(a.left, rel=1e-3)
    assert a.bound is None
    assert "cut" in a.why_unseen
    assert f.visible
    assert "current-clipped" in f.kinds
    assert "current_at_full" not in f.quantities
    assert s.columns["current"].max() < a.left - 0.5 * a.tolerance_below, "and the log shows the cut"


@pytest.mark.parametrize(
    ("seed", "condition", "fault", "visible"),
    [
        (17, "plain", "wiring resistance", True),
        (17, "middle only", "wiring resistance", False),  # never near the limit
        (17, "plain", "pressure readings late", True),
        (17, "plain", "dither lost", True),
        (17, "stiction", "dither lost", False),  # left without dither
        (17, "stiction", "dither strength", False),
        (17, "plain", "command readings late", True),
        (17, "flow valve", "valve spring", False),
    ],
)
def test_a_fault_is_visible_only_where_the_log_can_show_it(seed, condition, fault, visible):
    assert draw(seed, condition, fault).faults[0].visible == visible


def test_a_command_that_stands_still_is_the_same_however_late_it_is_read():
    """u(t - 0.8 s) = u(t) where u is constant: the log with the fault is that without it, row by row."""
    late, failed = draw(
        5000014, "fast logger", "command readings late", 1.5, "creeping", second_fault="command beyond range"
    ).faults
    assert failed.onset_s < late.onset_s
    assert not late.visible
    assert failed.visible


def test_a_cut_between_two_levels_is_not_told_from_another_setting():
    s = draw(17, "on/off only", "driver limit lower")
    assert not s.actuals["current_at_full"].defined
    assert {"current-clipped", "current-full-changed"} <= s.faults[0].kinds


def test_late_readings_hide_behind_a_slow_pressure():
    for seed in range(4):
        v = draw_machine(seed, "slow pressure")[0].valve
        assert draw(seed, "slow pressure", "pressure readings late").faults[0].visible == (v.settling_s < 0.8)


def test_a_part_is_contradicted_only_by_a_channel_that_is_there():
    no_pressure = draw(17, "no pressure channel", "driver limit lower").faults[0]
    assert "current-sensor" not in no_pressure.contradicted, "a reading at its end looks the same"
    assert "current-sensor" in draw(17, "rich sheet", "driver limit lower").faults[0].contradicted
    at_controller = draw(17, "command read at the controller", "driver limit lower").faults[0]
    assert not at_controller.contradicted & {"command-wiring", "controller"}, (
        "a loop with too much burden does the same"
    )
    monitor = draw(17, "current from the monitor output", "pressures fall by a factor").faults[0]
    assert not monitor.contradicted & {"driver", "current-sensor", "coil-wiring"}, (
        "its output follows its own measure"
    )
    lead = draw(17, "rich sheet", "pressures fall by a factor").faults[0]
    assert {"driver", "current-sensor"} <= lead.contradicted


@pytest.mark.parametrize("course", ["first row", "step"])
def test_a_dither_that_is_not_there_has_no_frequency_to_be_seen(course):
    """The bound of a frequency goes with one over the amplitude (Rife and Boorstyn 1974): of none it is infinite."""
    lost = draw(17, "plain", "dither lost", course=course).actuals
    assert lost["dither_frequency"].bound is None
    assert lost["dither_amplitude"].bound is not None, "that there is none is seen"
    assert draw(17, "plain", "dither strength", course=course).actuals["dither_frequency"].bound is not None


def test_a_creeping_dither_has_the_frequency_of_its_truth():
    s = draw(23, "rich sheet", "dither frequency", course="creeping")
    current = s.bursts["current"] - s.bursts["current"].mean()
    power = np.abs(np.fft.rfft(current * np.hanning(len(current)), 2**17)) ** 2
    hz = np.fft.rfftfreq(2**17, 1 / 5000.0)
    slow = (hz > 50.0) & (hz < 400.0)
    assert hz[slow][np.argmax(power[slow])] == pytest.approx(s.actuals["dither_frequency"].now, abs=0.3)


def test_a_fault_has_the_size_that_its_log_shows_at_most():
    """What creeps has its whole size in the last row alone; here full command was met 10 s and long before it."""
    assert draw(17, "plain", "driver gain", size=3.0).faults[0].size == 3.0
    wiring = draw(1300071, "hum", "wiring resistance", 1.5, "creeping").faults[0]
    assert wiring.size == pytest.approx(1.06, abs=0.01)
    sensor = draw(1300043, "three strokes", "current sensor gain", 1.5, "creeping").faults[0]
    assert sensor.size == pytest.approx(0.48, abs=0.01), "as far as zero command shows it"
    floor = draw(1300039, "stiction", "unwanted pressure", 1.5).faults[0]
    assert floor.size == pytest.approx(0.44, abs=0.01), "friction had left most of it there"
    unseen = draw(8900159, "coarse readings", "unwanted pressure", 3.0, "creeping").faults[0]
    assert unseen.size == pytest.approx(0.67, abs=0.01), "so far when zero was left; 10 % lies above it"
    assert not draw(6, "middle only", "source weak at the top", 3.0, "first row").faults[0].visible
    whole = draw(6, "plain", "source weak at the top", 3.0, "first row").faults[0]
    assert (whole.visible, whole.size) == (True, 3.0)
    factor = draw(60, "middle only", "pressures fall by a factor", 3.0).faults[0]
    assert factor.size == pytest.approx(1.82, abs=0.01), "the command goes to 60 % and no further"


@pytest.mark.parametrize(
    ("condition", "first", "second"),
    [
        ("plain", "pressure reading dead", "pressure readings late"),
        ("plain", "command beyond range", "controller asks for more"),
        ("plain", "driver output off", "current unasked"),
    ],
)
def test_what_another_fault_hides_from_the_first_row_on_is_not_visible(condition, first, second):
    assert draw(17, condition, second).faults[0].visible
    both = draw(17, condition, first, second_fault=second).faults
    assert [fault.visible for fault in both] == [True, False]


def test_a_current_that_is_not_read_shows_in_the_pressure_alone():
    turned = draw(17, "plain", "current reading dead", second_fault="both currents turned").faults[1]
    assert turned.visible
    assert turned.kinds == {"pressure-changed"}


def test_a_ramp_that_is_slow_at_times_is_visible_where_something_rises_meanwhile():
    assert draw(17, "plain", "ramp slow one minute in three").faults[0].visible
    met_none = draw(1300377, "three strokes", "ramp slow one minute in three", 0.7, "comes and goes")
    assert not met_none.faults[0].visible


@pytest.mark.parametrize(("seed", "course"), [(10300187, "step"), (41, "first row"), (42, "step"), (43, "step")])
def test_a_stuck_spool_makes_the_pressure_that_the_log_shows(seed: int, course: str):
    stranger = draw(seed, "plain", fault="spool stuck at zero", course=course)
    fault, read = stranger.faults[0], stranger.columns["pressure"]
    stands = float(np.median(read[-len(read) // 20 :]))
    truth = stranger.actuals["pressure_at_zero"]
    assert truth.now == pytest.approx(stands, abs=0.2 * truth.tolerance_above)
    assert stranger.actuals["pressure_at_full"].now == truth.now
    assert ("pressure-unwanted" in fault.kinds) is (truth.now > truth.left + truth.tolerance_above)


def test_a_dead_reading_of_what_stands_still_all_along_is_no_fault_that_a_log_shows():
    """The command fails at the first row, so the pressure is p0 to the end: rows with and without differ by noise."""
    beside = draw(55, "plain", fault="command failed", second_fault="pressure reading dead", course="first row")
    assert [fault.visible for fault in beside.faults] == [True, False]
    alone = draw(55, "plain", fault="pressure reading dead", course="first row")
    assert alone.faults[0].visible
    later = draw(55, "plain", fault="command failed", second_fault="pressure reading dead", course="step")
    assert later.faults[1].visible, "its noise ends"


def test_a_dead_reading_of_a_current_that_never_flows_is_no_fault_that_a_log_shows():
    """The command fails at the first row and the driver is off, so i(t) = 0 to the end, dead or not but for noise."""
    never = draw(55, "plain", fault="command beyond range", second_fault="current reading dead", course="first row")
    assert [fault.visible for fault in never.faults] == [True, False]
    assert np.abs(never.columns["current"]).max() < 0.005 * never.actuals["current_at_full"].left
    assert draw(55, "plain", fault="current reading dead", course="first row").faults[0].visible
    flows = draw(55, "plain", fault="command beyond range", second_fault="current reading dead", course="step")
    assert flows.faults[1].visible


def test_a_pressure_whose_end_is_not_seen_has_moved_by_what_the_levels_show():
    """Worlds in which the characteristic above the levels seen is as left, or not, give the same rows."""
    seen = {
        condition: draw(seed, condition, fault="pressures fall by a factor", size=3.0, course="first row")
        for condition, seed in (("plain", 6), ("middle only", 6))
    }
    whole, inner = seen["plain"], seen["middle only"]
    assert whole.actuals["pressure_at_full"].bound is not None
    assert inner.actuals["pressure_at_full"].bound is None
    assert whole.faults[0].size == 3.0
    assert 0.0 < inner.faults[0].size < 0.9 * 3.0


def test_the_first_stay_shows_no_branch():
    """Two worlds: a characteristic, and it shifted by the spool's half width, with spools as far apart.

    Their pressures are the same as long as neither spool has moved; those at zero "from above" are not.
    """
    m = draw_machine(17, "plain")[0].set({"valve.dead_band": 0.0, "valve.curve": 1.0})
    width, span_bar = m.valve.play_share, m.valve.p_full_bar - m.valve.p_zero_bar
    shift = {"valve.p_zero_bar": m.valve.p_zero_bar + width * span_bar}
    other = m.set({**shift, "valve.p_full_bar": m.valve.p_full_bar + width * span_bar})
    within = np.linspace(0.05, 0.95, 50) * width  # the current's place wanders less than moves a spool
    spools = [play(np.concatenate(([start], within)), width)[1:] for start in (0.0, -width)]
    assert characteristic(m, spools[0]) == pytest.approx(characteristic(other, spools[1]))
    apart = float(characteristic(other, width) - characteristic(m, width))
    assert apart == pytest.approx(width * span_bar)
    assert apart > 0.25 * 0.02 * m.valve.p_full_bar, "more than a quarter of the tolerance"


def test_a_pressure_at_zero_that_is_only_seen_at_the_first_stay_is_not_owed():
    short, plain = draw(7501011, "short dwells"), draw(17, "plain")
    assert short.actuals["pressure_at_zero"].bound is None
    assert plain.actuals["pressure_at_zero"].bound is not None
