"""A part is never named against what was seen: causes whose own sign was looked for and is surely not there."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from itertools import combinations

import pytest
from asleft.catalogue.finding_kinds import FINDING_KINDS
from asleft.catalogue.parts import Part
from asleft.judge.driver.clipping import Clip
from asleft.judge.estimates.as_found import AsFound
from asleft.judge.finding.pressure_symptoms import add_pressure_symptoms
from asleft.judge.finding.signatures import AS_LEFT, CAUSES, SYMPTOMS, Cause, Values, isolate
from asleft.judge.finding.symptoms import observe
from asleft.judge.types import Verdict
from synth import curved, dwell
from test_findings import context, found, result
from test_parts import levels, shapes

QUIET: Mapping[str, Values] = dict.fromkeys(
    ("command", "currents", "flow", "loop", "pinned", "ramps", "readings", "scatter", "top"), AS_LEFT
)


def shown_by(*causes: Cause) -> dict[str, Values]:
    """What is seen of causes that are there at once, every symptom known: of each, what one of them shows."""
    out = {}
    for symptom in SYMPTOMS:
        values = [values - AS_LEFT for cause in causes if (values := cause.allows(symptom)) is not None]
        departing = frozenset(min(value) for value in values if value)
        out[symptom] = departing or AS_LEFT
    return out


@pytest.mark.parametrize("kind", [kind for kind, known in FINDING_KINDS.items() if known.symptoms])
def test_of_two_faults_at_once_none_is_laid_to_a_cause_whose_own_sign_is_surely_not_there(kind: str) -> None:
    told = 0
    for pair in combinations(CAUSES, 2):
        observed = shown_by(*pair)
        conclusion = isolate(observed, {}, kind)
        for cause in () if conclusion is None else conclusion.causes:
            absent = [s for s in SYMPTOMS if cause.departs(s) and observed[s] == AS_LEFT]
            assert not absent, (cause, absent, [one.words for one in pair])
            told += 1
    assert told


def test_a_pressure_of_no_known_shape_is_not_the_controllers_where_the_command_keeps_its_range() -> None:
    """The hydraulics share it: which of them lifts one level alone no other sign tells."""
    for kind in ("pressure-changed", "pressure-unwanted"):
        conclusion = isolate({**QUIET, "pressure": frozenset({"other"})}, {}, kind)
        assert conclusion is not None
        assert conclusion.parts[0] is Part.VALVE
        assert Part.CONTROLLER not in conclusion.parts


def test_a_floor_under_the_pressure_is_a_shape_and_the_valves_first() -> None:
    """The lowest levels stand at one height, those above are as left."""
    assert shapes(lambda u, _a: max(0.0, 30.0 - (10.0 + 190.0 * u))) == {"foot+"}
    assert shapes(lambda _u, _a: 8.0) == {"offset+"}
    conclusion = isolate({**QUIET, "pressure": frozenset({"foot+"})}, {}, "pressure-changed")
    assert conclusion is not None
    assert conclusion.parts == (Part.VALVE, Part.PRESSURE_SOURCE)


def test_a_cut_at_the_top_is_one_whatever_a_current_may_have_done_that_is_not_surely_another() -> None:
    """The currents read 0.03 A high and are sure to 0.06: either they moved and the pressure did not, or neither."""
    seen = levels(lambda u, _a: -20.0 if u == 1.0 else 0.0, lambda _u: 0.03)
    unsure = context({"pressure_at_full": 180.0}, sheet=curved())
    out: dict[str, Values] = {}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(
            "asleft.judge.finding.pressure_symptoms.level_changes",
            lambda _context: [replace(level, current_u_a=0.06) for level in seen],
        )
        add_pressure_symptoms(unsure, out)
    assert "top-" in out["pressure"]


def test_one_end_of_the_current_alone_leaves_the_ways_that_move_it_so() -> None:
    """A machine that never rests but at full: the pressure's change is not laid to coil or supply."""
    only_full = context({"current_at_full": 0.95, "current_at_zero": None, "pressure_at_full": 188.1})
    assert observe(only_full)["currents"] == {"full-", "gain-", "offset-", "other"}
    as_left = context({"current_at_zero": None})
    assert observe(as_left)["currents"] >= {"as left", "zero+", "zero-"}
    out = found(only_full)
    assert out["pressure-changed"].consequence_of == "current-full-changed"
    assert out["pressure-changed"].part is out["current-full-changed"].part


def test_a_pressure_that_its_own_current_explains_is_a_consequence_whatever_other_levels_do() -> None:
    """Both currents shifted, and a level that was reached by part of the way lies anywhere in its loop."""
    dwells = [
        dwell(u, 0.25 + 0.8 * u, pressure_bar=bar, arrival=a, from_s=20.0 * k + 9.0 * u)
        for k in range(6)
        for u, a, bar in ((0.4, 1.0, 117.0), (0.7, 1.0, 188.2), (0.7, -1.0, 170.0))
    ]
    seen = replace(context().seen, dwells=dwells)
    both = context(
        {"current_at_zero": 0.25, "current_at_full": 1.05, "pressure_at_full": 211.9}, sheet=curved(), seen=seen,
    )  # fmt: skip
    shifted = replace(both, found=replace(both.found, judged_pressure=dwells))
    shifted = replace(shifted, results={**shifted.results, "pressure_at_zero": _unseen("pressure_at_zero")})
    out = found(shifted)
    assert "other" in observe(shifted)["pressure"]
    assert out["pressure-changed"].consequence_of == "current-full-changed"
    assert out["pressure-changed"].part is out["current-full-changed"].part


def test_what_a_clipped_current_did_to_the_pressure_is_not_laid_to_the_valve() -> None:
    """The line through lower levels reads as left: the pressure at full moved all the same with the current there."""
    clip = Clip(0.85, 1.0, 1.0, 40.0, 6)
    cut = context({"supply_voltage": None, "pressure_at_full": 178.5}, found=AsFound(clip=clip), sheet=curved())
    sure = {name: replace(cut.results[name], uncertainty=1e-3) for name in ("current_at_zero", "current_at_full")}
    cut = replace(cut, results={**cut.results, **sure})
    with pytest.MonkeyPatch.context() as patch:
        lower = levels(lambda u, _a: -21.5 * u, lambda _u: 0.0)
        patch.setattr("asleft.judge.finding.pressure_symptoms.level_changes", lambda _context: lower)
        out = found(cut)
    pressure, cause = out["pressure-changed"], out["current-clipped"]
    assert pressure.consequence_of == "current-clipped"
    assert (pressure.part, pressure.alternatives) == (cause.part, cause.alternatives)
    assert "current is as left" not in pressure.evidence.lower()


def _unseen(name: str):
    return result(name, None, Verdict.NOT_OBSERVED)
