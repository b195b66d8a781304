"""Whether a pressure went with the current that is read: where it must have, need not have, and when it was seen."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from asleft.catalogue.parts import Part
from asleft.judge.driver.clipping import Clip, cut_strokes, cuts_of, strokes_at
from asleft.judge.driver.currents import Level
from asleft.judge.estimates.as_found import AsFound
from asleft.judge.features import Dwell, Stroke
from asleft.judge.finding.context import (
    FindingContext,
    LevelChange,
    explained_bar,
    pressure_shapes,
    size_values,
    telling,
)
from asleft.judge.finding.level_changes import level_changes, slope_at
from asleft.judge.finding.pressure_symptoms import follows, likelier_following, scatter_bar
from asleft.judge.finding.signatures import AS_LEFT, CAUSES, contradictions
from asleft.judge.finding.symptoms import cut_share, observe
from asleft.judge.types import Coverage, Verdict
from asleft.judge.valve.branches import levelled
from asleft.judge.watching.stretches import Stretch
from synth import curved, dwell
from test_findings import context, found

BAR_PER_A = 190.0 / 0.8
TOLERANCE_BAR = 4.0
CURRENTS = ("current_at_zero", "current_at_full")


def at(demand: float, change_bar: float, change_a: float, *, se: float = 0.01, **more: float) -> LevelChange:
    return LevelChange(demand, 1.0, 10.0 + 190.0 * demand, change_bar, se, change_a, BAR_PER_A, **more)  # type: ignore[arg-type]


def test_a_change_inside_its_own_uncertainty_may_be_none_or_of_the_other_sign() -> None:
    assert size_values(2.0, 3.8, 1.0, 1.0) == {"as left", "+", "-"}
    assert size_values(2.0, 2.1, 1.0, 1.0) == {"as left", "+"}


def test_a_current_that_may_not_have_moved_asks_for_no_pressure() -> None:
    assert telling([at(1.0, 0.0, 0.05)], TOLERANCE_BAR)
    assert not telling([at(1.0, 0.0, 0.05, current_u_a=0.06)], TOLERANCE_BAR)


def test_a_level_of_unknown_slope_that_stands_still_clears_nobody_and_one_that_moves_is_a_sign() -> None:
    flat, crept = (at(0.0, bar, -0.03, slope_sure=False) for bar in (0.0, -0.6))
    assert follows([flat], TOLERANCE_BAR) == {"yes", "no"}
    assert follows([crept], TOLERANCE_BAR) == {"yes", "no"}
    steep = at(0.5, 0.0, -0.03)
    assert follows([flat, steep], TOLERANCE_BAR) == {"no"}
    assert follows([crept, steep], TOLERANCE_BAR) == {"yes", "no"}


def test_of_slopes_that_are_not_known_the_level_that_went_with_the_current_tells() -> None:
    """Both ends of the current fell alike. At zero command nothing came of it: a dead band may lie there."""
    zero = LevelChange(0.0, -1.0, 10.0, 0.0, 0.01, -0.03, BAR_PER_A, slope_sure=False)
    full = replace(zero, demand=1.0, arrival=1.0, left_bar=200.0, change_bar=-0.03 * BAR_PER_A)
    assert follows([zero, full], TOLERANCE_BAR) == {"yes"}
    for share in (0.0, 0.3):
        assert follows([zero, replace(full, change_bar=share * full.change_bar)], TOLERANCE_BAR) == {"yes", "no"}


def levels_seen(pressure, demands=(0.0, 0.2, 0.4)) -> list[Dwell]:
    return [
        dwell(u, 0.2 + 0.8 * u, pressure_bar=float(pressure(u)), arrival=-1.0, from_s=100.0 * k + 10.0 * u)
        for k in range(4)
        for u in demands
    ]


@pytest.mark.parametrize(("dead_band", "sure"), [(0.0, True), (0.1, False)])
def test_a_dead_band_below_the_lowest_neighbour_makes_the_slope_at_zero_unknown(dead_band: float, sure: bool) -> None:
    seen = levels_seen(lambda u: 10.0 + 190.0 * max(u - dead_band, 0.0))
    where = context(found=AsFound(judged_pressure=seen))
    assert slope_at(where, 0.0, -1.0, -0.03)[1] is sure


def test_one_neighbour_alone_tells_no_slope_at_zero() -> None:
    """It rises as the whole command does: a dead band may lie below it, and a steeper piece above that."""
    seen = levels_seen(lambda u: 10.0 + 190.0 * u, (0.0, 0.3))
    where = context({"current_at_zero": 0.165}, found=AsFound(judged_pressure=seen))
    assert slope_at(where, 0.0, -1.0, -0.03)[1] is False
    assert observe(where)["following"] == {"yes", "no"}


def test_beyond_the_recorded_currents_the_slope_is_that_of_the_last_piece() -> None:
    """Not zero: what the curve does not hold is not flat."""
    slope, sure = slope_at(context(sheet=curved()), 1.0, 1.0, 0.1)
    assert slope == pytest.approx(BAR_PER_A, rel=0.01)
    assert sure


def test_a_sensor_of_zero_is_not_blamed_for_a_current_at_which_the_valve_is_in_its_dead_band() -> None:
    seen = levels_seen(lambda u: 10.0 + 190.0 * max(u - 0.1, 0.0))
    where = context({"current_at_zero": 0.165, "pressure_at_zero": 9.4}, found=AsFound(judged_pressure=seen))
    assert observe(where)["following"] == {"yes", "no"}
    assert likelier_following(where) == {"following": {"yes"}}
    assert found(where)["current-zero-changed"].part is Part.DRIVER_SETTING


def unsure_currents(full_a: float, zero_a: float = 0.2, *, full_bar: float = 195.0) -> FindingContext:
    """Currents that a dither may move by a tolerance and a half, beside a pressure at full that surely fell."""
    seen = AsFound(levels=[level(u) for u in (0.0, 0.5, 1.0)])
    changes = {"pressure_at_full": full_bar, "current_at_full": full_a, "current_at_zero": zero_a}
    where = context(changes, found=seen, sheet=curved())
    unsure = {name: replace(where.results[name], verdict=Verdict.UNDECIDED, uncertainty=0.024) for name in CURRENTS}
    return replace(where, results={**where.results, **unsure})


@pytest.mark.parametrize(("fell_bar", "told"), [(7.2, True), (0.0, False), (16.0, False)])
def test_a_pressure_that_fell_as_a_lower_current_has_it_bears_out_a_current_that_is_not_certain(
    fell_bar: float, told: bool
) -> None:
    out = found(unsure_currents(0.97, 0.17, full_bar=200.0 - fell_bar))
    assert ("current-full-changed" in out) is told
    assert "current-zero-changed" not in out  # the pressure there did not move
    if told:
        assert out["pressure-changed"].consequence_of == "current-full-changed"


def test_a_current_that_lies_as_left_is_not_the_first_to_be_blamed_however_unsure_it_is() -> None:
    as_left, moved = (found(unsure_currents(full_a))["pressure-changed"] for full_a in (0.999, 0.985))
    assert as_left.part is Part.VALVE
    assert Part.DRIVER_SETTING in as_left.alternatives
    assert moved.part is Part.DRIVER_SETTING


def timed(where, **spans: tuple[float, float]):
    """The scene with quantities that rest on data of given times only (unix s)."""
    results = dict(where.results)
    for name, (from_s, to_s) in spans.items():
        results[name] = replace(results[name], coverage=Coverage(9, from_s, to_s, 0.0, 100.0))
    return replace(where, results=results)


def test_a_pressure_last_seen_before_the_current_departed_says_nothing_of_it() -> None:
    where = context({"current_at_full": 1.05})
    times = {"current_at_full": (500.0, 900.0), "pressure_at_zero": (0.0, 900.0)}
    late = timed(where, **times, pressure_at_full=(0.0, 400.0))
    on_time = timed(where, **times, pressure_at_full=(0.0, 900.0))
    assert [level.demand for level in level_changes(late)] == [0.0]
    assert [level.demand for level in level_changes(on_time)] == [0.0, 1.0]


def test_levels_are_compared_with_the_current_of_the_same_times() -> None:
    """The fault is there from the first row on: before the step the inner level was no other than after it."""
    before = [dwell(0.5, 0.56, pressure_bar=95.0, from_s=10.0 * k) for k in range(4)]
    before += [dwell(1.0, 1.0, pressure_bar=200.0, from_s=10.0 * k + 5.0) for k in range(4)]
    after = [d._replace(from_s=d.from_s + 100.0) for d in before]
    where = context(
        {"current_at_full": 0.92, "pressure_at_full": 181.0},
        found=AsFound(judged_pressure=[*before, *after], stepped_s=100.0),
    )
    inner = [level for level in level_changes(where) if level.demand == 0.5]
    assert [level.current_change_a for level in inner] == [pytest.approx(0.0, abs=1e-9)]


def test_a_loop_that_not_every_level_crosses_is_a_wider_loop() -> None:
    rows = [(0.0, -1.0, 5.0), (0.3, 1.0, -4.9), (0.6, -1.0, 5.0), (0.7, 1.0, -1.0), (1.0, 1.0, -5.0)]
    some = [LevelChange(u, way, 10.0 + 190.0 * u, bar, 0.01, 0.0, BAR_PER_A) for u, way, bar in rows]
    assert pressure_shapes(some, np.zeros(5), TOLERANCE_BAR, (0.2, 1.0)) == {"loop+"}
    rising = [level for level in some if level.arrival > 0.0]
    assert "loop+" not in pressure_shapes(rising, np.zeros(3), TOLERANCE_BAR, (0.2, 1.0))


def test_a_cause_that_always_shows_in_what_is_as_left_weighs_against_itself() -> None:
    """A signal that does not arrive moves the current: as left it outweighs a pressure of any shape."""
    absent = next(cause for cause in CAUSES if cause.words == "the signal does not arrive")
    sticks = next(cause for cause in CAUSES if cause.words == "its friction grew")
    seen = {"currents": AS_LEFT, "pressure": frozenset({"other"})}
    assert contradictions(absent, seen) > contradictions(sticks, seen)


# ------------------------------------------------------------------------------------------ cut off at times


def stroke(from_s: float, from_demand: float, to_demand: float) -> Stroke:
    values = dict.fromkeys(Stroke._fields, 0.0)
    ends = {"low_demand": min(from_demand, to_demand), "high_demand": max(from_demand, to_demand)}
    return Stroke(**{**values, **ends, "from_s": from_s, "to_s": from_s + 1.0,
                     "from_demand": from_demand, "to_demand": to_demand})  # fmt: skip


def cycles(full_a, middle_a) -> tuple[list[Dwell], list[Stroke]]:
    """Ten cycles of 30 s, 0, half and full command; currents by `full_a(cycle)` and `middle_a(cycle)`."""
    dwells, strokes = [], []
    for k in range(10):
        for place, (u, amps) in enumerate(((0.0, 0.2), (0.5, middle_a(k)), (1.0, full_a(k)))):
            start = 30.0 * k + 10.0 * place
            dwells.append(dwell(u, amps, from_s=start + 1.0, to_s=start + 9.0))
            strokes.append(stroke(start, {0.0: 1.0, 0.5: 0.0, 1.0: 0.5}[u], u))
    return dwells, strokes


def test_strokes_that_end_in_a_current_cut_off_at_that_time_tell_no_ramp() -> None:
    dwells, strokes = cycles(lambda k: 0.9 if k in (3, 4) else 1.0, lambda _: 0.6)
    cut = cut_strokes(strokes, dwells, 0.8)
    assert [(s.from_s, s.to_demand) for s in cut] == [(110.0, 1.0), (120.0, 0.0), (140.0, 1.0), (150.0, 0.0)]


def test_a_limit_below_two_levels_cuts_both() -> None:
    dwells, strokes = cycles(*(lambda k, usual=usual: 0.5 if k in (3, 4) else usual for usual in (1.0, 0.6)))
    cut = cut_strokes(strokes, dwells, 0.8)
    assert [s.from_s for s in cut] == [100.0, 110.0, 120.0, 130.0, 140.0, 150.0]


def test_a_setting_that_was_lower_for_a_while_cuts_nothing_off() -> None:
    dwells, strokes = cycles(lambda k: 0.9 if k in (3, 4) else 1.0, lambda k: 0.55 if k in (3, 4) else 0.6)
    assert cut_strokes(strokes, dwells, 0.8) == []


def test_a_current_at_full_that_is_short_under_a_low_supply_is_the_supplys() -> None:
    low = {"current_at_full": 0.9, "supply_voltage": 15.0, "pressure_at_full": 176.0}
    out = found(context(low))
    assert out["current-full-changed"].part is Part.SUPPLY
    assert out["current-full-changed"].consequence_of == "supply-low"


# ------------------------------------------------------------------------------------------ scatter


def test_a_load_at_one_visit_does_not_tilt_the_others() -> None:
    """The command is the same each time but for its reading's noise; one visit is the load's."""
    place = np.array([0.0012, 0.0, 1e-4, 2e-4, -1e-4, 3e-4, -2e-4, 1.5e-4, 0.5e-4])
    bars = np.array([9.5, *[132.4] * 8])
    assert np.ptp(levelled(place, bars, 200.0)[1:]) < 0.2


def scattering(current_off_a, bars_off) -> list[Dwell]:
    return [
        dwell(u, 0.2 + 0.8 * u + current_off_a(k), pressure_bar=10.0 + 190.0 * u + bars_off(k), from_s=100.0 * k + u)
        for k in range(12)
        for u in (0.5, 0.8)
    ]


def test_a_pressure_that_goes_up_and_down_with_the_current_scatters_by_no_spool() -> None:
    """The current really moves by 6 bar's worth at times, and is read with as much noise."""
    noise = np.random.default_rng(1).normal(0.0, 0.02, 12)
    low = [k % 3 == 0 for k in range(12)]
    both = scattering(lambda k: noise[k] - 0.025 * low[k], lambda k: -6.0 * low[k])
    spool = scattering(lambda k: 0.1 * noise[k], lambda k: -6.0 * low[k])
    for seen, scatters in ((both, False), (spool, True)):
        scatter = scatter_bar(context(found=AsFound(judged_pressure=seen)))
        assert scatter is not None
        assert (scatter > 1.2) is scatters


# ------------------------------------------------------------------------------------------ the end of an instrument


@pytest.mark.parametrize(("comes_back", "part"), [(True, Part.DRIVER_SETTING), (False, Part.CURRENT_SENSOR)])
def test_a_reading_that_stops_at_the_end_of_its_instrument_and_comes_back_is_right_below_it(comes_back, part) -> None:
    ends = Stretch("pinned:current", 10.0, 15.0, {"value": 0.95})
    dwells = [dwell(0.5, 0.6 if comes_back else 0.95, from_s=20.0)]
    base = context({"ramp_up": 1.5}, stretches=[ends])
    out = found(replace(base, seen=replace(base.seen, dwells=dwells)))["ramp-up-changed"]
    assert out.part is part
    assert (out.consequence_of == "reading-pinned") is not comes_back


def test_an_end_that_went_a_little_less_far_than_its_slope_asks_for_went_with_the_current() -> None:
    """Below the recorded currents a valve is flatter; what is left over there is no fault of its own."""
    end, inner = at(0.0, -4.2, -0.03), at(0.5, -4.2, -0.03)
    assert explained_bar([end, inner]).tolist() == [-4.2, pytest.approx(-0.03 * BAR_PER_A)]


def test_a_current_cut_off_from_low_levels_on_is_short_at_full_command() -> None:
    """At the lowest level that is cut hardly anything is missing yet."""
    where = context(found=AsFound(clip=Clip(0.57, 1.0, 0.45, 40.0, 6), levels=[level(u) for u in (0.0, 0.45, 1.0)]))
    assert cut_share(where) == pytest.approx(0.43 / 0.016)


def level(demand: float) -> Level:
    return Level(demand, 0.5, 1e-4, 1e-4, 1e-3, 5, 0.0, 100.0)


def test_a_cut_is_told_by_lower_levels_that_stayed_just_before_and_just_after() -> None:
    dwells, strokes = cycles(lambda k: 0.9 if k in (3, 4) else 1.0, lambda _: 0.6)
    cuts = cuts_of(dwells, (0.2, 1.0), 0.016, [])
    assert [cut.dwell.from_s for cut in cuts] == [111.0, 141.0]
    assert [s.from_s for s in strokes_at(strokes, dwells, [111.0])] == [110.0, 120.0]
    turned, _ = cycles(lambda k: 0.9 if k in (3, 4) else 1.0, lambda k: 0.55 if k in (3, 4) else 0.6)
    assert cuts_of(turned, (0.2, 1.0), 0.016, []) == []
    risen, _ = cycles(lambda k: 1.0 + 0.02 * max(k - 4, 0), lambda _: 0.6)
    assert cuts_of(risen, (0.2, 1.0), 0.016, []) == []  # the first visits have what the sheet says
    bent, _ = cycles(lambda _: 0.9, lambda _: 0.6)  # never whole: a law that bends has less at the top all along
    assert cuts_of(bent, (0.2, 1.0), 0.016, []) == []
