from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest
from asleft.catalogue.finding_kinds import FINDING_KINDS, KIND_OF
from asleft.catalogue.parts import PART_WORDS, Part
from asleft.catalogue.statuses import Status, worst
from asleft.judge.drift import Chart
from asleft.judge.driver.clipping import Clip
from asleft.judge.driver.currents import Level
from asleft.judge.estimates.as_found import AsFound, Seen
from asleft.judge.finding.context import FindingContext
from asleft.judge.finding.findings import find
from asleft.judge.sentence import likely, sentence
from asleft.judge.steps.summary import cut_since
from asleft.judge.types import Coverage, Finding, QuantityResult, State, Verdict
from asleft.judge.valve.pressure import LevelPressure, key_of
from asleft.judge.watching.stretches import Stretch
from asleft.sheet.model import QUANTITY_UNITS, Characteristic, Coil, Instrument, Tolerance, Where
from synth import curved, dwell, sheet

FULL_SENTENCE = re.compile(r"^[A-Z0-9].*[.]$", re.DOTALL)


def result(name: str, found: float | None, verdict: Verdict = Verdict.IN, **more: object) -> QuantityResult:
    left = sheet().as_left[name]
    width = sheet().tolerance[name].above
    used = None if found is None else 100.0 * (found - left) / width
    base = QuantityResult(
        name, QUANTITY_UNITS[name], left, found, 0.01, 0.01, width, width, used, verdict, "", None, None,
        Coverage(5, 0.0, 100.0, 0.0, 100.0),
    )  # fmt: skip
    return replace(base, **more)  # type: ignore[arg-type]


def context(changes: dict[str, float | None] | None = None, **more: object) -> FindingContext:
    """Everything as left except `changes`; what lies beyond its tolerance is out, None is not observed."""
    results = {}
    for name, left in sheet().as_left.items():
        value = (changes or {}).get(name, left)
        if value is None:
            results[name] = result(name, None, Verdict.NOT_OBSERVED)
        else:
            out = abs(value - left) > sheet().tolerance[name].above
            results[name] = result(name, value, Verdict.OUT if out else Verdict.IN)
    seen = Seen([], [], [], True, True, True, 0.0, 3e-4, 0.01, None)
    base = FindingContext(sheet(), seen, AsFound(), results, {}, [], {}, 60_000, None)
    return replace(base, **more)  # type: ignore[arg-type]


def found(
    where: FindingContext, earlier: dict[str, Finding] | None = None, began_under: dict[str, str] | None = None
) -> dict[str, Finding]:
    out = find(where, earlier or {}, began_under or {})
    for finding in out:
        assert FULL_SENTENCE.match(finding.evidence), finding.evidence
        assert "nan" not in finding.evidence.lower()
        assert "None" not in finding.evidence
        assert finding.kind in FINDING_KINDS
        assert likely(finding).endswith(".")
    return {f.kind: f for f in out}


def test_as_left_is_no_finding() -> None:
    assert found(context()) == {}


@pytest.mark.parametrize(
    ("name", "value", "kind", "part"),
    [
        ("ramp_up", 1.5, "ramp-up-changed", Part.DRIVER_SETTING),
        ("ramp_down", 0.5, "ramp-down-changed", Part.DRIVER_SETTING),
        ("current_at_zero", 0.25, "current-zero-changed", Part.CURRENT_SENSOR),
        ("current_at_full", 0.9, "current-full-changed", Part.CURRENT_SENSOR),
        ("pressure_at_full", 180.0, "pressure-changed", Part.VALVE),
        ("pressure_at_zero", 20.0, "pressure-changed", Part.VALVE),
        ("supply_voltage", 20.0, "supply-low", Part.SUPPLY),
        ("dither_frequency", 140.0, "dither-changed", Part.DRIVER_SETTING),
        ("dither_amplitude", 0.06, "dither-changed", Part.DRIVER_SETTING),
        ("dither_amplitude", 0.0, "dither-lost", Part.DRIVER_SETTING),
    ],
)
def test_each_quantity_leads_to_its_kind(name, value, kind, part) -> None:
    out = found(context({name: value}, sheet=curved()))
    assert list(out) == [kind]
    assert out[kind].part is part
    assert out[kind].severity == 2


def test_a_second_ramp_that_moved_too_points_at_the_driver() -> None:
    both = found(context({"ramp_up": 1.5, "ramp_down": 1.5}))
    assert Part.DRIVER in both["ramp-up-changed"].alternatives
    one = found(context({"ramp_up": 1.5}))
    assert one["ramp-up-changed"].alternatives == ()
    assert "did not move" in one["ramp-up-changed"].evidence


def test_pressure_tells_the_driver_from_the_current_sensor() -> None:
    moved = found(context({"current_at_full": 0.9, "pressure_at_full": 175.0}))
    assert moved["current-full-changed"].part is Part.DRIVER_SETTING
    assert moved["pressure-changed"].consequence_of == "current-full-changed"
    still = found(context({"current_at_full": 0.9}, sheet=curved()))
    assert still["current-full-changed"].part is Part.CURRENT_SENSOR
    # Without a recorded characteristic a relief may always have cut the top: then it says nothing.
    may_be_flat = found(context({"current_at_full": 0.9}))["current-full-changed"]
    assert "Pressure did not move with it" not in may_be_flat.evidence
    assert may_be_flat.part is Part.DRIVER_SETTING
    unseen = {"pressure_at_full": None, "pressure_at_zero": None}
    blind = found(context({"current_at_zero": 0.18, "current_at_full": 0.9, **unseen}))["current-full-changed"]
    assert {blind.part, *blind.alternatives} == {Part.DRIVER, Part.DRIVER_SETTING, Part.CURRENT_SENSOR}
    assert "driver and current reading cannot be told apart" in blind.evidence
    # A sensor's gain moves both ends: one end alone is a setting even where no pressure is read.
    one_end = found(context({"current_at_full": 0.9, **unseen}))["current-full-changed"]
    assert (one_end.part, one_end.alternatives) == (Part.DRIVER_SETTING, (Part.DRIVER,))


def test_why_the_pressure_does_not_tell_is_the_real_reason() -> None:
    moved = context({"current_at_zero": 0.18, "current_at_full": 0.9})
    why = "full command not visited from below"
    unseen = {n: result(n, None, Verdict.NOT_OBSERVED, reason=why) for n in ("pressure_at_zero", "pressure_at_full")}
    recorded = replace(moved, results={**moved.results, **unseen})
    assert f"The pressure was not judged ({why}), so" in found(recorded)["current-full-changed"].evidence
    none = replace(recorded, seen=replace(recorded.seen, has_pressure=False))
    assert "No pressure is recorded, so" in found(none)["current-full-changed"].evidence


def test_the_drivers_own_monitor_cannot_part_driver_and_sensor() -> None:
    valve = curved(instruments={"current": Instrument(where=Where.MONITOR)})
    out = found(context({"current_at_full": 0.9}, sheet=valve))["current-full-changed"]
    assert {out.part, *out.alternatives} == {Part.DRIVER, Part.CURRENT_SENSOR}


def test_a_zero_read_while_vented_parts_sensor_and_valve() -> None:
    shifted = found(context({"pressure_at_full": 212.0}, vented_shift_bar=11.5))["pressure-changed"]
    assert (shifted.part, shifted.alternatives) == (Part.PRESSURE_SENSOR, ())
    alike = {"pressure_at_zero": 22.0, "pressure_at_full": 212.0}
    right = found(context(alike, vented_shift_bar=0.1))["pressure-changed"]
    assert right.part is Part.VALVE
    assert Part.PRESSURE_SENSOR not in right.alternatives
    assert "vented the reading is right" in right.evidence
    unknown = found(context(alike))["pressure-changed"]
    assert Part.PRESSURE_SENSOR in unknown.alternatives
    gain = found(context({"pressure_at_full": 212.0}, vented_shift_bar=0.1))["pressure-changed"]
    assert {gain.part, *gain.alternatives} == {Part.VALVE, Part.PRESSURE_SENSOR}


WATCHED = {
    "command-failed": -0.25,
    "command-clipped": 1.04,
    "current-lost": 0.0,
    "current-unwanted": 0.6,
    "pressure-unwanted": 80.0,
}


@pytest.mark.parametrize("kind", WATCHED)
def test_each_watched_condition_becomes_a_finding_with_its_onset(kind) -> None:
    stretches = [
        Stretch(kind, 50.0, 51.0, {"value": WATCHED[kind]}),
        Stretch(kind, 70.0, 90.0, {"value": WATCHED[kind]}),
    ]
    out = found(context(stretches=stretches))
    assert out[kind].onset_s == 50.0
    assert "2 times" in out[kind].evidence
    assert out[kind].part is FINDING_KINDS[kind].part


@pytest.mark.parametrize(
    ("stretch", "part"),
    [
        ("pinned:pressure", Part.PRESSURE_SENSOR),
        ("stuck:current", Part.CURRENT_SENSOR),
        ("pinned:command", Part.COMMAND_WIRING),
        ("pinned:supply", Part.SUPPLY),
        ("stuck:supply", Part.DATA),
    ],
)
def test_a_dead_reading_names_its_channel(stretch, part) -> None:
    out = found(context(stretches=[Stretch(stretch, 5.0, 20.0, {"value": 105.0})]))
    assert out["reading-pinned"].part is part
    assert stretch.partition(":")[2] in out["reading-pinned"].evidence
    if "command" in stretch:  # the driver may get a command all the same
        assert Part.DATA in out["reading-pinned"].alternatives


def test_one_cause_one_alarm_what_follows_hangs_under_it() -> None:
    lost = Stretch("current-lost", 5.0, 20.0, {"value": 0.0})
    out = found(context({"current_at_full": 0.0, "current_at_zero": 0.0, "pressure_at_full": 5.0}, stretches=[lost]))
    assert out["current-lost"].consequence_of is None
    assert {out[k].consequence_of for k in out if k != "current-lost"} == {"current-lost"}


@pytest.mark.parametrize(
    ("values", "said"), [((0.02, math.nan), "0.020 A flows"), ((math.nan,), "no current is seen")]
)
def test_a_lost_current_that_is_not_read_is_given_no_number(values: tuple[float, ...], said: str) -> None:
    lost = [Stretch("current-lost", 5.0 + k, 6.0 + k, {"value": value}) for k, value in enumerate(values)]
    assert said in found(context(stretches=lost))["current-lost"].evidence


def test_a_stuck_current_explains_the_currents_but_not_the_pressure() -> None:
    stuck = Stretch("stuck:current", 5.0, 20.0, {"value": 0.6})
    out = found(context({"current_at_full": 0.6, "pressure_at_full": 180.0}, stretches=[stuck]))
    assert out["current-full-changed"].consequence_of == "reading-pinned"
    assert out["pressure-changed"].consequence_of != "reading-pinned"


def clipped(**more: object) -> FindingContext:
    clip = Clip(0.85, 1.0, 1.0, 40.0, 6)
    changes = {"pressure_at_full": 165.0, **more.pop("changes", {})}
    return context(changes, found=AsFound(clip=clip), **more)


def test_clipped_with_a_low_supply_is_the_supplys() -> None:
    out = found(clipped(changes={"supply_voltage": 18.0}))
    assert out["current-clipped"].part is Part.SUPPLY
    assert out["current-clipped"].consequence_of == "supply-low"
    assert out["current-clipped"].onset_s == 40.0


@pytest.mark.parametrize(
    ("share", "bar", "severity"), [(0.3, 200.0, None), (0.6, 200.0, 1), (1.2, 200.0, 2), (0.6, 165.0, 2)]
)
def test_a_cut_within_its_tolerance_is_a_matter_for_the_digest(share, bar, severity) -> None:
    limit_a = 1.0 - share * sheet().tolerance["current_at_full"].below
    clip = Clip(limit_a, 1.0, 1.0, 40.0, 6)
    out = found(context({"pressure_at_full": bar}, found=AsFound(clip=clip)))
    assert (out["current-clipped"].severity if "current-clipped" in out else None) == severity


def test_clipped_with_a_right_supply_is_the_coils_and_says_how_hot_it_is() -> None:
    valve = sheet(as_left={**sheet().as_left, "coil_resistance": 20.0}, coil=Coil(driver_drop_v=1.0, duty_max=1.0))
    out = found(clipped(sheet=valve))["current-clipped"]
    assert out.part is Part.COIL
    # (24 - 1) / 0.85 = 27.06 ohm; copper: 20 + (27.06/20 - 1)/0.00393 = 109.8 degC
    assert "27.1 Ω" in out.evidence
    assert "110 °C" in out.evidence
    cold = sheet(as_left={**sheet().as_left, "coil_resistance": 30.0})
    assert found(clipped(sheet=cold))["current-clipped"].part is Part.DRIVER


def test_clipped_without_a_supply_reading_names_both() -> None:
    out = found(clipped(changes={"supply_voltage": None}))["current-clipped"]
    assert {Part.COIL, Part.SUPPLY} <= {out.part, *out.alternatives}
    assert "cannot be told apart" in out.evidence


def pressed(full: float, middle: float, low: float) -> list:
    out = []
    for k in range(4):
        out += [
            dwell(1.0, 1.0, pressure_bar=full, from_s=10.0 * k),
            dwell(0.7, 0.76, pressure_bar=middle, from_s=10.0 * k + 3),
            dwell(0.4, 0.52, pressure_bar=low, from_s=10.0 * k + 6, arrival=-1.0),
        ]
    return out


def plateau(full: float, middle: float, low: float) -> dict[str, Finding]:
    control = {key_of(d): LevelPressure(d.pressure_bar, 4, True) for d in pressed(200.0, 143.0, 86.0)}
    dwells = pressed(full, middle, low)
    seen = replace(context().seen, dwells=dwells, control=control, control_until_s=-1.0)
    as_found = AsFound(control=control, judged_pressure=dwells)
    return found(context({"pressure_at_full": full}, seen=seen, found=as_found))


def test_a_lowered_relief_cuts_the_top_and_leaves_the_rest() -> None:
    out = plateau(170.0, 143.0, 86.0)
    assert out["pressure-clipped"].part is Part.PRESSURE_SOURCE
    assert out["pressure-changed"].consequence_of == "pressure-clipped"
    assert "70 % is unchanged" in out["pressure-clipped"].evidence


def test_pressures_read_while_the_current_was_cut_off_are_no_plateau_once_it_is_not() -> None:
    """The coil has cooled and takes its current again; cold oil lets no newer pressure be judged."""
    before = [d._replace(current_a=min(d.current_a, 0.9)) for d in pressed(170.0, 143.0, 86.0)]
    control = {key_of(d): LevelPressure(d.pressure_bar, 4, True) for d in pressed(200.0, 143.0, 86.0)}
    seen = replace(context().seen, dwells=before, control=control)
    levels = [Level(u, 0.2 + 0.8 * u, 1e-4, 1e-4, 8e-4, 5, 0.0, 100.0) for u in (0.4, 0.7, 1.0)]
    as_found = AsFound(control=control, judged_pressure=before, levels=levels)
    cooler = context({"pressure_at_full": 170.0}, seen=seen, found=as_found)
    cause = replace(found(clipped())["current-clipped"], onset_s=0.0)
    out = found(cooler, {"current-clipped": cause})
    assert set(out) == {"current-clipped", "pressure-changed"}
    assert out["pressure-changed"].consequence_of == "current-clipped"
    assert "pressure-clipped" in plateau(170.0, 143.0, 86.0)  # with the right current it is one


@pytest.mark.parametrize("pressures", [(180.0, 129.0, 77.0), (180.0, 130.0, 100.0), (200.0, 143.0, 86.0)])
def test_a_changed_gain_or_a_wider_hysteresis_is_no_plateau(pressures) -> None:
    assert "pressure-clipped" not in plateau(*pressures)


def test_pressure_well_above_the_characteristic_is_evidence_whoever_is_in_control() -> None:
    """Between the ends only a recorded curve says what that is; the most the valve was left at is known without."""
    recorded = sheet(characteristic=Characteristic((0.2, 0.6, 1.0), (10.0, 100.0, 200.0), (10.0, 106.0, 200.0)))
    for demand, bar, valve in ((0.3, 120.0, recorded), (0.3, 240.0, sheet()), (0.0, 60.0, sheet())):
        dwells = [dwell(demand, 0.2 + 0.8 * demand, pressure_bar=bar, from_s=float(k)) for k in range(3)]
        seen = replace(context().seen, dwells=dwells)
        assert found(context(seen=seen, sheet=valve))["pressure-unwanted"].severity == 3
        assert found(context(seen=seen, sheet=replace(valve, controls="flow"))) == {}
    bowed = [dwell(0.3, 0.44, pressure_bar=120.0, from_s=float(k)) for k in range(3)]
    assert found(context(seen=replace(context().seen, dwells=bowed))) == {}
    more = [dwell(0.3, 0.74, pressure_bar=140.0, from_s=float(k)) for k in range(3)]  # the current's doing
    assert "pressure-unwanted" not in found(context(seen=replace(context().seen, dwells=more), sheet=recorded))


def drifting(side: float = 1.0) -> Chart:
    chart = Chart(left=(200.0, 0.05))
    for k in range(240):
        chart.add(600.0 * k, 200.0 + 0.05 * (-1) ** (k // 6) + side * max(0.0, 0.1 * (k - 120)), 0.2, 1.0)
    return chart


def test_a_drift_inside_tolerance_is_a_matter_for_the_digest() -> None:
    out = found(context({"pressure_at_full": 203.5}, charts={"pressure_at_full": drifting()}))["pressure-changed"]
    assert out.severity == 1
    assert "in tolerance but moving" in out.evidence
    assert out.onset_s is not None
    assert 600.0 * 120 < out.onset_s < 600.0 * 160


def test_a_drift_says_when_it_reaches_its_tolerance() -> None:
    where = context({"pressure_at_full": 203.5}, charts={"pressure_at_full": drifting()})
    results = dict(where.results)
    results["pressure_at_full"] = replace(
        results["pressure_at_full"], trend_per_day=0.4, forecast_in_days=(9.2, 13.7)
    )
    evidence = found(replace(where, results=results))["pressure-changed"].evidence
    assert "at that pace it reaches its tolerance in 9 to 14 days" in evidence


def test_a_drift_to_the_side_that_is_not_judged_is_none() -> None:
    free = sheet(
        tolerance={
            **sheet().tolerance,
            "pressure_at_full": replace(sheet().tolerance["pressure_at_full"], above=np.inf),
        }
    )
    assert found(context({"pressure_at_full": 203.5}, charts={"pressure_at_full": drifting()}, sheet=free)) == {}


def test_missing_readings_are_counted_with_their_reasons() -> None:
    out = found(context(missing={"not a number": 30, "empty": 12}))["data-missing"]
    assert "42 readings" in out.evidence
    assert "12 empty, 30 not a number" in out.evidence


@pytest.mark.parametrize(
    ("missing", "words"),
    [
        ({"failed": 12}, "12 readings could not be used (12 %)."),
        ({"failed": 1}, "1 reading could not be used (1.1 %)."),
        ({"empty cells": 12}, "12 readings could not be used (12 %): empty cells."),
        ({"cells that are no number": 1}, "1 reading could not be used (1.1 %): cell that is no number."),
        ({"failed": 8, "empty cells": 4}, "12 readings could not be used (12 %): 4 empty cells, 8 failed."),
    ],
)
def test_missing_readings_say_each_number_once(missing: dict[str, int], words: str) -> None:
    assert found(context(missing=missing, readings=88))["data-missing"].evidence == words


def test_a_known_finding_keeps_its_onset_and_stays_while_the_quantity_is_not_seen() -> None:
    before = found(context({"ramp_up": 1.5}))
    known = {"ramp-up-changed": replace(before["ramp-up-changed"], onset_s=7.0)}
    assert found(context({"ramp_up": 1.6}), known)["ramp-up-changed"].onset_s == 7.0
    assert found(context({"ramp_up": None}), known)["ramp-up-changed"].onset_s == 7.0
    assert found(context({"ramp_up": 1.0}), known) == {}


def test_a_finding_stays_while_its_own_quantity_is_undecided_whatever_its_pair_says() -> None:
    """A pressure at full that falls on is undecided beyond its tolerance: that at zero is right, it ends nothing."""
    known = found(context({"pressure_at_full": 190.0}))
    unsure = {**context().results, "pressure_at_full": result("pressure_at_full", 195.2, Verdict.UNDECIDED)}
    for results in (unsure, {**unsure, "pressure_at_full": result("pressure_at_full", None, Verdict.NOT_OBSERVED)}):
        assert found(context(results=results), known)["pressure-changed"].severity == 2
    assert found(context(), known) == {}
    zero = {**context().results, "pressure_at_zero": result("pressure_at_zero", None, Verdict.NOT_OBSERVED)}
    assert found(context(results=zero), known) == {}


def test_a_finding_of_two_quantities_stays_until_both_are_back() -> None:
    known = found(context({"pressure_at_full": 190.0, "pressure_at_zero": 20.0}))
    assert set(known["pressure-changed"].quantities) == {"pressure_at_full", "pressure_at_zero"}
    assert "pressure-changed" in found(context({"pressure_at_zero": 20.0}), known)
    unseen = {**context().results, "pressure_at_zero": result("pressure_at_zero", None, Verdict.NOT_OBSERVED)}
    later = found(context(results=unseen), known)
    assert found(context(), later) == {}


def test_a_finding_is_no_less_serious_while_it_is_undecided() -> None:
    known = found(context({"pressure_at_full": 190.0}))
    unsure = {**context().results, "pressure_at_full": result("pressure_at_full", 195.2, Verdict.UNDECIDED)}
    moving = context(results=unsure, charts={"pressure_at_full": drifting(-1.0)})
    assert found(moving)["pressure-changed"].severity == 1
    assert found(moving, known)["pressure-changed"].severity == 2
    back = context({"pressure_at_full": 197.5}, charts={"pressure_at_full": drifting(-1.0)})
    assert found(back, known)["pressure-changed"].severity == 1


def test_a_spool_that_no_longer_sticks_is_no_finding_even_without_a_loop() -> None:
    stuck = Finding("hysteresis-changed", Part.VALVE, (), 5.0, 2, "Pressure differs.")
    assert "hysteresis" not in context().results
    assert "hysteresis-changed" in found(context(), {"hysteresis-changed": stuck})


def test_what_hung_under_a_cause_stands_alone_once_that_is_gone() -> None:
    known = {
        "ramp-up-changed": replace(found(context({"ramp_up": 1.5}))["ramp-up-changed"], consequence_of="current-lost")
    }
    assert found(context({"ramp_up": None}), known)["ramp-up-changed"].consequence_of is None


def test_what_began_with_a_cause_goes_with_it_and_what_was_there_before_stays() -> None:
    """A cold coil takes the full current again while the oil is too cold for the pressure to be judged."""
    cut = found(clipped())
    cause = replace(cut["current-clipped"], onset_s=5000.0)
    levels = [Level(u, 0.2 + 0.8 * u, 1e-4, 1e-4, 8e-4, 5, 0.0, 100.0) for u in (0.0, 0.5, 1.0)]
    unseen = {"pressure_at_full": None, "pressure_at_zero": None}
    cooler = context(unseen, found=AsFound(levels=levels))
    for onset_s, stays in ((5100.0, False), (None, False), (1000.0, True)):
        pressure = replace(cut["pressure-changed"], onset_s=onset_s, consequence_of="current-clipped")
        known = {"current-clipped": cause, "pressure-changed": pressure}
        assert "current-clipped" not in found(cooler, known)
        assert ("pressure-changed" in found(cooler, known)) is stays
        still_cut = clipped(changes=unseen)
        assert found(still_cut, known)["pressure-changed"].consequence_of == "current-clipped"
        # First told under its cause, it goes with it however its onset was dated: a cut comes and goes by the day.
        assert "pressure-changed" not in found(cooler, known, {"pressure-changed": "current-clipped"})
        assert ("pressure-changed" in found(cooler, known, {"pressure-changed": ""})) is stays


def test_a_finding_that_was_gone_begins_anew() -> None:
    chart = Chart()
    for k in range(20):
        chart.add(1000.0 * k, 200.0 if k < 5 else 180.0, 0.2, 1.0)
    moved = context({"pressure_at_full": 180.0}, charts={"pressure_at_full": chart})
    assert found(moved)["pressure-changed"].onset_s == 5000.0
    again = replace(moved, gone_s={"pressure-changed": 12_500.0})
    assert found(again)["pressure-changed"].onset_s == 13_000.0


def test_causes_come_first_and_the_most_urgent_of_them_before() -> None:
    lost = Stretch("current-lost", 5.0, 20.0, {"value": 0.0})
    kinds = [f.kind for f in find(context({"current_at_full": 0.0, "supply_voltage": 18.0}, stretches=[lost]), {})]
    assert kinds == ["current-lost", "supply-low", "current-full-changed"]


def test_every_kind_has_status_part_and_words() -> None:
    assert set(KIND_OF.values()) <= set(FINDING_KINDS)
    assert set(PART_WORDS) == set(Part)
    assert worst([]) is Status.GOOD
    assert worst([Status.MAINTENANCE_REQUIRED, Status.FAILURE, Status.GOOD]) is Status.FAILURE


# ------------------------------------------------------------------------------------------ the sentence


def said(where: FindingContext, state: State = State.PRODUCING) -> str:
    return sentence(where.sheet, where.results, find(where, {}), state)


def test_the_sentence_says_the_number_what_it_was_and_the_part() -> None:
    text = said(context({"ramp_up": 2.1}))
    assert text == "Ramp up takes 2.10 s; it was left at 1.00 s. Likely the driver's setting."


def test_further_causes_are_counted_and_consequences_are_not() -> None:
    assert said(context({"ramp_up": 2.1, "supply_voltage": 18.0})).endswith(" And 1 more finding.")
    assert "more finding" not in said(context({"current_at_full": 0.9, "pressure_at_full": 175.0}))


def test_as_left_says_since_which_sheet_and_what_is_not_seen() -> None:
    assert said(context()) == "As left. Nothing moved since sheet 1."
    bound = replace(
        result("ramp_up", None, Verdict.NOT_OBSERVED), reason="the controller makes its own; not slower than 0.8 s",
        bound_below=0.8,
    )  # fmt: skip
    text = said(context(results={**context().results, "ramp_up": bound}))
    assert text.endswith("; not seen: ramp up (the controller makes its own; not slower than 0.800 s).")


def test_undecided_is_said_and_nothing_seen_too() -> None:
    unsure = {**context().results, "ramp_up": result("ramp_up", 1.08, Verdict.UNDECIDED)}
    assert "ramp up undecided" in said(context(results=unsure))
    blind = context(dict.fromkeys(sheet().as_left))
    assert "not enough production" in said(blind)
    assert "has not produced" in said(blind, State.STOPPED)


@pytest.mark.parametrize(
    ("alternatives", "words"),
    [
        ((), "Likely the coil."),
        ((Part.SUPPLY,), "Likely the coil, or the supply."),
        ((Part.SUPPLY, Part.DRIVER), "Likely the coil; else the supply or the driver."),
        ((Part.SUPPLY, Part.DRIVER, Part.VALVE), "Likely the coil; else the supply, the driver or the valve."),
    ],
)
def test_parts_in_words(alternatives, words) -> None:
    assert likely(Finding("coil-changed", Part.COIL, alternatives, None, 2, "x.")) == words


def test_what_is_cut_off_is_told_by_the_dwells_after_a_step() -> None:
    """Dwells of a cool morning beside those of a hot noon hide a cut that the later ones show by themselves."""
    rows = [(0.0, 0.2), (0.5, 0.6), (1.0, 0.9)]
    levels = [Level(u, a, 1e-4, 1e-4, 8e-4, 5, 0.0, 100.0) for u, a in rows]
    cut = Clip(0.9, 1.0, 1.0, 50.0, 5)
    mixed, after = AsFound(levels=levels), AsFound(levels=levels, clip=cut)
    cut_since(mixed, after)
    assert mixed.clip is cut
    cut_since(mixed, AsFound(levels=levels))
    assert mixed.clip is None
    for few in (
        AsFound(levels=levels[:2], clip=cut),
        AsFound(levels=[*levels[:2], replace(levels[2], demand=0.8)], clip=cut),
    ):
        cut_since(mixed, few)  # too few levels, or none as high: they cannot tell
        assert mixed.clip is None


@pytest.mark.parametrize(("unasked_a", "hangs"), [(0.9, True), (0.5, False)])
def test_a_reading_that_stops_at_its_range_hides_no_current_nobody_asked_for_below_it(unasked_a, hangs) -> None:
    seen = [
        Stretch("current-unwanted", 5.0, 90.0, {"value": unasked_a}),
        Stretch("pinned:current", 30.0, 40.0, {"value": 0.9}),
    ]
    out = found(context(stretches=seen))["current-unwanted"]
    assert out.severity == 3
    assert (out.consequence_of == "reading-pinned") is hangs
    assert (out.part is Part.CURRENT_SENSOR) is hangs


def test_one_cell_is_told_as_one_and_many_as_many() -> None:
    out = found(context(missing={"cells that are no number": 1, "empty cells": 1}, readings=98))
    assert out["data-missing"].evidence.endswith(": 1 cell that is no number, 1 empty cell.")
    out = found(context(missing={"cells that are not finite": 1200, "repeated times": 2}, readings=98))
    assert out["data-missing"].evidence.endswith(": 1,200 cells that are not finite, 2 repeated times.")


@pytest.mark.parametrize(
    ("demand", "current_a", "bar", "words"),
    [
        (0.0, 0.2, 1.4, "1.4 bar at 0 % command, where the valve was left at 0.90 bar."),
        (0.0, 0.2, 25.0, "25 bar at 0 % command, where the valve was left at 0.90 bar."),
        (3.2, 5.0, 25.0, "25 bar at a command beyond its range, where the valve was left at 4.1 bar."),
        (3.2, 1.0, 25.0, "25 bar at 100 % command, where the valve was left at 4.1 bar."),
    ],
)
def test_a_pressure_nobody_asked_for_is_told_with_digits_that_show_it(
    demand: float, current_a: float, bar: float, words: str
) -> None:
    left = {**sheet().as_left, "pressure_at_zero": 0.9, "pressure_at_full": 4.1}
    narrow = {**sheet().tolerance, "pressure_at_zero": Tolerance(0.1, 0.1), "pressure_at_full": Tolerance(0.1, 0.1)}
    above = [
        dwell(demand, current_a, pressure_bar=bar, arrival=-1.0, from_s=10.0 * k, to_s=10.0 * k + 3.0)
        for k in range(3)
    ]
    here = context(sheet=sheet(as_left=left, tolerance=narrow))
    here = replace(here, seen=replace(here.seen, dwells=above))
    assert found(here)["pressure-unwanted"].evidence.startswith(words)
