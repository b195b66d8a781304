from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from asleft.judge.features import Dwell
from asleft.judge.judge import begin, judge_log
from asleft.judge.noise import QUIET_WIRE, WireDensity, WireNoise
from asleft.judge.published import plain_values, published_characteristic
from asleft.judge.state import dumps, loads
from asleft.judge.types import Verdict
from asleft.judge.valve.branches import Axis, BranchLevel, levels_of, on_loop, stick_slip_bar, visits_of
from asleft.judge.valve.characteristic import Measured, measure
from asleft.judge.valve.characteristic_report import (
    DeadBand,
    closed_branches,
    dead_band_of,
    left_rows,
    linearity_of,
    report_of,
)
from asleft.sheet.model import Sheet, Tolerance
from asleft.sim.cycles import CUSHION_CYCLE
from asleft.sim.faults import Fault, FaultKind
from asleft.sim.model import default_valve
from lanes import by_id, record, run
from synth import dwell, sheet
from test_hysteresis import FULL, SPAN, ZERO, branch_bar, table

LEFT_PCT = 2.0
AXIS = Axis(ZERO, FULL, by_command=False)


def valve_sheet(*, recorded: bool = True) -> Sheet:
    plain = sheet()
    return replace(
        plain,
        as_left={**plain.as_left, "hysteresis": LEFT_PCT},
        tolerance={**plain.tolerance, "hysteresis": Tolerance(float("inf"), 2.0)},
        characteristic=table(0.005 * LEFT_PCT) if recorded else None,
    )


def stay(share: float, arrival: float, bar: float, at_s: float, **more: float) -> Dwell:
    return dwell(
        share, ZERO + SPAN * share, pressure_bar=bar, arrival=arrival, from_s=at_s, to_s=at_s + 2.0, **more
    )  # fmt: skip


def now_bar(share: float, way: float, half: float) -> float:
    """Pressure of a valve that was left with a half width of .01 and now has another."""
    spool = min(max(share - way * half, half), 1.0 - half)
    return float(branch_bar(np.array(spool + 0.01 * way), 0.01, way))


def cycles(
    path: tuple[tuple[float, float], ...], count: int, *, half: float = 0.01, noise_bar: float = 0.05, seed: int = 1
) -> list[Dwell]:
    """`path` of (share, arrival), repeated; the first stay's arrival is not known, as after a gap."""
    rng = np.random.default_rng(seed)
    out = []
    for k in range(count * len(path)):
        share, way = path[k % len(path)]
        bar = now_bar(share, way, half) + noise_bar * rng.standard_normal()
        out.append(stay(share, 0.0 if k == 0 else way, bar, 3.0 * k, pressure_se_bar=noise_bar))
    return out


CUSHION = ((0.0, -1.0), (0.6, 1.0), (1.0, 1.0), (0.6, -1.0), (0.25, -1.0))
PARTIAL = ((0.1, -1.0), (0.5, 1.0), (0.8, 1.0), (0.5, -1.0))


def measured(
    dwells: list[Dwell], valve: Sheet | None = None, wire: WireNoise = QUIET_WIRE, swing: float = 0.0
) -> Measured:
    judged = [d for d in dwells if d.producing > 0.5]
    return measure(valve or valve_sheet(), dwells, judged, wire=wire, current_u_a=0.0, swing=swing)


def test_the_first_whole_cycle_is_conditioning() -> None:
    dwells = cycles(CUSHION, 3)
    visits = visits_of(dwells, {d.from_s for d in dwells}, AXIS)
    known = [np.isfinite(v.low) and np.isfinite(v.high) for v in visits]
    # After the unknown beginning: up to full and down again, then both turning points have been seen.
    assert known == [False] * 6 + [True] * 9
    assert {(round(v.low, 2), round(v.high, 2)) for v in visits[6:]} == {(0.0, 1.0)}


@pytest.mark.parametrize("what", [{"arrival": 0.0}, {"producing": 0.0}])
def test_a_gap_or_a_stop_makes_the_loop_unknown_again(what) -> None:
    dwells = cycles(CUSHION, 4)
    dwells[10] = dwells[10]._replace(**what)
    visits = visits_of(dwells, {d.from_s for d in dwells}, AXIS)
    assert [v.at_s for v in on_loop(visits, 0.0, 1.0)] == [d.from_s for d in (*dwells[6:10], *dwells[16:])]


def test_a_level_that_was_overshot_does_not_say_where_it_turned() -> None:
    dwells = cycles(CUSHION, 4)
    dwells[11] = dwells[11]._replace(arrival=-1.0)  # 60 %, come to from above: it had swung beyond
    visits = visits_of(dwells, {d.from_s for d in dwells}, AXIS)
    assert np.isnan(visits[11].high)
    assert not np.isnan(visits[10].high)


def test_pieces_of_one_stay_are_one_visit() -> None:
    dwells = cycles(CUSHION, 3)
    first = dwells[6]
    dwells.insert(
        7, first._replace(from_s=first.to_s + 0.01, to_s=first.to_s + 0.5, pressure_bar=first.pressure_bar + 2)
    )
    visits = visits_of(dwells, {d.from_s for d in dwells}, AXIS)
    assert len(visits) == 15
    assert visits[6].pressure_bar == pytest.approx(first.pressure_bar + 1.0)
    assert visits[6].to_s == first.to_s + 0.5


def test_without_a_current_the_command_stands_for_it() -> None:
    dwells = [d._replace(current_a=np.nan, current_se_a=np.nan) for d in cycles(CUSHION, 12)]
    found = measured(dwells)
    assert found.hysteresis is not None
    assert found.hysteresis.value == pytest.approx(LEFT_PCT, abs=found.hysteresis.expanded())
    assert found.basis.startswith("along the command, % of its span")


def test_a_sheet_without_currents_is_taken_along_the_command_and_no_current_is_told() -> None:
    bare = replace(valve_sheet(), as_left={"pressure_at_zero": 10.0, "pressure_at_full": 200.0})
    for dwells in (cycles(CUSHION, 12), [d._replace(current_a=np.nan) for d in cycles(CUSHION, 12)]):
        found = measured(dwells, bare)
        assert found.hysteresis is not None
        assert found.hysteresis.value == pytest.approx(LEFT_PCT, abs=found.hysteresis.expanded())
        text = plain_values(published_characteristic(report_of(bare, found, left_rows(found))))
        assert [level["current"] for level in text["falling"]["levels"]] == [None] * 4
        assert [round(level["command"]) for level in text["falling"]["levels"]] == [0, 25, 60, 100]
        assert text["falling"]["largest_departure"]["current"] is None
        assert "0 to 60 % command" in text["linearity"][0]["basis"]


def test_levels_average_visits_and_set_the_odd_one_aside() -> None:
    dwells = cycles(CUSHION, 10)
    odd = next(k for k, d in enumerate(dwells) if k > 20 and d.demand == 0.25)
    dwells[odd] = dwells[odd]._replace(pressure_bar=90.0)
    levels = levels_of(on_loop(visits_of(dwells, {d.from_s for d in dwells}, AXIS), 0.0, 1.0))
    assert [(x.arrival, round(x.share, 2)) for x in levels] == [
        (1.0, 0.6), (1.0, 1.0), (-1.0, 0.0), (-1.0, 0.25), (-1.0, 0.6)
    ]  # fmt: skip
    spoilt = levels[3]
    assert spoilt.pressure_bar == pytest.approx(now_bar(0.25, -1.0, 0.01), abs=0.1)
    assert spoilt.visits == 9 - 1
    assert levels[0].pressure_se_bar == pytest.approx(0.05 / 3.0, rel=0.6)


def test_hysteresis_with_its_basis_from_production() -> None:
    found = measured(cycles(CUSHION, 12, half=0.025))
    assert found.hysteresis is not None
    assert found.hysteresis.value == pytest.approx(5.0, abs=found.hysteresis.expanded())
    assert found.hysteresis.expanded() < 0.3
    assert found.basis == (
        "along the current, % of its span from zero to full, loop 0-100-0 %, 1 level seen from both sides"
    )
    assert found.hysteresis.note == found.basis


@pytest.mark.parametrize("half", [0.03, 0.06])
def test_levels_near_the_end_they_come_from_do_not_narrow_a_wide_loop(half) -> None:
    """Within the loop's width of the turn the spool has not moved yet: the pressure is still that of the end."""
    path = ((0.0, -1.0), (0.05, 1.0), (0.6, 1.0), (1.0, 1.0), (0.95, -1.0), (0.6, -1.0), (0.25, -1.0))
    found = measured(cycles(path, 12, half=half))
    assert found.hysteresis is not None, found.reason
    assert found.hysteresis.value == pytest.approx(200.0 * half, abs=found.hysteresis.expanded())


def test_levels_near_an_end_tell_a_narrow_loop_where_no_others_are_seen_from_both_sides() -> None:
    """At 8 % from the end the spool of a loop of 2 % has moved, and that of a loop of 10 % has not."""
    path = ((0.0, -1.0), (0.08, 1.0), (1.0, 1.0), (0.08, -1.0))
    narrow = measured(cycles(path, 12), valve_sheet(recorded=False))
    assert narrow.hysteresis is not None, narrow.reason
    assert narrow.hysteresis.value == pytest.approx(LEFT_PCT, abs=narrow.hysteresis.expanded())
    assert narrow.hysteresis.expanded() < LEFT_PCT
    assert measured(cycles(path, 12, half=0.05), valve_sheet(recorded=False)).hysteresis is None


def test_noise_on_the_wire_shakes_the_spool_and_is_added_with_its_doubt() -> None:
    dwells = cycles(CUSHION, 12)
    density = WireDensity(1.25e-9, 4e-10, 4e-9, 0.02)
    still, shaken = measured(dwells).hysteresis, measured(dwells, wire=WireNoise(5e-4, 1e-4, density)).hysteresis
    assert still is not None
    assert shaken is not None
    assert 0.05 < shaken.value - still.value < 0.25
    assert shaken.expanded() > 0.4 * (shaken.value - still.value)


def test_a_smaller_loop_only_bounds_it() -> None:
    found = measured(cycles(PARTIAL, 10, half=0.02))
    assert found.hysteresis is None
    assert found.reason == "no loop between 0 and 100 % of the current span, only between 10 and 80 %"
    assert found.above_pct is not None
    assert 3.0 < found.above_pct < 4.0
    assert found.below_pct is None


def test_levels_from_one_side_need_a_recorded_curve() -> None:
    path = ((0.0, -1.0), (0.7, 1.0), (1.0, 1.0), (0.4, -1.0))
    with_curve = measured(cycles(path, 12, half=0.02))
    assert with_curve.hysteresis is not None
    assert with_curve.hysteresis.value == pytest.approx(4.0, abs=with_curve.hysteresis.expanded())
    assert with_curve.basis.endswith("no level seen from both sides: joined by the recorded curve")
    without = measured(cycles(path, 12, half=0.02), valve_sheet(recorded=False))
    assert without.hysteresis is None
    assert without.reason == "no level reached from both sides, and no recorded curve to join those that were"


def test_too_wide_an_interval_is_a_bound_and_no_value() -> None:
    tight = replace(valve_sheet(), tolerance={**valve_sheet().tolerance, "hysteresis": Tolerance(float("inf"), 0.01)})
    found = measured(cycles(CUSHION, 12, half=0.025), tight)
    assert found.hysteresis is None
    assert found.reason == "no level reached from both sides, and those seen lie too far apart"
    assert found.below_pct is not None
    assert found.above_pct is not None
    assert found.above_pct < 5.0 < found.below_pct


def test_why_nothing_is_said() -> None:
    dwells = cycles(CUSHION, 3)
    none = measure(valve_sheet(), dwells, [], wire=QUIET_WIRE, current_u_a=0.0, why_none="not producing")
    assert none.reason == "not producing"
    assert measured([d._replace(producing=0.0) for d in dwells]).reason.startswith("the valve was not in control")
    assert measured(cycles(CUSHION, 1)).reason == "no whole loop of rising and falling command seen yet"
    bare = replace(
        valve_sheet(recorded=False), as_left={"current_at_zero": ZERO, "current_at_full": FULL, "hysteresis": 2.0}
    )
    assert measured(dwells, bare).reason == "the sheet gives neither pressures nor a curve"


def test_single_visits_show_when_the_loop_widened_and_not_when_pressure_shifted() -> None:
    def later(dwells: list[Dwell], bar: float = 0.0) -> list[Dwell]:
        begin = dwells[0]._replace(arrival=-1.0)
        return [d._replace(from_s=d.from_s + 1000.0, pressure_bar=d.pressure_bar + bar) for d in [begin, *dwells[1:]]]

    def jump(dwells: list[Dwell]) -> float:
        series = measured(dwells).series
        return float(np.mean([v for at, v in series if at > 1000.0]) - np.mean([v for at, v in series if at < 500.0]))

    before = cycles(CUSHION, 8)
    assert jump(before + later(cycles(CUSHION, 8, half=0.03))) == pytest.approx(4.0, abs=0.4)
    assert abs(jump(before + later(before, bar=4.0))) < 1.5


def test_a_sticking_spool_scatters_and_a_drift_or_noise_does_not() -> None:
    quiet = measured(cycles(CUSHION, 20)).stick_slip_bar
    rng = np.random.default_rng(3)
    sticking = [d._replace(pressure_bar=d.pressure_bar + 2.0 * rng.standard_normal()) for d in cycles(CUSHION, 20)]
    drifting = [d._replace(pressure_bar=d.pressure_bar + 0.002 * d.from_s) for d in cycles(CUSHION, 20)]
    assert quiet is not None
    assert quiet < 0.06
    assert measured(sticking).stick_slip_bar == pytest.approx(2.0, rel=0.25)
    assert measured(drifting).stick_slip_bar < 0.1  # type: ignore[operator]
    assert stick_slip_bar(visits_of(cycles(CUSHION, 1), set(), AXIS)) is None


def test_branches_meet_at_both_ends_and_stand_beside_the_recorded_ones() -> None:
    found = measured(cycles(CUSHION, 12, half=0.03))
    rising, falling = closed_branches(found)
    assert [round(x.share, 2) for x in rising] == [0.0, 0.6, 1.0]
    assert [round(x.share, 2) for x in falling] == [0.0, 0.25, 0.6, 1.0]
    result = report_of(valve_sheet(), found, [])
    assert result.compared_with == "recorded at commissioning"
    assert result.reason == ""
    middle = result.rising.levels[1]
    was, now = (now_bar(0.6, 1.0, half) for half in (0.01, 0.03))
    assert middle.commissioned_bar == pytest.approx(was, abs=0.2)
    assert middle.departure_bar == pytest.approx(now - was, abs=0.3)
    worst = result.rising.largest_departure
    assert worst is not None
    assert worst.bar < -2.0  # a wider loop: less pressure on the way up
    assert worst.uncertainty_bar > 0.0
    down = result.falling
    assert down.levels[2].departure_bar == pytest.approx(now_bar(0.6, -1.0, 0.03) - now_bar(0.6, -1.0, 0.01), abs=0.3)
    assert down.largest_departure is not None
    assert down.largest_departure.current_a == pytest.approx(FULL)  # the end it shares with the rising branch
    assert result.hysteresis.value == pytest.approx(6.0, abs=0.4)
    assert "loop 0-100-0 %" in result.hysteresis.basis
    text = json.loads(json.dumps(plain_values(published_characteristic(result))))
    assert text["rising"]["levels"][1]["n"] == 11
    assert text["rising"]["current_from"] == pytest.approx(ZERO)
    assert text["hysteresis"]["bound"] is None


def test_without_a_recorded_curve_what_was_measured_when_left_stands_for_it() -> None:
    valve = valve_sheet(recorded=False)
    rows = left_rows(measured(cycles(CUSHION, 12), valve))
    assert len(rows) == 5
    assert left_rows(measured(cycles(CUSHION, 2), valve)) == []
    assert left_rows(Measured()) == []
    same = report_of(valve, measured(cycles(CUSHION, 12, seed=2), valve), rows)
    assert same.compared_with == "measured when left"
    wider = report_of(valve, measured(cycles(CUSHION, 12, half=0.03, seed=3), valve), rows)
    assert same.rising.largest_departure is not None
    assert wider.rising.largest_departure is not None
    assert abs(same.rising.largest_departure.bar) < 3.0 * same.rising.largest_departure.uncertainty_bar
    assert wider.rising.largest_departure.bar < -5.0 * wider.rising.largest_departure.uncertainty_bar
    state = begin(valve)
    state.curve_left = rows
    assert loads(dumps(state)).curve_left == rows


def test_a_valve_not_judged_gives_a_characteristic_with_the_reason_alone() -> None:
    result = report_of(valve_sheet(), Measured(reason="not producing"), [])
    text = plain_values(published_characteristic(result))
    assert text["reason"] == "not producing"
    assert text["rising"]["levels"] == []
    assert text["rising"]["largest_departure"] is None
    assert text["hysteresis"]["value"] is None
    assert text["hysteresis"]["reason"] == "not producing"
    assert text["dead_band"]["reason"]
    assert all(line["reason"] for line in text["linearity"])


def rising(shares: tuple[float, ...], bars: tuple[float, ...]) -> list[BranchLevel]:
    return [
        BranchLevel(1.0, s, s, ZERO + SPAN * s, 1e-4, b, 0.05, 0.1, 9, 0.0, 9.0, np.nan)
        for s, b in zip(shares, bars, strict=True)
    ]


def test_the_dead_band_ends_where_the_lowest_levels_point_to() -> None:
    found = dead_band_of(rising((0.05, 0.15, 0.25), (10.0, 20.0, 40.0)), 10.0, 190.0)
    assert isinstance(found, DeadBand)
    assert found.share == pytest.approx(0.10)
    assert 0.003 < found.standard < 0.01
    assert dead_band_of(rising((0.6, 1.0), (110.0, 200.0)), 10.0, 190.0) == 0.6
    assert dead_band_of(rising((0.05,), (10.5,)), 10.0, 190.0) is None
    assert dead_band_of(rising((0.1, 0.2), (30.0, 30.0)), 10.0, 190.0) == 0.1


def test_straightness_needs_a_range_and_levels() -> None:
    assert isinstance(linearity_of(rising((0.6, 1.0), (110.0, 200.0))), str)
    assert linearity_of(rising((0.1, 0.5, 0.9), (50.0, 40.0, 30.0))) == "the pressure does not rise with the current"
    bowed = linearity_of(rising((0.0, 0.5, 1.0), (10.0, 95.0, 200.0)))
    assert not isinstance(bowed, str)
    assert {x.kind: round(x.value_pct, 3) for x in bowed} == {
        "terminal": 5.263,
        "least squares": 3.509,
        "minimax": 2.632,
    }
    assert all(x.standard_pct > 0.0 for x in bowed)


def test_a_sweep_in_steps_shows_everything() -> None:
    lane = record({"sweep": default_valve()}, duration_s=240.0, seed=5, programme="sweep")["sweep"]
    judgement = judge_log(lane.sheet, lane.samples)
    result = judgement.characteristic
    assert result is not None
    assert len(result.rising.levels) == len(result.falling.levels) == 11
    value, u = result.hysteresis.value, result.hysteresis.uncertainty
    assert value is not None
    assert u is not None
    assert abs(value - lane.left["hysteresis"]) < u < 0.2
    assert result.dead_band.value == pytest.approx(lane.left["hysteresis"], abs=result.dead_band.uncertainty)
    # A bow of .18 over the whole range departs by .18 / 4 of it from the line through its ends.
    assert {f.basis.split(" line")[0]: f.value for f in result.linearity}["terminal"] == pytest.approx(4.0, abs=0.6)
    quantity = by_id(judgement)["hysteresis"]
    assert quantity.verdict is Verdict.IN
    assert quantity.reason == result.hysteresis.basis


def test_dither_lost_in_production_widens_the_loop_and_hangs_it_under_the_dither() -> None:
    model = replace(default_valve(), cycle=CUSHION_CYCLE, faults=(Fault(FaultKind.DITHER_LOST, 1.764e9 + 200.0),))
    lane = record({"cushion": model}, duration_s=360.0, seed=6)["cushion"]
    outcome = run(lane.sheet, lane.samples, [4000], horizon_s=600.0)
    quantity = by_id(outcome.judgement)["hysteresis"]
    assert quantity.as_found == pytest.approx(6.0, abs=0.3)
    assert quantity.verdict is Verdict.OUT
    finding = next(f for f in outcome.judgement.findings if f.kind == "hysteresis-changed")
    assert finding.consequence_of == "dither-lost"
    assert finding.onset_s == pytest.approx(1.764e9 + 200.0, abs=15.0)
    told_now = outcome.judgement.characteristic
    assert told_now is not None
    assert told_now.hysteresis.value == quantity.as_found


#: A cycle whose ways up and down begin and end between the loop's ends, but for one of either.
NESTED = ((0.0, -1.0), (0.95, 1.0), (0.3, -1.0), (1.0, 1.0), (0.07, -1.0), (0.62, 1.0), (0.25, -1.0))


def test_a_long_way_from_a_turning_point_in_between_lies_on_the_branch() -> None:
    """A play of 4 % of the span: its state forgets a turning point after as much of a way."""
    half, play, dwells = 0.02, 0.0, []
    for k in range(6 * len(NESTED)):
        share, way = NESTED[k % len(NESTED)]
        play = min(max(play, share - half), share + half)
        bar = float(branch_bar(np.array(min(max(play, half), 1.0 - half) + 0.01 * way), 0.01, way))
        dwells.append(stay(share, 0.0 if k == 0 else way, bar, 3.0 * k, pressure_se_bar=0.05))
    visits = visits_of(dwells, {d.from_s for d in dwells}, AXIS)
    inner = on_loop(visits, 0.0, 1.0, inner=True)
    assert {round(v.share, 2) for v in inner} == {0.0, 0.07, 0.25, 0.3, 0.62, 0.95, 1.0}
    assert {round(v.share, 2) for v in on_loop(visits, 0.0, 1.0)} < {0.0, 0.07, 0.25, 0.3, 0.62, 0.95, 1.0}
    found = measured(dwells)
    assert found.hysteresis is not None
    assert abs(found.hysteresis.value - 100.0 * 2.0 * half) < found.hysteresis.expanded()


def test_a_short_way_from_a_turning_point_says_nothing() -> None:
    short = ((0.0, -1.0), (1.0, 1.0), (0.5, -1.0), (0.58, 1.0))
    visits = visits_of(cycles(short, 4), {3.0 * k for k in range(16)}, AXIS)
    assert not any(abs(v.share - 0.58) < 0.01 for v in on_loop(visits, 0.0, 1.0, inner=True))


def test_a_loop_that_nearly_reaches_its_ends_stands_for_the_whole_one() -> None:
    """What ends at 95 % of the current, by a limit or a driver turned down, is as wide but for what is missing."""
    nearly = ((0.0, -1.0), (0.6, 1.0), (0.95, 1.0), (0.6, -1.0), (0.25, -1.0))
    whole, short = measured(cycles(CUSHION, 10, half=0.02)), measured(cycles(nearly, 10, half=0.02))
    assert whole.hysteresis is not None
    assert short.hysteresis is not None
    assert short.hysteresis.systematic >= 0.05 * short.hysteresis.value / np.sqrt(3.0)
    assert short.hysteresis.systematic > whole.hysteresis.systematic


def test_one_branch_that_moves_alone_makes_no_wider_loop_where_none_is_seen_from_both_sides() -> None:
    """A floor under the pressure lifts zero command, reached from above; friction would take from full as much."""
    path = ((0.0, -1.0), (0.7, 1.0), (1.0, 1.0))
    lifted = [d._replace(pressure_bar=d.pressure_bar + (15.0 if d.arrival < 0.0 else 0.0)) for d in cycles(path, 12)]
    found = measured(lifted)
    assert found.hysteresis is None
    assert "one branch alone moved" in found.reason


def test_levels_seen_from_one_side_do_not_overrule_those_seen_from_both() -> None:
    """A floor lifts zero command, which is seen from above alone, and no level that is seen from both sides."""
    floored = [
        d._replace(pressure_bar=d.pressure_bar + (25.0 if d.demand < 0.1 else 0.0)) for d in cycles(CUSHION, 12)
    ]
    for valve in (valve_sheet(), valve_sheet(recorded=False)):
        found = measured(floored, valve)
        assert found.hysteresis is None or found.hysteresis.value < 4.0
