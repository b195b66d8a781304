"""Each fault of the simulator that this release covers, beginning after eleven healthy minutes."""

from __future__ import annotations

import pytest
from asleft.catalogue.parts import Part
from asleft.judge.judge import StepOutcome, begin, step
from asleft.judge.types import Finding, Samples, Verdict
from lanes import by_id, causes, part, run
from scenes import FAULTS, ONSET_S

#: Fault -> the one cause to be named, and the parts one of which must be named first.
EXPECTED: dict[str, tuple[str, set[Part]]] = {
    "ramp-up": ("ramp-up-changed", {Part.DRIVER_SETTING}),
    "ramp-up-faster": ("ramp-up-changed", {Part.DRIVER_SETTING}),
    "ramp-down": ("ramp-down-changed", {Part.DRIVER_SETTING}),
    "ramp-down-much": ("ramp-down-changed", {Part.DRIVER_SETTING}),
    "current-at-zero": ("current-zero-changed", {Part.DRIVER_SETTING}),
    "current-at-full": ("current-full-changed", {Part.DRIVER_SETTING}),
    "coil-hot": ("current-clipped", {Part.COIL}),
    "supply-sag": ("supply-low", {Part.SUPPLY}),
    "relief-lowered": ("pressure-clipped", {Part.PRESSURE_SOURCE}),
    "command-wire-broken": ("command-failed", {Part.COMMAND_WIRING}),
    "coil-unplugged": ("current-lost", {Part.COIL_WIRING, Part.COIL}),
    "unwanted-current": ("current-unwanted", {Part.DRIVER}),
    "current-sensor-gain": ("current-full-changed", {Part.CURRENT_SENSOR}),
    "pressure-sensor-offset": ("pressure-changed", {Part.VALVE, Part.PRESSURE_SENSOR}),
    "current-stuck": ("reading-pinned", {Part.CURRENT_SENSOR}),
    "pressure-stuck": ("reading-pinned", {Part.PRESSURE_SENSOR}),
    "pressure-drift": ("pressure-changed", {Part.VALVE}),
    "dither-lost": ("dither-lost", {Part.DRIVER_SETTING, Part.DRIVER}),
    "coil-shorted": ("coil-changed", {Part.COIL}),
    "coil-short-circuited": ("current-lost", {Part.COIL_WIRING, Part.COIL}),
    "coil-contact": ("current-lost", {Part.COIL_WIRING}),
    "friction-grown": ("hysteresis-changed", {Part.VALVE}),  # by both branches, without a curve in the sheet
    "stick-slip": ("hysteresis-changed", {Part.VALVE}),
    "driver-gain": ("current-full-changed", {Part.DRIVER}),
    "source-weak": ("pressure-clipped", {Part.PRESSURE_SOURCE}),
}


@pytest.fixture(scope="module")
def judged(faulty) -> dict[str, tuple[StepOutcome, StepOutcome]]:
    """Before the fault, and after three and a half minutes of it, judged 70 s at a time."""
    out = {}
    for name, lane in faulty.items():
        healthy = step(lane.sheet, begin(lane.sheet, horizon_s=240.0), part(lane.samples, 0, 65_900))
        later = part(lane.samples, 65_900, 87_000)
        out[name] = (healthy, run(lane.sheet, later, [7000], state=healthy.state))
    return out


def cause_of(outcome: StepOutcome) -> Finding:
    return next(f for f in outcome.judgement.findings if f.consequence_of is None)


def test_every_fault_has_an_expectation() -> None:
    assert set(EXPECTED) == set(FAULTS)


@pytest.mark.parametrize("name", FAULTS)
def test_before_the_fault_there_is_nothing(judged, name) -> None:
    assert judged[name][0].judgement.findings == ()


@pytest.mark.parametrize("name", FAULTS)
def test_the_fault_is_found_and_no_other_cause_beside_it(judged, name) -> None:
    kind, parts = EXPECTED[name]
    judgement = judged[name][1].judgement
    assert causes(judgement) == {kind}, [(f.kind, f.evidence, f.consequence_of) for f in judgement.findings]
    cause = cause_of(judged[name][1])
    assert cause.part in parts
    present = {f.kind for f in judgement.findings}
    assert all(f.consequence_of in present for f in judgement.findings if f.consequence_of is not None)


@pytest.mark.parametrize("name", FAULTS)
def test_its_onset_is_right_to_a_cycle_or_two(judged, name) -> None:
    cause = cause_of(judged[name][1])
    assert cause.onset_s is not None
    assert -20.0 <= cause.onset_s - ONSET_S <= 30.0


@pytest.mark.parametrize("name", FAULTS)
def test_status_and_sentence_speak_of_it(judged, name) -> None:
    judgement = judged[name][1].judgement
    assert judgement.status.value in {"out-of-specification", "failure"}
    assert not judgement.sentence.startswith("As left")
    assert "None" not in judgement.sentence
    assert "nan" not in judgement.sentence


@pytest.mark.parametrize(
    ("name", "quantity", "truth"),
    [
        ("ramp-up", "ramp_up", 1.7),
        ("ramp-up-faster", "ramp_up", 0.7),
        ("ramp-down", "ramp_down", 2.8),
        ("ramp-down-much", "ramp_down", 10.0),
        ("current-at-zero", "current_at_zero", 0.23),
        ("current-at-full", "current_at_full", 0.85),
        ("supply-sag", "supply_voltage", 15.0),
    ],
)
def test_as_found_is_what_it_became(judged, name, quantity, truth) -> None:
    found = by_id(judged[name][1].judgement)[quantity]
    assert found.verdict is Verdict.OUT
    assert found.as_found == pytest.approx(truth, rel=0.005)


def test_a_changed_span_is_no_second_finding(judged) -> None:
    found = by_id(judged["current-at-full"][1].judgement)
    assert found["ramp_up"].verdict is Verdict.IN
    assert found["ramp_down"].verdict is Verdict.IN


def test_the_clipped_full_current_is_taken_from_below_and_says_so(judged) -> None:
    found = by_id(judged["coil-hot"][1].judgement)["current_at_full"]
    assert found.as_found == pytest.approx(0.92, abs=0.005)
    assert "clipped" in found.reason


def test_after_repair_the_finding_goes(faulty, judged) -> None:
    """A new stretch of healthy production behind the fault, later in time."""
    lane = faulty["ramp-up"]
    again = part(lane.samples, 0, 40_000)
    later = Samples(again.time_s + 2000.0, again.channels)
    outcome = step(lane.sheet, judged["ramp-up"][1].state, later)
    assert outcome.judgement.findings == ()
    assert by_id(outcome.judgement)["ramp_up"].as_found == pytest.approx(1.2, rel=0.01)
