from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from asleft.judge.valve.branches import BranchLevel
from asleft.judge.valve.curve import Curve, curve_of, half_width_a, hermite
from asleft.judge.valve.hysteresis import BEND, NoWidth, Width, bend_of, loop_width
from asleft.sheet.model import Characteristic
from synth import sheet

ZERO, FULL = 0.2, 1.0
SPAN = FULL - ZERO


def spool_bar(share: np.ndarray | float, bow: float = 0.2) -> np.ndarray:
    """A bowed valve between 10 and 200 bar."""
    s = np.asarray(share, dtype=float)
    return 10.0 + 190.0 * (s * (1.0 - bow) + bow * s * np.abs(s))


def branch_bar(share: np.ndarray, half: float, way: float) -> np.ndarray:
    """A loop of half width `half` (share of span) whose gauge pressures at the ends are 10 and 200 bar."""
    spool = np.clip(share - way * half, half, 1.0 - half)
    return spool_bar((spool - half) / (1.0 - 2.0 * half))


def table(half: float, count: int = 6) -> Characteristic:
    share = np.linspace(0.0, 1.0, count)
    rising, falling = branch_bar(share, half, 1.0), branch_bar(share, half, -1.0)
    return Characteristic(
        tuple((ZERO + SPAN * share).tolist()), tuple(np.round(rising, 1)), tuple(np.round(falling, 1))
    )


def left(half: float = 0.01, *, recorded: bool = True) -> Curve:
    plain = sheet(as_left={**sheet().as_left, "hysteresis": 200.0 * half})
    curve = curve_of(replace(plain, characteristic=table(half)) if recorded else plain)
    assert curve is not None
    return curve


def level(share: float, way: float, bar: float, se: float = 0.02, visits: int = 20) -> BranchLevel:
    return BranchLevel(way, share, share, ZERO + SPAN * share, 5e-5, bar, se, 0.1, visits, 0.0, 100.0, np.nan)


def levels(
    rising: tuple[float, ...], falling: tuple[float, ...], *, half: float, left_half: float, gain: float = 1.0,
    offset: float = 0.0, noise: float = 0.0, seed: int = 1,
) -> list[BranchLevel]:  # fmt: skip
    """Levels of a valve left with one half width and seen with another, its pressure scaled and shifted."""
    rng = np.random.default_rng(seed)
    out = []
    for way, shares in ((1.0, rising), (-1.0, falling)):
        for share in shares:
            spool = min(max(share - way * half, half), 1.0 - half)
            bar = float(spool_bar((spool - left_half) / (1.0 - 2.0 * left_half)))
            out.append(level(share, way, offset + gain * bar + noise * rng.standard_normal(), max(noise, 0.01)))
    return out


def width_of(found: list[BranchLevel], curve: Curve) -> Width:
    width = loop_width(found, curve, SPAN)
    assert isinstance(width, Width), width
    return width


PRESSING = ((0.7, 1.0), (0.0, 0.4))
CUSHION = ((0.6, 1.0), (0.0, 0.25, 0.6))


@pytest.mark.parametrize("half", [0.005, 0.01, 0.03])
@pytest.mark.parametrize("cycle", [PRESSING, CUSHION])
def test_the_width_is_found_from_few_levels_and_the_recorded_curve(half, cycle) -> None:
    width = width_of(levels(*cycle, half=half, left_half=0.01), left())
    u = 2.0 * np.hypot(width.repeatability, width.systematic)
    assert abs(width.share - 2.0 * half) < u
    assert u < 0.004


def test_the_finer_a_curve_was_recorded_the_less_it_bends_between() -> None:
    """A monotone cubic through a bowed curve errs by the square of the distance of its nodes at least."""
    at, errors, bends = np.linspace(0.3, 0.9, 200), [], []
    for count in (6, 11, 21):
        plain = sheet(as_left={**sheet().as_left, "hysteresis": 2.0})
        curve = curve_of(replace(plain, characteristic=table(0.01, count)))
        assert curve is not None
        off = (curve.current_at(spool_bar((at - 0.01) / 0.98)) - ZERO) / SPAN - at
        errors.append(float(np.std(off)))
        bends.append(bend_of(curve))
    assert bends[0] > bends[1] > bends[2] >= BEND[True]
    assert all(error < bend for error, bend in zip(errors, bends, strict=True))
    assert bend_of(left(recorded=False)) == BEND[False]


def test_without_a_curve_a_level_seen_from_both_sides_is_enough() -> None:
    width = width_of(levels(*CUSHION, half=0.03, left_half=0.01), left(recorded=False))
    assert width.pairs == 1
    assert width.share == pytest.approx(0.06, abs=0.0025)
    assert abs(width.share - 0.06) < 2.0 * np.hypot(width.repeatability, width.systematic)


def test_levels_far_apart_cost_certainty() -> None:
    near = width_of(levels((0.6,), (0.6,), half=0.02, left_half=0.01), left())
    far = width_of(levels((1.0,), (0.0,), half=0.02, left_half=0.01), left())
    assert near.systematic < 0.006
    assert far.systematic > 0.05
    blind = width_of(levels(*PRESSING, half=0.02, left_half=0.01), left(recorded=False))
    assert blind.systematic > 5.0 * width_of(levels(*PRESSING, half=0.02, left_half=0.01), left()).systematic


@pytest.mark.parametrize(("gain", "offset"), [(1.0, 12.0), (1.0, -8.0), (0.94, 0.0), (1.05, 3.0)])
def test_a_shifted_or_scaled_pressure_is_no_hysteresis(gain, offset) -> None:
    for cycle in (PRESSING, CUSHION):
        width = width_of(levels(*cycle, half=0.01, left_half=0.01, gain=gain, offset=offset), left())
        assert abs(width.share - 0.02) < 2.0 * np.hypot(width.repeatability, width.systematic)


def test_more_repetition_shrinks_only_what_repeats() -> None:
    few = width_of(levels(*CUSHION, half=0.02, left_half=0.01, noise=0.4), left())
    many = width_of(levels(*CUSHION, half=0.02, left_half=0.01, noise=0.1), left())
    assert few.repeatability == pytest.approx(4.0 * many.repeatability, rel=0.1)
    assert max(few.systematic, many.systematic) < 2e-4


def test_intervals_hold_what_they_promise_under_noise() -> None:
    """Of 200 intervals for two standard uncertainties about 190 hold the truth."""
    inside = 0
    for seed in range(200):
        width = width_of(levels(*CUSHION, half=0.02, left_half=0.01, noise=0.5, seed=seed), left())
        inside += abs(width.share - 0.04) < 2.0 * np.hypot(width.repeatability, width.systematic)
    assert 180 <= inside <= 199


def test_where_the_loop_is_wider_the_widest_place_counts() -> None:
    curve = left(recorded=False)
    found = []
    for share in (0.2, 0.4, 0.6, 0.8):
        half = 0.02 if share != 0.4 else 0.045
        found += [level(share, way, float(spool_bar(share - way * half))) for way in (1.0, -1.0)]
    found.sort(key=lambda x: (-x.arrival, x.share))
    width = width_of(found, curve)
    assert width.widest_at == pytest.approx(0.4)
    assert width.share == pytest.approx(0.09, rel=0.25)


def test_why_there_is_no_width() -> None:
    curve = left()
    one = loop_width(levels((0.7, 1.0), (), half=0.01, left_half=0.01), curve, SPAN)
    assert one == NoWidth("pressure seen on one branch only")
    stuck = [level(share, way, 80.0) for way in (1.0, -1.0) for share in (0.2, 0.6, 0.9)]
    assert loop_width(stuck, curve, SPAN) == NoWidth("pressure does not follow the current on one curve")


def test_where_pressure_hardly_depends_on_current_it_says_nothing_of_it() -> None:
    flat = Curve(np.array([0.2, 0.6, 0.61, 1.0]), np.array([10.0, 12.0, 190.0, 200.0]), 0.0, 0.2, 1.0, recorded=True)
    found = [level(0.3, 1.0, 11.0), level(0.3, -1.0, 11.2)]
    assert loop_width(found, flat, SPAN) == NoWidth("pressure hardly depends on the current where it was seen")


def test_the_curve_between_the_branches() -> None:
    curve = left()
    share = np.linspace(0.0, 1.0, 41)
    for way in (1.0, -1.0):
        told = curve.branch_at(ZERO + SPAN * share, way)
        assert told == pytest.approx(branch_bar(share, 0.01, way), abs=0.15)
    # They meet at both ends.
    assert curve.branch_at(np.array([ZERO]), 1.0) == pytest.approx(curve.branch_at(np.array([ZERO]), -1.0))
    assert curve.branch_at(np.array([FULL]), 1.0) == pytest.approx(curve.branch_at(np.array([FULL]), -1.0))
    bar = np.linspace(5.0, 205.0, 30)
    assert curve.pressure_at(curve.current_at(bar)) == pytest.approx(bar, abs=0.2)


def test_half_the_distance_of_recorded_branches() -> None:
    recorded = table(0.02, 11)
    current = np.array(recorded.current_a)
    half = half_width_a(current, np.array(recorded.rising_bar), np.array(recorded.falling_bar))
    assert half / SPAN == pytest.approx(0.02, rel=0.1)
    assert half_width_a(current[:2], current[:2], current[:2]) == 0.0
    bare = curve_of(replace(sheet(), characteristic=recorded))
    assert bare is not None
    assert bare.half_width_a == pytest.approx(half)


def test_a_sheet_without_numbers_has_no_curve_and_a_flat_beginning_is_left_out() -> None:
    assert curve_of(sheet(as_left={"ramp_up": 1.0})) is None
    along_command = curve_of(sheet(as_left={"pressure_at_zero": 10.0, "pressure_at_full": 200.0}))
    assert along_command is not None
    assert along_command.pressure_at(np.array([0.5])) == pytest.approx(105.0)
    dead = Characteristic((0.2, 0.3, 0.4, 1.0), (10.0, 10.0, 10.0, 200.0), (10.0, 10.0, 12.0, 200.0))
    curve = curve_of(sheet(characteristic=dead))
    assert curve is not None
    assert np.all(np.diff(curve.pressure_bar) > 0.0)
    assert curve.current_a[0] > 0.29
    level_all_along = Characteristic((0.2, 1.0), (10.0, 10.0), (10.0, 10.0))
    assert curve_of(sheet(characteristic=level_all_along)) is None


def test_the_interpolation_keeps_to_monotone_data_and_hits_its_nodes() -> None:
    nodes, values = np.array([0.0, 1.0, 2.0, 4.0, 5.0]), np.array([0.0, 0.0, 3.0, 3.1, 9.0])
    x = np.linspace(0.0, 5.0, 501)
    y = hermite(x, nodes, values)
    assert np.all(np.diff(y) >= -1e-12)
    assert hermite(nodes, nodes, values) == pytest.approx(values)
    parabola = hermite(x, nodes, nodes**2)
    assert parabola == pytest.approx(x**2, abs=0.3)
    assert hermite(np.array([-1.0, 6.0]), nodes[:2], np.array([0.0, 2.0])) == pytest.approx([-2.0, 12.0])


def test_a_level_on_a_floor_or_beside_the_curve_does_not_hide_the_width_of_the_others() -> None:
    """Zero command reads 0.8 bar more than the curve has it: a flat end that six recorded levels do not show."""
    found = levels((0.7, 0.88, 1.0), (0.0, 0.1, 0.4), half=0.025, left_half=0.01)
    (zero,) = [k for k, one in enumerate(found) if one.share == 0.0]
    found[zero] = replace(found[zero], pressure_bar=found[zero].pressure_bar - 2.0)
    width = width_of(found, left())
    u = 2.0 * np.hypot(width.repeatability, width.systematic)
    assert abs(width.share - 0.05) < u < 0.01
    assert 0.0 not in {one.share for one in width.levels}


def test_pairs_tell_the_width_where_valve_and_curve_differ_at_one_place() -> None:
    """Both levels at a tenth of the range lie 0.3 % of the span off the curve: an offset of the reading meets it."""
    found = levels((0.1, 0.32, 0.7), (0.1, 0.32, 0.7), half=0.012, left_half=0.012)
    off = [replace(one, current_a=one.current_a - 0.003 * SPAN * (one.share == 0.1)) for one in found]
    width = width_of(off, left(0.012))
    u = 2.0 * np.hypot(width.repeatability, width.systematic)
    assert abs(width.share - 0.024) < u < 0.0015


def test_what_noise_carried_is_told_with_the_weights_of_the_levels() -> None:
    """Levels that the curve must join lean on it: their peaks count as often as they weigh."""

    def carried(peak: float) -> Width:
        found = levels((0.85, 1.0), (0.0,), half=0.012, left_half=0.012)
        shaken = [replace(one, carried=peak * (1.0 if one.share == 0.85 else 0.3)) for one in found]
        return width_of(shaken, left(0.012))

    none, some = carried(0.0), carried(0.001)
    assert some.carried == pytest.approx(some.share - none.share, rel=0.05)
    assert some.carried > 0.0025


def test_levels_of_which_too_many_are_odd_tell_no_width() -> None:
    found = levels((0.7, 0.88, 1.0), (0.0, 0.1, 0.4), half=0.025, left_half=0.01)
    off_bar = {0.0: 9.0, 0.1: -7.0, 0.7: 12.0, 0.88: -15.0}
    odd = [replace(one, pressure_bar=one.pressure_bar + off_bar.get(one.share, 0.0)) for one in found]
    assert isinstance(loop_width(odd, left(), SPAN), NoWidth)
