from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from asleft.catalogue.finding_kinds import READING_KINDS
from asleft.catalogue.parts import PART_WORDS, Part
from asleft.judge.sentence import likely, sentence
from asleft.judge.types import Coverage, Finding, QuantityResult, State, Verdict
from asleft.sheet.model import QUANTITY_UNITS, Revision
from synth import sheet as make_sheet

SHEET = make_sheet(revision=Revision(3, datetime(2026, 3, 2, 8, 10, tzinfo=UTC), "kl", "pump replaced"))


def result(name: str, found: float | None = 1.0, left: float | None = 1.0, **changes: object) -> QuantityResult:
    usual: dict[str, object] = {
        "unit": QUANTITY_UNITS[name],
        "as_left": left,
        "as_found": found,
        "uncertainty": 0.01,
        "change_uncertainty": 0.01,
        "tolerance_below": 0.1,
        "tolerance_above": 0.1,
        "tolerance_used_pct": 0.0 if found is None or left is None else 1000.0 * (found - left),
        "verdict": Verdict.IN if found is not None else Verdict.NOT_OBSERVED,
        "reason": "",
        "bound_below": None,
        "bound_above": None,
        "coverage": Coverage(9, 0.0, 9.0, 0.0, 100.0),
    }
    return QuantityResult(id=name, **{**usual, **changes})  # type: ignore[arg-type]


def finding(
    kind: str = "ramp-up-changed", parts: Sequence[Part] = (Part.DRIVER_SETTING,), **changes: object
) -> Finding:
    usual: dict[str, object] = {"onset_s": 5.0, "severity": 2, "evidence": "Something moved. And more."}
    return Finding(kind, parts[0], tuple(parts[1:]), **{**usual, **changes})  # type: ignore[arg-type]


def say(
    *results: QuantityResult,
    findings: Sequence[Finding] = (),
    state: State = State.PRODUCING,
    doubted: Sequence[str] = (),
    usable: float = 1.0,
) -> str:
    return sentence(SHEET, {r.id: r for r in results}, findings, state, doubted, usable)


@pytest.mark.parametrize("kind", sorted(READING_KINDS))
def test_what_speaks_of_the_readings_replaces_no_verdict(kind: str) -> None:
    bad = finding(kind, (Part.DATA,), severity=1, evidence="1,200 readings could not be used (20 %): 1,200 failed.")
    good = result("ramp_up", 1.21, 1.2)
    assert say(good, findings=[bad]) == say(good)
    assert say(good, findings=[bad], usable=0.8).startswith("As left, from 80 % of the readings. Nothing moved since")
    moved = say(result("ramp_up", 1.55, 1.2, verdict=Verdict.OUT), findings=[bad, finding()], usable=0.5)
    assert moved.startswith("Ramp up takes")
    assert moved.endswith("Likely the driver's setting. From 50 % of the readings.")


def test_a_few_readings_less_are_not_worth_a_word() -> None:
    good = result("ramp_up", 1.21, 1.2)
    assert say(good, usable=0.96) == say(good)


def test_every_part_has_its_words() -> None:
    assert set(PART_WORDS) == set(Part)
    assert len(set(PART_WORDS.values())) == len(Part)


@pytest.mark.parametrize(
    ("parts", "expected"),
    [
        ((Part.COIL,), "Likely the coil."),
        ((Part.COIL, Part.SUPPLY), "Likely the coil, or the supply."),
        ((Part.VALVE, Part.DRIVER, Part.DATA), "Likely the valve; else the driver or the data path."),
        (
            (Part.VALVE, Part.DRIVER, Part.SUPPLY, Part.DATA),
            "Likely the valve; else the driver, the supply or the data path.",
        ),
    ],
)
def test_one_part_a_pair_or_one_and_what_else(parts: tuple[Part, ...], expected: str) -> None:
    assert likely(finding(parts=parts)) == expected


def test_nothing_moved() -> None:
    assert say(result("ramp_up")) == "As left. Nothing moved since sheet 3 of 2 March."
    undated = sentence(make_sheet(), {"ramp_up": result("ramp_up")}, (), State.PRODUCING)
    assert undated == "As left. Nothing moved since sheet 1."


def test_a_changed_setting_leads_with_both_numbers() -> None:
    out = say(result("ramp_up", 1.55, 1.2), findings=[finding()])
    assert out == "Ramp up takes 1.55 s; it was left at 1.20 s. Likely the driver's setting."
    out = say(result("current_at_full", 0.87, 0.92), findings=[finding("current-full-changed")])
    assert out == "Current at full is at 0.870 A; it was left at 0.920 A. Likely the driver's setting."


def test_the_end_that_moved_more_leads() -> None:
    both = [result("pressure_at_full", 200.1, 200.0), result("pressure_at_zero", 14.0, 10.0)]
    out = say(*both, findings=[finding("pressure-changed", (Part.VALVE,))])
    assert out == "Pressure at zero is at 14.0 bar; it was left at 10.0 bar. Likely the valve."


def test_an_end_that_did_not_move_never_stands_for_one_that_is_not_seen_now() -> None:
    still, unseen = result("pressure_at_zero", 13.993, 14.0), result("pressure_at_full", None, 210.0)
    for quantities in (("pressure_at_full",), ("pressure_at_zero", "pressure_at_full"), ()):
        for severity in (1, 2):
            told = finding("pressure-changed", (Part.VALVE,), quantities=quantities, severity=severity)
            assert say(still, unseen, findings=[told]) == "Something moved. Likely the valve."
    out = result("pressure_at_zero", 24.0, 14.0, verdict=Verdict.OUT)
    told = finding("pressure-changed", (Part.VALVE,))
    assert say(out, unseen, findings=[told]).startswith("Pressure at zero is at 24.0 bar; it was left at 14.0 bar.")


@pytest.mark.parametrize(("per_day", "way"), [(0.234, "rises 0.23 bar a day"), (-1.5, "falls 1.5 bar a day")])
def test_a_drifting_pressure_says_how_fast(per_day: float, way: str) -> None:
    moved = result("pressure_at_full", 204.0, 200.0, trend_per_day=per_day)
    out = say(moved, findings=[finding("pressure-changed", (Part.VALVE,))])
    assert out == f"Pressure at full {way}: 204.0 bar, left at 200.0 bar. Likely the valve."


def test_without_a_number_the_evidence_leads() -> None:
    lost = finding("current-lost", (Part.COIL_WIRING,), evidence="The driver is commanded, and 0.000 A flows. More.")
    out = say(result("ramp_up", None), findings=[lost])
    assert out == "The driver is commanded, and 0.000 A flows. Likely the coil wiring."
    unseen = say(result("ramp_up", None), findings=[finding()])
    assert unseen == "Something moved. Likely the driver's setting."


@pytest.mark.parametrize(("more", "tail"), [(0, ""), (1, " And 1 more finding."), (2, " And 2 more findings.")])
def test_further_causes_are_counted_and_consequences_are_not(more: int, tail: str) -> None:
    others = [finding(f"other-{k}") for k in range(more)]
    hanging = finding("pressure-changed", consequence_of="ramp-up-changed")
    out = say(result("ramp_up", 1.55, 1.2), findings=[finding(), *others, hanging])
    assert out.endswith(f"Likely the driver's setting.{tail}")


def test_a_consequence_alone_leaves_the_valve_as_left() -> None:
    out = say(result("ramp_up"), findings=[finding(consequence_of="current-lost")])
    assert out.startswith("As left.")


def test_digits_show_the_difference_that_is_spoken_of() -> None:
    out = say(result("pressure_at_full", 1.04, 0.98), findings=[finding("pressure-changed", (Part.VALVE,))])
    assert out.startswith("Pressure at full is at 1.04 bar; it was left at 0.98 bar.")
    slow = result("pressure_at_full", 199.0, 200.0, trend_per_day=-0.004)
    out = say(slow, findings=[finding("pressure-changed", (Part.VALVE,))])
    assert out.startswith("Pressure at full falls 0.0040 bar a day:")


@pytest.mark.parametrize("state", list(State))
def test_nothing_seen_says_why(state: State) -> None:
    out = say(result("ramp_up", None), state=state)
    stopped = state in {State.STOPPED, State.NOT_ENABLED}
    assert out.startswith("Nothing judged yet: ")
    assert ("the machine has not produced" in out) is stopped
    assert ("not enough production seen" in out) is not stopped


def test_what_cannot_be_told_is_named() -> None:
    some = [result(n, verdict=Verdict.UNDECIDED) for n in ("ramp_up", "ramp_down", "supply_voltage")]
    assert say(some[0]) == "Ramp up undecided, the uncertainty reaches over the tolerance."
    assert say(*some).startswith("Ramp up, ramp down and supply voltage undecided, the uncertainty reaches over")


def test_as_left_is_said_by_name_where_something_is_undecided() -> None:
    doubtful = result("ramp_up", 1.05, verdict=Verdict.UNDECIDED, uncertainty=0.09)
    assert say(doubtful, result("ramp_down"), result("pressure_at_full")) == (
        "Ramp down and pressure at full as left since sheet 3 of 2 March; "
        "ramp up undecided, the uncertainty reaches over the tolerance."
    )


def test_what_single_visits_said_is_not_certain_whatever_the_values_are() -> None:
    clause = "current at 100 % command was at 0.960 A at 2 of 7 visits, else at 1.000 A"
    out = sentence(SHEET, {"ramp_up": result("ramp_up")}, (), State.PRODUCING, unsteady=[clause])
    assert out == f"Not certain: {clause}."


def test_what_lies_beyond_its_tolerance_is_said_with_its_doubt_and_never_as_left() -> None:
    likely_out = result("ramp_up", 1.12, verdict=Verdict.UNDECIDED, uncertainty=0.05)
    out = say(likely_out, result("ramp_down"))
    assert out == "Not certain: ramp up takes 1.12 s ± 0.050 s, left at 1.00 s."
    surely = result("ramp_up", 1.5, verdict=Verdict.OUT)
    assert "As left" not in say(surely, result("ramp_down"))


def test_what_the_sheet_asks_for_and_was_not_seen_is_said_in_the_same_sentence() -> None:
    fine = result("pressure_at_full", 200.0, 200.0)
    base = "Pressure at full as left since sheet 3 of 2 March"
    why = "the command never outruns it; not slower than 0.8 s"
    up = result("ramp_up", None, bound_below=0.8, reason=why)
    down = result("ramp_down", None, bound_below=0.8, reason=why)
    assert say(fine, up, down) == f"{base}; not seen: ramps (the command never outruns it; not slower than 0.800 s)."
    assert say(fine, result("ramp_up", None, reason="no ramps")) == f"{base}; not seen: ramp up (no ramps)."
    dark = [
        result(name, None, reason="no current reading on this valve")
        for name in ("current_at_zero", "current_at_full")
    ]
    more = [result("hysteresis", None, reason="no loop"), result("ramp_up"), result("ramp_down")]
    assert say(fine, *dark, *more) == (
        "Ramps and pressure at full as left since sheet 3 of 2 March; "
        "not seen: currents (no current reading), hysteresis (no loop)."
    )


def test_a_full_command_without_its_pressure_is_not_certain() -> None:
    why = "full command was reached 3 times, the pressure stayed at 6 bar"
    dark = result("pressure_at_full", None, 200.0, reason=why)
    others = (result("ramp_up"), result("ramp_down"))
    assert say(dark, *others, doubted=["pressure_at_full"]) == (
        f"Not certain: {why}, pressure at full was left at 200.0 bar."
    )
    assert say(dark, *others).startswith("Ramps as left since")


def test_less_than_half_of_the_sheet_is_not_as_left_whether_a_channel_shows_the_rest_or_not() -> None:
    dark = [result(name, None, reason="pressure never settled") for name in ("pressure_at_zero", "pressure_at_full")]
    assert say(result("ramp_up"), *dark) == (
        "Most of the sheet was not seen; ramp up as left since sheet 3 of 2 March; "
        "not seen: pressures (pressure never settled)."
    )
    names = ("pressure_at_zero", "hysteresis")
    no_channel = [result(name, None, reason="no pressure reading on this valve") for name in names]
    assert say(result("ramp_up"), *no_channel).startswith("Most of the sheet was not seen; ramp up as left since")
    assert say(result("ramp_up"), result("ramp_down"), *no_channel).startswith("Ramps as left since")


def test_what_is_known_to_no_better_than_its_tolerance_is_not_counted_as_seen() -> None:
    wide = [
        result(name, verdict=Verdict.UNDECIDED, uncertainty=0.3) for name in ("pressure_at_zero", "pressure_at_full")
    ]
    assert say(result("ramp_up"), *wide).startswith("Most of the sheet was not seen; ramp up as left")
    narrow = [replace(one, uncertainty=0.05) for one in wide]
    assert say(result("ramp_up"), *narrow).startswith("Ramp up as left")


def test_nothing_judged_gives_the_real_reason() -> None:
    dark = result("ramp_up", None, reason="no current reading on this valve")
    assert say(dark) == "Nothing judged yet: ramp up (no current reading)."
    headroom = result("headroom", None, as_left=None)
    assert say(headroom) == "Nothing judged yet: the sheet gives no setting to compare with."


def test_what_has_no_value_as_left_and_may_be_out_is_said_too() -> None:
    """The status is not good then, and the sentence must not say that all is as left."""
    short = result(
        "headroom",
        6.0,
        None,
        uncertainty=7.0,
        tolerance_used_pct=-140.0,
        verdict=Verdict.UNDECIDED,
        tolerance_below=10.0,
    )
    assert say(result("ramp_up"), short) == "Not certain: headroom is at 6.0 % ± 7.0 %."
