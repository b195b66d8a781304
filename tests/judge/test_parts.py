"""The fault table and its use: shapes, symptoms, isolation, sensors' zeros, what lasts through a stop."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from asleft.catalogue.finding_kinds import FINDING_KINDS
from asleft.catalogue.parts import Part
from asleft.judge.coil.coil import Resistance, Winding, copper
from asleft.judge.coil_state import CoilState
from asleft.judge.driver.clipping import Clip
from asleft.judge.estimates.as_found import AsFound
from asleft.judge.features import Dwell
from asleft.judge.finding.context import (
    LevelChange,
    asked_bar,
    current_shapes,
    explained_bar,
    following,
    pressure_shapes,
    size_values,
)
from asleft.judge.finding.pressure_symptoms import scatter_bar, stood_still
from asleft.judge.finding.signatures import (
    AS_LEFT,
    CAUSES,
    SYMPTOMS,
    Cause,
    Values,
    contradictions,
    expected_parts,
    isolate,
    without_current,
)
from asleft.judge.finding.symptoms import observe
from asleft.judge.intake.intake import CLOCK, CURRENT, TIME
from asleft.judge.valve.pressure import LevelPressure, key_of
from asleft.judge.watching.sensors import Zero, take_zero
from asleft.judge.watching.stretches import Stretch
from asleft.judge.watching.watch import stamped, still_count
from asleft.sheet.model import Coil, Instrument, Where
from synth import columns, curved, dwell, sheet
from test_findings import clipped, context, found

ENDS_A = (0.2, 1.0)
LEVELS = ((0.0, -1.0), (0.4, -1.0), (0.4, 1.0), (0.7, 1.0), (1.0, 1.0))


def left_bar(demand: float) -> float:
    return 10.0 + 190.0 * demand


def levels(change, current=None) -> list[LevelChange]:
    """Five levels whose pressures moved by `change(demand, arrival)` and currents by `current(demand)`."""
    return [
        LevelChange(u, a, left_bar(u), change(u, a), 0.02, None if current is None else current(u), 190.0 / 0.8)
        for u, a in LEVELS
    ]


def shapes(change, current=None) -> frozenset[str]:
    some = levels(change, current)
    return pressure_shapes(some, asked_bar(some), 4.0, ENDS_A)


# ------------------------------------------------------------------------------------------ sizes and shapes


@pytest.mark.parametrize(
    ("change", "expanded", "expected"),
    [
        (0.1, 0.0, {"as left"}),
        (0.5, 0.0, {"as left", "+"}),
        (-0.5, 0.0, {"as left", "-"}),
        (2.0, 0.0, {"+"}),
        (-2.0, 0.0, {"-"}),
        (0.7, 0.2, {"as left", "+"}),
        (0.3, 0.2, {"as left", "+"}),
    ],
)
def test_a_change_against_its_tolerance_may_be_undecided(change, expanded, expected) -> None:
    assert size_values(change, expanded, 1.0, 1.0) == expected


def test_a_side_without_tolerance_takes_the_others() -> None:
    assert size_values(3.0, 0.0, 2.0, float("inf")) == {"+"}
    assert size_values(0.5, 0.0, 2.0, float("inf")) == {"as left"}
    assert size_values(5.0, 0.0, float("inf"), float("inf")) == {"as left"}


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        ((0.05, 0.0), "zero+"),
        ((0.0, -0.05), "full-"),
        ((0.01, 0.05), "gain+"),
        ((-0.03, -0.03), "offset-"),
        ((0.05, -0.05), "other"),
    ],
)
def test_both_ends_of_the_current_tell_how_it_moved(change, expected) -> None:
    assert current_shapes(change, (5e-4, 5e-4), ENDS_A) == {expected}


def test_ends_that_are_not_known_well_leave_several_ways() -> None:
    assert current_shapes((0.01, 0.05), (0.02, 0.02), ENDS_A) >= {"full+", "gain+"}


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        (lambda _u, _a: 8.0, {"offset+"}),
        (lambda u, _a: -0.08 * left_bar(u), {"gain-", "spring-", "force-"}),
        (lambda _u, a: -a * 6.0, {"loop+"}),
        (lambda _u, a: a * 6.0, {"loop-"}),
        (lambda u, _a: min(0.0, 150.0 - left_bar(u)), {"top-"}),
        (lambda u, _a: 8.0 * (1.0 - u), {"zero+"}),
        (lambda u, _a: 4.0 - left_bar(u) if u else -3.0, {"gone"}),
        (lambda _u, _a: 0.2, {"as left"}),
        (lambda u, _a: 12.0 if u == 0.7 else 0.0, {"other"}),
    ],
)
def test_the_shape_over_the_levels_is_found(change, expected) -> None:
    seen = shapes(change)
    assert expected & seen, seen
    assert not {name for name in seen if name[:4] not in {e[:4] for e in expected}}, seen


def test_what_the_current_explains_is_no_shape_of_the_valve() -> None:
    slope = 190.0 / 0.8
    assert shapes(lambda u, _a: -0.05 * u * slope, lambda u: -0.05 * u) == {"as left"}
    assert "as left" not in shapes(lambda _u, _a: 0.0, lambda u: -0.05 * u)


def test_pressure_follows_stands_still_or_cannot_tell() -> None:
    slope = 190.0 / 0.8
    assert following(levels(lambda _u, _a: 0.04 * slope, lambda _u: 0.04), 4.0) == pytest.approx(1.0)
    assert following(levels(lambda _u, _a: 0.0, lambda _u: 0.04), 4.0) == pytest.approx(0.0)
    assert following(levels(lambda _u, _a: 0.0, lambda _u: 0.005), 4.0) is None
    assert following(levels(lambda _u, _a: 0.0), 4.0) is None


def test_a_load_that_gives_way_keeps_pressure_from_following_all_the_way() -> None:
    capped = levels(lambda u, _a: 20.0 if u == 0.0 else 0.0, lambda u: 0.4 if u == 0.0 else 0.0)
    assert following(capped, 4.0) == 1.0


# ------------------------------------------------------------------------------------------ the table


def test_the_table_knows_its_symptoms_and_every_part() -> None:
    known = set(SYMPTOMS)
    for cause in CAUSES:
        assert set(cause.shows) | cause.any_of <= known, cause
        assert not set(cause.shows) & cause.any_of, cause
        assert any(cause.departs(symptom) for symptom in known), cause
    assert {cause.part for cause in CAUSES} == set(Part)
    assert all(set(kind.symptoms) <= known for kind in FINDING_KINDS.values())
    seen_in = {kind: known.symptoms for kind, known in FINDING_KINDS.items() if known.symptoms}
    for kind, symptoms in seen_in.items():
        assert any((c.allows(s) or AS_LEFT) - AS_LEFT for c in CAUSES for s in symptoms), kind


def test_each_cause_seen_whole_is_named_with_none_before_it() -> None:
    """What a cause shows, all of it known, leaves its part standing, whatever else is left with it."""
    for cause in CAUSES:
        observed: dict[str, Values] = {}
        for symptom in SYMPTOMS:
            allowed = cause.allows(symptom)
            if allowed is not None:
                observed[symptom] = frozenset({min(allowed - AS_LEFT)}) if allowed - AS_LEFT else AS_LEFT
        assert contradictions(cause, observed) == 0, cause
        for kind, known in FINDING_KINDS.items():
            signs = {value[-1] for symptom in known.symptoms for value in observed.get(symptom, ())}
            if known.symptoms and known.sign not in {None, *signs}:
                continue  # pressure that falls is no unwanted pressure
            if kind.startswith(("pressure", "hysteresis")) and cause.allows("following") == {"no"}:
                continue  # what is only read of the current moves no pressure
            if any(cause.departs(symptom) for symptom in known.symptoms):
                conclusion = isolate(observed, cause.where, kind)
                assert conclusion is not None
                assert cause.part in conclusion.parts, (cause, kind, conclusion.parts)


def the(part: Part, words: str) -> Cause:
    return next(c for c in CAUSES if c.part is part and c.words == words)


PAIRS = [
    ("own monitor", the(Part.CURRENT_SENSOR, "its gain moved"), {"current": Where.MONITOR},
     {Part.DRIVER, Part.CURRENT_SENSOR}),
    ("gain of pressure", the(Part.PRESSURE_SENSOR, "its gain moved"), {},
     {Part.VALVE, Part.PRESSURE_SENSOR, Part.PRESSURE_SOURCE}),
    ("controller's value", the(Part.COMMAND_WIRING, "the signal leaks on its way"), {"command": Where.CONTROLLER},
     {Part.COMMAND_WIRING, Part.DRIVER, Part.DRIVER_SETTING}),
    ("a current sensor", the(Part.CURRENT_SENSOR, "its gain moved"), {"current": Where.OWN_SENSOR},
     {Part.CURRENT_SENSOR}),
    ("a setting", the(Part.DRIVER_SETTING, "current at full turned"), {}, {Part.DRIVER_SETTING, Part.DRIVER}),
    ("a sensor's zero", the(Part.PRESSURE_SENSOR, "its zero moved"), {}, {Part.PRESSURE_SENSOR}),
    ("shorted turns", the(Part.COIL, "turns are short-circuited"), {}, {Part.COIL}),
]  # fmt: skip


@pytest.mark.parametrize(("cause", "places", "parts"), [p[1:] for p in PAIRS], ids=[p[0] for p in PAIRS])
def test_what_all_channels_tell_apart_and_what_comes_out_as_a_pair(cause, places, parts) -> None:
    assert expected_parts(cause, SYMPTOMS, places) == parts


def test_a_current_that_is_read_as_lost_is_not_sought_in_the_pressure_of_other_times() -> None:
    """Its ends were never at rest, so nothing is known of them; at zero, which alone was, the pressure is as left."""
    lost = {"flow": frozenset({"lost"}), "pressure": AS_LEFT}
    conclusion = isolate(lost, {}, "current-lost")
    assert conclusion is not None
    assert {Part.COIL_WIRING, Part.COIL, Part.DRIVER} <= set(conclusion.parts)


def test_fewer_channels_never_tell_more_apart() -> None:
    without = set(SYMPTOMS) - {"following", "pressure", "scatter", "vented"}
    for cause in CAUSES:
        few, all_of_them = (expected_parts(cause, v, cause.where) for v in (without, SYMPTOMS))
        assert not few or all_of_them <= few, cause
    assert expected_parts(the(Part.VALVE, "its spring gave way"), without, {}) == frozenset()


def test_without_a_current_a_setting_shows_in_the_pressure() -> None:
    row = without_current(the(Part.DRIVER_SETTING, "current at full turned"))
    assert row.allows("pressure") == {"spring+", "spring-", "gain+", "gain-"}
    assert without_current(the(Part.VALVE, "its seat is worn")) is the(Part.VALVE, "its seat is worn")
    assert without_current(the(Part.COIL_WIRING, "a wire or plug is open")).allows("pressure") == {"gone"}


def test_a_free_check_outweighs_a_shape() -> None:
    observed = {"pressure": frozenset({"spring+"}), "vented": frozenset({"+"}), "currents": AS_LEFT}
    conclusion = isolate(observed, {}, "pressure-changed")
    assert conclusion is not None
    assert conclusion.parts == (Part.PRESSURE_SENSOR,)
    assert "vented" in conclusion.decisive


@pytest.mark.parametrize(("dither", "part"), [("strength-", Part.DRIVER_SETTING), ("strength+", Part.COIL)])
def test_dither_that_got_weaker_is_no_sign_of_short_circuited_turns(dither: str, part: Part) -> None:
    """Less inductance lets more of it through; the pressure's gain is another fault then."""
    seen = {"pressure": frozenset({"spring-", "gain-", "force-"}), "currents": AS_LEFT, "loop": AS_LEFT}
    conclusion = isolate({**seen, "dither": frozenset({dither})}, {}, "dither-changed")
    assert conclusion is not None
    assert conclusion.parts[0] is part


def test_a_kind_without_a_row_keeps_its_own_part() -> None:
    assert isolate({}, {}, "clock-wrong") is None


# ------------------------------------------------------------------------------------------ findings end to end


def test_the_evidence_says_what_told_the_parts_apart() -> None:
    gain = found(context({"current_at_zero": 0.22, "current_at_full": 1.1}, sheet=curved()))["current-full-changed"]
    assert gain.part is Part.CURRENT_SENSOR
    assert "Pressure did not move with it." in gain.evidence
    real = {"current_at_zero": 0.22, "current_at_full": 1.1, "pressure_at_zero": 14.75, "pressure_at_full": 223.75}
    driver = found(context(real))["current-full-changed"]
    assert (driver.part, driver.alternatives) == (Part.DRIVER, (Part.DRIVER_SETTING,))
    assert "the current really changed" in driver.evidence


def test_a_current_that_reads_while_the_driver_is_off_is_the_sensors() -> None:
    moved = {"current_at_zero": 0.23, "current_at_full": 1.03, "pressure_at_full": None, "pressure_at_zero": None}
    out = found(context(moved, idle_shift_a=0.03))["current-full-changed"]
    assert (out.part, out.alternatives) == (Part.CURRENT_SENSOR, ())
    assert "With the driver off the current reads +0.030 A too." in out.evidence
    right = found(context(moved, idle_shift_a=0.0))["current-full-changed"]
    assert (right.part, right.alternatives) == (Part.DRIVER, (Part.DRIVER_SETTING,))


def test_the_controllers_value_leaves_wiring_and_driver_as_a_pair() -> None:
    moved = {"current_at_zero": 0.23, "current_at_full": 1.03, "pressure_at_zero": 17.1, "pressure_at_full": 207.1}
    valve = sheet(instruments={"command": Instrument(where=Where.CONTROLLER)})
    out = found(context(moved, sheet=valve))["current-full-changed"]
    assert {out.part, *out.alternatives} == {Part.COMMAND_WIRING, Part.DRIVER, Part.DRIVER_SETTING}
    assert found(context(moved))["current-full-changed"].alternatives == (Part.DRIVER_SETTING,)


def hot_coil(ohm: float) -> dict[str, object]:
    left = {**sheet().as_left, "coil_resistance": 20.0}
    coil = Coil(driver_drop_v=1.0, duty_max=1.0, cable_resistance_ohm=0.0)
    cooler = [dwell(1.0, 1.0, coil_v=18.0, from_s=10.0 * k) for k in range(4)]
    dwells = [*cooler, *(dwell(1.0, 0.85, coil_v=0.85 * ohm, from_s=40.0 + 10.0 * k) for k in range(4))]
    return {"sheet": sheet(as_left=left, coil=coil), "seen": context().seen.__class__(
        dwells, [], [], True, True, True, 0.0, 3e-4, 0.01, None)}  # fmt: skip


def test_the_windings_own_resistance_parts_coil_and_wires() -> None:
    """23 V over 0.85 A is 27.06 ohm: the coil's own if it has them, else something beside it."""
    coil = found(clipped(**hot_coil(27.0)))["current-clipped"]
    assert (coil.part, coil.alternatives) == (Part.COIL, ())
    wires = found(clipped(**hot_coil(22.0)))["current-clipped"]
    assert {wires.part, *wires.alternatives} == {Part.DRIVER, Part.COIL_WIRING}


def test_a_line_that_shifted_past_full_is_not_clipped() -> None:
    at_full = AsFound(clip=Clip(1.0, 1.03, 1.0, 40.0, 6))
    assert "current-clipped" not in found(context(found=at_full))


def arrivals(scatter: float, seed: int = 3) -> list[Dwell]:
    rng = np.random.default_rng(seed)
    out = []
    for k in range(12):
        for u, a, left in ((0.4, -1.0, 86.0), (0.7, 1.0, 143.0), (1.0, 1.0, 200.0)):
            at = 20.0 * k + 10.0 * u
            bar = left + scatter * rng.standard_normal()
            out.append(dwell(u, 0.2 + 0.8 * u, pressure_bar=bar, arrival=a, from_s=at, clock_s=at))
    return out


def sticking_scene(scatter: float):
    dwells = arrivals(scatter)
    control = {key_of(d): LevelPressure(left_bar(d.demand), 12, True) for d in dwells}
    return context(found=AsFound(control=control, judged_pressure=dwells))


def test_a_spool_that_sticks_is_the_valves() -> None:
    stuck = sticking_scene(2.5)
    assert scatter_bar(stuck) == pytest.approx(2.5, rel=0.35)
    assert observe(stuck)["scatter"] == {"more"}
    out = found(stuck)["hysteresis-changed"]
    assert (out.part, out.alternatives) == (Part.VALVE, ())
    assert "from one cycle to the next" in out.evidence
    assert found(sticking_scene(0.3)) == {}


def test_a_pressure_nobody_asked_for_that_has_gone_again_is_not_laid_to_the_driver() -> None:
    """The shape over the levels is as left by now and tells nothing; the current was right all along."""
    now = sticking_scene(0.3)
    then = [dwell(0.0, 0.2, pressure_bar=60.0, from_s=float(k)) for k in range(3)]
    over = replace(now, seen=replace(now.seen, dwells=[*then, *now.found.judged_pressure]))
    assert observe(over)["pressure"] == AS_LEFT
    out = found(over)["pressure-unwanted"]
    assert (out.part, set(out.alternatives)) == (Part.VALVE, {Part.PRESSURE_SENSOR})


STAYS = ((0.4, 1.0), (0.7, 1.0), (1.0, 1.0), (0.7, -1.0), (0.4, -1.0))


def visits_with(stuck: dict[tuple[int, int], float]):
    """Eight cycles of five stays of 5 s; `stuck`: (cycle, stay) -> the pressure at which the spool stood there."""
    dwells = []
    for cycle in range(8):
        for stay, (u, arrival) in enumerate(STAYS):
            bar = stuck.get((cycle, stay), left_bar(u) - 3.0 * arrival)
            at = 40.0 * cycle + 7.0 * stay
            dwells.append(dwell(u, 0.2 + 0.8 * u, pressure_bar=bar, arrival=arrival, from_s=at, to_s=at + 5.0))
    return context(seen=replace(context().seen, dwells=dwells), found=AsFound(judged_pressure=dwells))


TOP, MIDDLE = left_bar(1.0) - 3.0, left_bar(0.7) - 3.0


def test_a_pressure_that_stays_where_it_was_while_the_command_goes_on_is_a_spool_that_stands_still() -> None:
    stuck = visits_with({(2, 3): TOP, (2, 4): TOP, (4, 3): TOP, (6, 2): MIDDLE})
    stood = stood_still(stuck, 4.0)
    assert [d.from_s for d in stood] == [80.0 + 21.0, 80.0 + 28.0, 160.0 + 21.0, 240.0 + 14.0]
    out = found(stuck)["hysteresis-changed"]
    assert (out.part, out.onset_s) == (Part.VALVE, 101.0)
    assert "stood still" in out.evidence


def test_a_spool_that_stood_still_at_two_levels_was_held_up_by_no_load() -> None:
    stood = stood_still(visits_with({(2, 3): TOP, (5, 4): left_bar(0.7) + 3.0}), 4.0)
    assert [d.from_s for d in stood] == [80.0 + 21.0, 200.0 + 28.0]


@pytest.mark.parametrize(
    "pressures",
    [
        {},
        {(2, 3): TOP, (4, 3): TOP},  # twice is no rule
        {(2, 2): 120.0, (4, 2): 131.0, (5, 2): 115.0, (6, 2): 144.0},  # what a load lets come up
        {(k, 0): left_bar(0.0) for k in (1, 3, 5, 6)},  # no load at all
        {(k, stay): TOP for k in range(8) for stay in (3, 4)},  # held in each cycle: that is how the press works
    ],
)
def test_what_a_load_makes_is_no_spool_that_stands_still(pressures: dict[tuple[int, int], float]) -> None:
    assert stood_still(visits_with(pressures), 4.0) == []


def test_too_few_arrivals_tell_nothing_of_sticking() -> None:
    few = sticking_scene(2.5)
    assert scatter_bar(context(found=AsFound(judged_pressure=few.found.judged_pressure[:6]))) is None


def test_a_current_that_comes_back_is_a_loose_contact_first_and_may_be_coil_or_driver() -> None:
    lost = [Stretch("current-lost", 5.0, 6.0, {"value": 0.0}), Stretch("current-lost", 30.0, 31.0, {"value": 0.0})]
    seen = context().seen.__class__(
        [dwell(1.0, 1.0, from_s=10.0), dwell(0.5, 0.6, from_s=40.0)], [], [], True, True, True, 0.0, 3e-4, 0.01, None
    )
    out = found(context(stretches=lost, seen=seen))["current-lost"]
    assert (out.part, set(out.alternatives)) == (Part.COIL_WIRING, {Part.COIL, Part.DRIVER})
    assert "comes back by itself" in out.evidence
    gone = found(context({"current_at_full": 0.0, "current_at_zero": 0.0}, stretches=lost[:1]))["current-lost"]
    assert {Part.COIL_WIRING, Part.COIL} <= {gone.part, *gone.alternatives}


def with_winding(degc: float, *, usual: float | None = 48.0, oil: float = 45.0):
    """A scene whose coil seems to be at `degc` at work: 20 ohm at 20 degC as left."""
    ohm = 20.0 * copper(degc)
    dwells = [dwell(1.0, 0.9, coil_v=0.9 * 20.0 * copper(48.0), oil_degc=oil, from_s=1.0)]
    dwells += [dwell(1.0, 0.9, coil_v=0.9 * ohm, oil_degc=oil, from_s=10.0 * k) for k in range(2, 6)]
    now = Resistance(ohm, 0.01, 5.0, 0.0, 0.9, 0.0, 50.0, 5, "coil voltage")
    state = CoilState(now, None, Winding(degc, 1.0), None, 24.0)
    valve = sheet(as_left={**sheet().as_left, "coil_resistance": 20.0})
    seen = context().seen.__class__(dwells, [], [], True, True, True, 0.0, 3e-4, 0.01, None)
    return context(sheet=valve, seen=seen, coil=state, usual_winding_degc=usual)


def test_a_winding_colder_than_its_oil_has_lost_turns() -> None:
    out = found(with_winding(-15.0))["coil-changed"]
    assert (out.part, out.alternatives) == (Part.COIL, ())
    assert "colder than its oil" in out.evidence
    assert out.onset_s == 20.0
    assert observe(with_winding(-15.0))["resistance"] == {"-"}


@pytest.mark.parametrize(("degc", "usual"), [(48.0, 48.0), (25.0, 48.0), (-15.0, -10.0)])
def test_a_cool_winding_is_none(degc, usual) -> None:
    assert "coil-changed" not in found(with_winding(degc, usual=usual))


def test_shorted_turns_carry_what_follows_from_them() -> None:
    short = with_winding(-15.0)
    moved = {"pressure_at_full": 150.0, "pressure_at_zero": 3.0, "dither_amplitude": 0.13}
    results = {**short.results, **{n: r for n, r in context(moved).results.items() if n in moved}}
    out = found(
        context(results=results, seen=short.seen, coil=short.coil, sheet=short.sheet, usual_winding_degc=48.0)
    )
    assert out["coil-changed"].consequence_of is None
    assert {out[k].consequence_of for k in out if k != "coil-changed"} == {"coil-changed"}
    assert {"pressure-changed", "dither-changed"} <= set(out)


def test_one_gain_of_both_currents_is_one_alarm_and_two_knobs_are_two() -> None:
    gain = found(context({"current_at_zero": 0.22, "current_at_full": 1.1}))
    assert gain["current-zero-changed"].consequence_of == "current-full-changed"
    knobs = found(context({"current_at_zero": 0.25, "current_at_full": 0.9, "pressure_at_zero": 21.9,
                         "pressure_at_full": 176.2}))  # fmt: skip
    assert knobs["current-zero-changed"].consequence_of is None or knobs["current-zero-changed"].part is Part.DRIVER


def test_a_wrong_current_reading_is_no_cause_of_a_pressure() -> None:
    observed = {"currents": frozenset({"gain+"}), "following": frozenset({"no"}), "pressure": frozenset({"offset+"})}
    conclusion = isolate(observed, {}, "pressure-changed")
    assert conclusion is not None
    assert Part.CURRENT_SENSOR not in conclusion.parts
    assert conclusion.parts[0] is Part.VALVE


def test_two_faults_at_once_are_told_each_by_its_own_signs() -> None:
    """A setting at full and a worn seat: the pressure at full stays, that at zero rises."""
    both = {"current_at_full": 0.95, "pressure_at_full": 200.3, "pressure_at_zero": 22.0}
    out = found(context(both, sheet=curved()))
    assert out["current-full-changed"].part is Part.DRIVER_SETTING
    assert out["pressure-changed"].part is Part.VALVE
    assert out["pressure-changed"].consequence_of is None


def test_without_history_the_sheet_is_the_reference() -> None:
    """Levels learnt from readings that were wrong from the first row on show no change against themselves."""
    dwells = [
        dwell(u, 0.2 + 0.75 * u, pressure_bar=10.0 + 0.75 * 237.5 * u, arrival=a, from_s=20.0 * k + 9.0 * u)
        for k in range(6)
        for u, a in ((0.0, -1.0), (0.4, -1.0), (0.7, 1.0), (1.0, 1.0))
    ]
    control = {key_of(d): LevelPressure(d.pressure_bar, 6, True) for d in dwells}
    seen = replace(context().seen, dwells=dwells, control=control, control_until_s=dwells[-1].to_s)
    moved = {"current_at_full": 0.95, "pressure_at_full": 188.1}
    out = found(context(moved, seen=seen, found=AsFound(control=control, judged_pressure=dwells)))
    assert out["current-full-changed"].part is Part.DRIVER_SETTING
    assert "Pressure moved with it" in out["current-full-changed"].evidence
    assert out["pressure-changed"].consequence_of == "current-full-changed"
    weak = found(
        context({"pressure_at_full": 188.1}, seen=seen, found=AsFound(control=control, judged_pressure=dwells))
    )
    assert weak["pressure-changed"].part is Part.VALVE
    assert Part.PRESSURE_SOURCE in weak["pressure-changed"].alternatives


def test_as_left_measured_from_a_valve_that_was_not_as_the_sheet_says_is_no_reference() -> None:
    moved = context({"current_at_full": 0.95, "pressure_at_full": 188.1})
    learnt = {
        n: replace(r, as_left_measured=r.as_found) if n in {"current_at_full", "pressure_at_full"} else r
        for n, r in moved.results.items()
    }
    out = found(replace(moved, results=learnt))
    assert out["current-full-changed"].part is Part.DRIVER_SETTING


# ------------------------------------------------------------------------------------------ zeros, and what lasts


def stop(shift: float, seconds: float = 150.0, seed: int = 5) -> np.ndarray:
    rng = np.random.default_rng(seed)
    n = round(seconds * 50.0)
    out = columns(np.zeros(n), rate_hz=50.0)
    out[CURRENT] = shift + 1e-3 * rng.standard_normal(n)
    return out


def take(zero: Zero, some: np.ndarray, pieces: int = 1) -> None:
    for part in np.array_split(np.arange(some.shape[1]), pieces):
        gap = np.zeros(part.size, dtype=bool)
        quiet = np.ones(part.size, dtype=bool)
        take_zero(zero, quiet, some[:, part], CURRENT, gap, (5.0, 65.0), 0.1)


def test_a_zero_is_the_mean_of_its_window_however_it_is_cut() -> None:
    whole, cut = Zero(), Zero()
    take(whole, stop(0.02))
    take(cut, stop(0.02), pieces=37)
    assert whole.left == pytest.approx(0.02, abs=1e-4)
    assert cut.now == pytest.approx(whole.now, rel=1e-9)
    assert whole.shift == 0.0


def test_a_zero_shifts_and_is_not_known_where_something_is_still_there() -> None:
    zero = Zero()
    take(zero, stop(0.0))
    zero.since_s = None
    take(zero, stop(0.05))
    assert zero.shift == pytest.approx(0.05, abs=2e-4)
    zero.since_s = None
    take(zero, stop(0.5))
    assert zero.shift is None
    short = Zero()
    take(short, stop(0.0, seconds=5.5))
    assert short.left is None


def test_what_only_work_can_show_lasts_through_a_stop() -> None:
    some = columns(np.zeros(500), rate_hz=50.0)
    some[CLOCK] = 100.0 + some[TIME]
    seen = stamped([Stretch("current-lost", 2.0, 4.0), Stretch("current-unwanted", 2.0, 4.0)], some)
    assert [s.detail["clock_s"] for s in seen] == [pytest.approx(104.0)] * 2
    assert still_count(seen, 30.0, 120.0) == seen
    assert [s.kind for s in still_count(seen, 3600.0, 120.0)] == ["current-lost"]
    assert still_count(seen, 3600.0, 165.0) == []


def test_without_a_current_reading_driver_and_valve_share_what_the_pressure_shows() -> None:
    """A reading that is not there rules nothing out: the driver is named beside the valve, never left out."""
    seen = {"pinned": AS_LEFT, "command": AS_LEFT, "vented": AS_LEFT, "supply": AS_LEFT, "scatter": AS_LEFT}
    lifted = isolate({**seen, "pressure": frozenset({"zero+"})}, {}, "pressure-unwanted")
    assert lifted is not None
    assert {Part.VALVE, Part.DRIVER, Part.DRIVER_SETTING} == set(lifted.parts)
    cut = isolate({**seen, "pressure": frozenset({"top-"})}, {}, "pressure-clipped")
    assert cut is not None
    assert cut.parts[0] is Part.PRESSURE_SOURCE
    assert {Part.COIL, Part.COIL_WIRING, Part.DRIVER} <= set(cut.parts)
    comes_and_goes = {**seen, "scatter": frozenset({"more"}), "pressure": frozenset({"other"})}
    scattered = isolate(comes_and_goes, {}, "hysteresis-changed")
    assert scattered is not None
    assert {Part.VALVE, Part.COIL_WIRING} <= set(scattered.parts)
    with_current = {"flow": AS_LEFT, "currents": AS_LEFT, "top": AS_LEFT}
    for pressure, kind, part in (
        ("zero+", "pressure-unwanted", Part.VALVE),
        ("top-", "pressure-clipped", Part.PRESSURE_SOURCE),
    ):
        alone = isolate({**seen, **with_current, "pressure": frozenset({pressure})}, {}, kind)
        assert alone is not None
        assert alone.parts == (part,)


def test_a_way_within_the_loop_moves_no_spool_and_is_no_spool_that_stands_still() -> None:
    """From 0.7 back to 0.68 the spool stays: the loop is 6 % wide there, as far as anybody knows."""
    stays = ((0.4, 1.0), (0.7, 1.0), (0.68, -1.0), (1.0, 1.0), (0.68, -1.0))
    dwells = []
    for cycle in range(8):
        for stay, (u, arrival) in enumerate(stays):
            stays_up = stay == 2 and cycle in {1, 4, 6}
            bar = left_bar(0.7) - 6.0 if stays_up else left_bar(u) - 6.0 * arrival
            at = 40.0 * cycle + 7.0 * stay
            dwells.append(dwell(u, 0.2 + 0.8 * u, pressure_bar=bar, arrival=arrival, from_s=at, to_s=at + 5.0))
    inside = context(seen=replace(context().seen, dwells=dwells), found=AsFound(judged_pressure=dwells))
    assert stood_still(inside, 4.0) == []


def test_where_the_characteristic_may_be_flat_none_of_the_change_need_come() -> None:
    """A shift of the current by 0.05 A that the pressure at zero does not show, for it goes no lower there."""
    at_zero = LevelChange(0.0, -1.0, 10.0, 0.0, 0.02, -0.05, 237.5, slope_sure=False)
    at_full = LevelChange(1.0, 1.0, 200.0, -13.0, 0.02, -0.05, 237.5)
    assert explained_bar([at_zero, at_full]).tolist() == [0.0, -13.0]
    sure = replace(at_zero, slope_sure=True)
    assert explained_bar([sure, at_full])[0] == pytest.approx(-11.875)
    assert pressure_shapes([at_zero, at_full], explained_bar([at_zero, at_full]), 4.0, ENDS_A) == AS_LEFT


def test_more_command_makes_no_less_pressure() -> None:
    observed = {"command": frozenset({"beyond"}), "currents": AS_LEFT, "pressure": frozenset({"spring-", "gain-"})}
    conclusion = isolate(observed, {}, "pressure-changed")
    assert conclusion is not None
    assert conclusion.parts[0] is not Part.CONTROLLER
