"""The strangers' physics against closed forms, and their truth against their own logs."""

from __future__ import annotations

import subprocess
import sys
from itertools import pairwise

import numpy as np
import pytest
from strangers.conditions import CONDITIONS
from strangers.courses import severity
from strangers.cramer_rao import current_bounds, deviations, ramp_sensitivity
from strangers.draw import draw_machine
from strangers.driver import (
    available_current_a,
    first_order,
    pwm_ripple_a,
    pwm_ripple_peak_to_peak_a,
    ramp,
    second_order,
    static_current,
    switching_a,
)
from strangers.faults import CATALOGUE
from strangers.hydraulics import characteristic, play, settle, stick_slip
from strangers.machine import Machine
from strangers.misfits import MISFITS
from strangers.paper import full_scale
from strangers.ranges import RANGES
from strangers.readings import record
from strangers.simulate import simulate
from strangers.stranger import COURSES, FAULTS, draw, sheet_of
from strangers.truth import UNITS, settings

DT_S = 0.005


def stepped(seconds: float = 6.0, at_s: float = 1.0, dt_s: float = DT_S) -> tuple[np.ndarray, np.ndarray]:
    time = np.arange(0.0, seconds, dt_s)
    return time, (time >= at_s).astype(float)


@pytest.mark.parametrize("time_up_s", [0.05, 0.7, 3.0])
def test_a_ramp_into_a_lag_has_its_closed_form(time_up_s):
    """y(t) = (t - tau (1 - exp(-t/tau))) / T while the ramp runs."""
    tau = 0.03
    time, goal = stepped()
    y = first_order(ramp(goal, DT_S, time_up_s, 1.0, "straight"), tau, DT_S)
    t = time - 1.0 + DT_S  # the first limited step already ends a grid step later
    running = (t > 0) & (t < time_up_s)
    expected = (t - tau * -np.expm1(-t / tau)) / time_up_s
    assert running.sum() > 5
    assert np.allclose(y[running], expected[running], atol=1e-9)


@pytest.mark.parametrize("kind", ["straight", "two-slope"])
def test_a_full_step_takes_the_ramp_time(kind):
    _, goal = stepped()
    up = ramp(goal, DT_S, 2.0, 1.0, kind)
    down = ramp(1.0 - goal, DT_S, 2.0, 1.0, kind)
    assert ((up > 1e-9) & (up < 1 - 1e-9)).sum() * DT_S == pytest.approx(2.0, abs=3 * DT_S)
    assert ((down > 1e-9) & (down < 1 - 1e-9)).sum() * DT_S == pytest.approx(1.0, abs=3 * DT_S)


def test_the_ramp_that_is_no_ramp_is_a_lag_of_a_third():
    time, goal = stepped()
    u = ramp(goal, DT_S, 1.5, 1.5, "first-order")
    later = time > 1.0
    assert np.allclose(u[later], -np.expm1(-(time[later] - 1.0 + DT_S) / 0.5), atol=0.005)


def test_an_underdamped_loop_overshoots_by_its_closed_form():
    zeta = 0.5
    _, goal = stepped(dt_s=0.001)
    assert second_order(goal, 5.0, zeta, 0.001).max() - 1.0 == pytest.approx(
        np.exp(-np.pi * zeta / np.sqrt(1 - zeta**2)), rel=0.01
    )


def test_a_play_of_half_width_r_has_a_loop_of_twice_that():
    x = np.concatenate([np.linspace(0, 1, 2001), np.linspace(1, 0, 2001)])
    y = play(x, 0.02)
    rising, falling = slice(100, 2001), slice(2101, 4002)
    at = np.linspace(0.2, 0.8, 13)
    up = np.interp(at, y[rising], x[rising])
    down = np.interp(at, y[falling][::-1], x[falling][::-1])
    assert np.allclose(up - down, 0.04, atol=1e-9)


def test_a_spool_that_sticks_and_slips_follows_large_steps_like_a_play_and_small_ones_not_at_all():
    levels = np.array([0.2, 0.6, 0.605, 0.6, 0.9, 0.4])
    x = first_order(np.repeat(levels, 400), 0.02, DT_S)
    y, plain = stick_slip(x, 0.02, 0.01), play(x, 0.02)
    ends = np.arange(1, 7) * 400 - 1
    assert y[ends[1]] == y[ends[2]] == y[ends[3]], "a step below the breakaway moves nothing"
    assert np.allclose(y[ends[[1, 4, 5]]], plain[ends[[1, 4, 5]]], atol=2e-3)
    assert plain[ends[2]] > plain[ends[1]] + 0.004


def test_a_stuck_spool_stands_still():
    x = np.linspace(0, 1, 101)
    stuck = (x > 0.3) & (x < 0.6)
    y = play(x, 0.01, stuck)
    assert np.ptp(y[stuck]) == 0.0
    assert y[-1] == pytest.approx(0.99)


def test_copper_takes_current_away_as_it_warms():
    m = draw_machine(3, "plain")[0].set({"driver.limit_a": 99.0, "coil.cable_ohm": 0.0, "coil.driver_drop_v": 0.0})
    cold = available_current_a(m.set({"coil.winding_degc": 20.0}))
    hot = available_current_a(m.set({"coil.winding_degc": 100.0}))
    assert cold == pytest.approx(m.coil.supply_v / m.coil.r20_ohm)
    assert cold / hot == pytest.approx(1 + 0.00393 * 80.0)


@pytest.mark.parametrize("share", [0.1, 0.5, 0.8])
def test_switching_ripple_has_its_closed_form_and_obeys_the_coil(share):
    v, r, h, f = 24.0, 9.0, 0.06, 800.0
    time = np.linspace(0.0, 2 / f, 40_001)[:-1]
    ripple = pwm_ripple_a(time, v, r, h, f, share)
    assert np.ptp(ripple) == pytest.approx(pwm_ripple_peak_to_peak_a(v, r, h, f, share), rel=1e-3)
    current = ripple + 0.5 * (ripple.max() + ripple.min()) * 0.0 + share * v / r - ripple.mean()
    voltage = r * current + h * np.gradient(current, time)
    on = np.mod(time, 1 / f) < share / f
    assert np.median(voltage[on]) == pytest.approx(v, rel=0.01)
    assert np.median(voltage[~on]) == pytest.approx(0.0, abs=0.25)


def test_an_accumulator_empties_slower_than_it_fills():
    time, goal = stepped(20.0)
    up, down = settle(goal, 0.3, 4.0, DT_S), settle(1.0 - goal, 0.3, 4.0, DT_S)
    assert up[time >= 1.3][0] == pytest.approx(1 - np.exp(-1), abs=0.02)
    assert down[time >= 2.2][0] == pytest.approx(np.exp(-1), abs=0.02)


def test_the_bound_of_a_straight_line_is_that_of_the_textbook():
    """Variance of the slope of a line through n points: sigma^2 / sum (t - mean)^2, with the intercept unknown."""
    t = np.arange(500) / 100.0
    found = deviations(np.stack([np.ones_like(t), t], axis=1), 0.3)
    assert found[1] == pytest.approx(0.3 / np.sqrt(((t - t.mean()) ** 2).sum()), rel=1e-9)


def test_the_bound_says_nothing_of_what_the_data_do_not_show():
    columns = np.stack([np.ones(50), np.full(50, 2.0), np.zeros(50), np.arange(50.0)], axis=1)
    assert np.isnan(deviations(columns, 1.0)[:3]).all()
    assert np.isfinite(deviations(columns, 1.0)[3])


def test_the_sensitivity_of_a_ramp_is_its_finite_difference():
    rng = np.random.default_rng(4)
    goal = np.repeat(rng.uniform(0, 1, 30), 150)
    u, more = (ramp(goal, DT_S, t, 0.8, "straight") for t in (1.2, 1.2 + 1e-6))
    exact = ramp_sensitivity(u, goal, True, 1.2)
    rough = (more - u) / 1e-6
    settled = np.abs(rough - exact) < 0.01
    assert np.abs(exact).max() > 0.2
    assert settled.mean() > 0.98


def test_a_least_squares_fit_reaches_the_bound_of_the_ramp():
    """A fit by linear least squares about the truth, over many noises, spreads as the bound says."""
    rng = np.random.default_rng(8)
    _, goal = stepped(5.0)
    u = ramp(goal, DT_S, 1.5, 1.0, "straight")
    columns = np.stack([1 - u, u, ramp_sensitivity(u, goal, True, 1.5)], axis=1)
    fits = [np.linalg.lstsq(columns, 0.01 * rng.standard_normal(len(u)), rcond=None)[0] for _ in range(400)]
    assert np.std(fits, axis=0) == pytest.approx(deviations(columns, 0.01), rel=0.12)


def test_no_estimator_beats_the_bound_of_a_number_within_limits():
    """The best estimator there is (the posterior's mean), where the number is drawn as a squared cosine within 1."""
    x = np.linspace(-1.0, 1.0, 801)
    drawn = np.cos(0.5 * np.pi * x) ** 2
    slope = np.gradient(drawn, x)
    assert np.sum(slope[1:-1] ** 2 / drawn[1:-1]) / drawn.sum() == pytest.approx(np.pi**2, rel=0.01)
    for noise in (0.05, 0.3, 1.0, 3.0):
        seen = np.linspace(-1.0 - 6.0 * noise, 1.0 + 6.0 * noise, 1201)
        joint = drawn * np.exp(-0.5 * ((seen[:, None] - x) / noise) ** 2)
        mean = joint @ x / joint.sum(axis=1)
        error = float((joint * (mean[:, None] - x) ** 2).sum() / joint.sum())
        assert 1.0 / (1.0 / noise**2 + np.pi**2) <= error <= noise**2


def told_and_not(seed: int, condition: str, **fields: object) -> tuple[Machine, list[dict[str, float]]]:
    """A healthy machine, and the bounds to one who is told law, steps and dither, and to one who is not."""
    m = draw_machine(seed, condition)[0].set({"programme.duration_s": 120.0, **fields})
    t = simulate(m, (), np.random.default_rng(seed))
    _, times = record(m, t, np.random.default_rng(seed))
    return m, [current_bounds(m, t, times, np.zeros(len(times), bool), told=told) for told in (True, False)]


@pytest.mark.parametrize("condition", ["plain", "three strokes", "s-shaped law", "slow logger", "s-curves"])
def test_who_is_not_told_the_law_knows_no_more(condition):
    for seed in range(3):
        _, (told, untold) = told_and_not(seed, condition)
        for quantity, bound in told.items():
            assert not untold[quantity] < bound * (1.0 - 1e-9), (seed, quantity)


def test_currents_at_the_ends_rest_on_the_ends_where_the_law_is_not_known():
    """Of a bend without limits only what rests at an end tells that end: sigma over the root of its readings."""
    m, (told, untold) = told_and_not(3, "plain", **{"driver.dither_pp_a": 0.0})
    t = simulate(m, (), np.random.default_rng(3))
    _, times = record(m, t, np.random.default_rng(3))
    y = np.interp(times, t.time_s, t.share)
    at_full = np.count_nonzero(y > 1.0 - 1e-9)
    sigma = np.hypot(m.logger.current_noise * m.span_a, 1.05 * full_scale(m)[1] / 2**m.logger.bits / np.sqrt(12.0))
    alone = sigma / np.sqrt(at_full)
    assert untold["current_at_full"] == pytest.approx(alone, rel=0.15)
    assert told["current_at_full"] < 0.9 * alone


def test_a_ramp_whose_beginning_is_not_known_is_told_by_its_slope():
    """A line through n points is known half as well without a known point: n^3 / 12 of n^3 / 3 of information.

    One stroke up and down again of a long ramp, read ten times a second, so that the lag is nothing beside it.
    """
    fields = {"driver.dither_pp_a": 0.0, "driver.ramp_up_s": 9.0, "driver.ramp_down_s": 9.0}
    _, (told, untold) = told_and_not(
        2, "three strokes", **fields, **{"logger.rate_hz": 10.0, "logger.low_pass_hz": 40.0}
    )
    assert 1.5 < untold["ramp_up"] / told["ramp_up"] < 3.0, "and by something more for what may be bent"


def test_the_same_arguments_give_the_same_stranger():
    a, b = draw(11, "mixture", "seat worn"), draw(11, "mixture", "seat worn")
    assert a.sheet == b.sheet
    assert a.actuals == b.actuals
    assert all(np.array_equal(a.columns[k], b.columns[k], equal_nan=True) for k in a.columns)
    assert draw(12, "mixture", "seat worn").sheet != a.sheet


def test_every_sheet_is_accepted_by_the_reader(tmp_path):
    files = []
    for k, condition in enumerate(CONDITIONS + ("mixture",) * 20):
        files.append(tmp_path / f"{k}.toml")
        files[-1].write_text(sheet_of(500 + k, condition), encoding="utf-8")
    command = [sys.executable, "-m", "asleft.cli.main", "sheet", "check", *map(str, files)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.count("no fault") == len(files)


@pytest.mark.parametrize("condition", CONDITIONS)
def test_every_condition_differs_from_plain_and_is_healthy(condition):
    m, names = draw_machine(31, condition)
    assert (m == draw_machine(31, "plain")[0]) == (condition == "plain")
    assert (condition in names) == (condition not in ("plain", "mixture"))
    left = settings(m)
    assert left["current_at_full"] > left["current_at_zero"] >= 0.0
    assert available_current_a(m) > m.driver.i_full_a, "a healthy machine is not clipped"


def at_rest(m: Machine, stranger, demand: float, seconds: float) -> np.ndarray:
    """Rows whose command has stood at that demand for so long; as a mask over the log."""
    share = (stranger.columns["command"] - m.driver.signal_zero) / m.signal_span
    near = np.abs(share - demand) < 0.006
    changes = np.flatnonzero(~near)
    since = np.arange(len(near)) - np.maximum.accumulate(np.where(near, -1, np.arange(len(near))))
    assert len(changes)
    return since > seconds * stranger.rate_hz


@pytest.mark.parametrize(
    ("fault", "condition"),
    [
        (None, "plain"),
        (None, "inverted range"),
        (None, "s-shaped law"),
        (None, "relief cuts the top"),
        ("current at full turned", "plain"),
        ("driver gain", "kneed law"),
        ("command shunted", "part range"),
        ("current sensor gain", "plain"),
        ("seat worn", "plain"),
        ("pressure sensor zero", "neighbouring volume"),
        ("friction grown", "plain"),
        ("coil hot", "plain"),
        ("source weak at the top", "plain"),
        ("unwanted pressure", "plain"),
    ],
)
def test_the_truth_is_what_the_log_shows_at_rest(fault, condition):
    """Mean of the settled readings at 0 and 100 % command against the stated truth."""
    checked = 0
    for seed in range(71, 77):
        m = draw_machine(seed, condition)[0]
        s = draw(seed, condition, fault)
        quiet = 0.002 * m.span_a
        for demand, end in ((0.0, "zero"), (1.0, "full")):
            t_ramp = 1.3 * max(m.driver.ramp_up_s, m.driver.ramp_down_s) + 0.4 + 5.0 * m.valve.neighbour_s
            rows = at_rest(m, s, demand, t_ramp)
            if rows.sum() < 20:
                continue
            checked += 1
            dither = 0.5 * m.driver.dither_pp_a * 0.3 / np.sqrt(rows.sum() / 100.0)
            if fault != "coil hot" or end == "zero":  # a cut current is not the setting
                current = s.columns["current"][rows].mean()
                assert current == pytest.approx(s.actuals[f"current_at_{end}"].now, abs=quiet + dither)
            pressure = s.columns["pressure"][rows].mean()
            assert pressure == pytest.approx(s.actuals[f"pressure_at_{end}"].now, abs=0.004 * m.valve.p_full_bar)
    assert checked >= 4


@pytest.mark.parametrize("fault", [None, "ramp up turned", "ramp down turned", "driver gain"])
def test_the_ramps_of_the_truth_are_those_of_the_log(fault):
    """Time from 20 to 80 % of a full stroke of current, over 0.6; the lag shifts both crossings alike."""
    for seed in (81, 82, 83):
        s = draw(seed, "three strokes", fault)
        low, high = (s.actuals[f"current_at_{end}"].now for end in ("zero", "full"))
        share = (s.columns["current"] - low) / (high - low)
        middle = np.flatnonzero((share > 0.2) & (share < 0.8))
        runs = np.split(middle, np.flatnonzero(np.diff(middle) > 50) + 1)
        assert len(runs) == 6
        for name, some in (("ramp_up", runs[0::2]), ("ramp_down", runs[1::2])):
            seconds = np.mean([len(run) for run in some]) / s.rate_hz / 0.6
            assert seconds == pytest.approx(s.actuals[name].now, rel=0.03, abs=0.02)


@pytest.mark.parametrize("fault", [None, "friction grown"])
def test_the_hysteresis_of_the_truth_is_that_of_the_log(fault):
    """Difference of spool force, by the true characteristic, between equal levels reached from both sides."""
    checked = 0
    for seed in range(40, 50):
        m, s = draw_machine(seed, "exact command")[0], draw(seed, "exact command", fault)
        share = np.round((s.columns["command"] - m.driver.signal_zero) / m.signal_span, 6)
        begins = np.flatnonzero(np.diff(share, prepend=np.nan) != 0)
        seen: dict[float, dict[bool, float]] = {}
        for a, b in pairwise(begins[1:]):
            rest = slice(b - int(0.3 * s.rate_hz), b)
            moved = abs(share[a] - share[a - 1])
            if 0.15 < share[a] < 0.85 and moved > 0.05 and b - a > (1.5 * moved * 5 + 1.0) * s.rate_hz:
                seen.setdefault(share[a], {})[bool(share[a] > share[a - 1])] = s.columns["pressure"][rest].mean()
        x = np.linspace(0.0, 1.1, 2001)
        for sides in seen.values():
            if len(sides) == 2:
                force = {up: np.interp(p, characteristic(m, x), x) for up, p in sides.items()}
                wide = 100.0 * (force[False] - force[True])
                assert wide == pytest.approx(s.actuals["hysteresis"].now, abs=0.6)
                checked += 1
    assert checked > 5


@pytest.mark.parametrize("size", [0.7, 3.0])
@pytest.mark.parametrize("fault", [name for name, row in CATALOGUE.items() if row.sized])
def test_a_sized_fault_moves_its_quantity_by_its_size(fault, size):
    s = draw(91, "rich sheet", fault, size)
    used = []
    for a in s.actuals.values():
        side = a.tolerance_above if a.now > a.left else a.tolerance_below
        used.append(abs(a.now - a.left) / side)
    assert s.faults[0].quantities
    assert s.faults[0].visible
    if s.faults[0].kinds == {"current-clipped"}:  # the setting stays; the top of the current falls
        a = s.actuals["current_at_full"]
        used.append((a.left - np.quantile(s.columns["current"], 0.999)) / a.tolerance_below)
    assert any(0.75 * size < u < 1.35 * size for u in used)


@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_is_described_without_contradiction(fault):
    for condition in ("plain", "no pressure channel", "no current channel"):
        f = draw(17, condition, fault).faults[0]
        assert f.kinds or not f.visible
        assert f.parts
        assert not f.parts & (f.tie | f.contradicted)
        assert not f.tie & f.contradicted


@pytest.mark.parametrize("course", COURSES)
def test_a_course_begins_at_its_onset(course):
    time = np.arange(0.0, 600.0, 0.01)
    s, onset = severity(time, course, "", np.random.default_rng(3))
    assert s[time < onset - 0.02].sum() == 0.0
    assert s.max() == pytest.approx(1.0, abs=1e-3)
    assert (onset == 0.0) == (course == "first row")
    assert (s.min() == 0.0) == (course != "first row")


def test_a_failed_command_reads_3_58_ma():
    s = draw(5, "plain", "command failed", course="step")
    late = s.columns["time"] > s.faults[0].onset_s + 0.1
    assert s.columns["command"][late].mean() == pytest.approx(3.58, abs=0.01)
    assert s.columns["current"][late].max() < 0.2 * s.actuals["current_at_full"].left


def test_dither_that_stands_still_is_an_offset_and_no_noise():
    """Dither at a multiple of the logger's rate gives the same phase at every row."""
    offsets = []
    for seed in range(8):
        m = draw_machine(seed, "dither stands still")[0]
        s = draw(seed, "dither stands still")
        rows = at_rest(m, s, 1.0, 1.3 * max(m.driver.ramp_up_s, m.driver.ramp_down_s) + 0.4)
        noise = m.logger.current_noise * m.span_a
        if rows.sum() < 50:
            continue
        ripple = switching_a(m) / np.sqrt(12.0) / (m.driver.pwm_hz / m.logger.low_pass_hz)  # a triangle, filtered
        assert s.columns["current"][rows].std() < 1.2 * np.hypot(noise, ripple) + noise
        offsets.append((s.columns["current"][rows].mean() - float(static_current(m, 1.0))) / noise)
    assert len(offsets) > 2
    assert np.abs(offsets).max() > 3.0


def test_the_branches_of_the_characteristic_enclose_its_middle():
    m = draw_machine(2, "stiction")[0]
    x = np.linspace(0.1, 0.9, 9)
    r = m.valve.play_share
    assert (characteristic(m, x - r) < characteristic(m, x)).all()
    assert (characteristic(m, x + r) > characteristic(m, x)).all()


def test_every_misfit_changes_log_or_sheet():
    for name in MISFITS:
        fits, not_fits = draw(60, "plain"), draw(60, "plain", misfit=name)
        same = all(np.array_equal(fits.columns[k], not_fits.columns[k]) for k in fits.columns)
        assert not same or fits.sheet != not_fits.sheet
        assert not_fits.misfit == name


def test_logs_are_written_as_the_reader_wants_them(tmp_path):
    s = draw(9, "rich sheet", "readings missing")
    log, sheet = s.write(tmp_path)
    lines = log.read_text(encoding="utf-8").splitlines()
    assert lines[0].split(",") == list(s.columns)
    assert len(lines) == len(s.columns["time"]) + 1
    assert any(",," in line for line in lines)
    assert sheet.read_text(encoding="utf-8") == s.sheet
    assert (tmp_path / "burst.csv").exists()


def test_every_range_says_why_and_every_quantity_has_its_unit():
    assert all(r.low < r.high and r.reason and r.unit for r in RANGES.values())
    assert all(a.unit == UNITS[q] for q, a in draw(1, "rich sheet").actuals.items())
