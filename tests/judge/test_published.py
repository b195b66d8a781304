"""What is published reads back by type, says what it said before, and has the fields that its schemas promise."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from importlib.resources import files

import msgspec
import pytest
from asleft.judge import published
from asleft.judge.judge import judge_log
from asleft.judge.published import judgement_json, read_judgement
from asleft.judge.types import CoilNow, Verdict
from asleft.judge.verify import published as verified
from asleft.judge.verify.grade import check
from asleft.judge.verify.published import check_json, read_check
from asleft.sim.model import default_valve
from lanes import record
from test_verify import FAULTS, PLAN

#: Types of both forms of a record's schema, by their name there.
TYPES = {
    "graded": verified.Graded,
    "step": verified.Step,
    "ramp_step": verified.RampStep,
    "trace": verified.Trace,
    "check": verified.Check,
    "coverage": published.Coverage,
    "quantity": published.Quantity,
    "finding": published.Finding,
    "figure": published.Figure,
    "level": published.Level,
    "branch": published.Branch,
    "characteristic": published.Characteristic,
}


@pytest.fixture(scope="module")
def lane():
    """A valve whose full current is too low, so that there are findings, bounds and a coil."""
    return record({"full": replace(default_valve(), cycle=PLAN, faults=FAULTS["full"])}, duration_s=118.0, seed=3)[
        "full"
    ]


def schema(form: str) -> dict:
    return json.loads((files("asleft.web.report") / form).read_text("utf-8"))["$defs"]


@pytest.mark.parametrize("name", TYPES)
def test_a_type_has_the_fields_of_the_published_schema_in_its_order(name):
    wanted = schema("verification_record.schema.json")[name]["properties"]
    assert [field.encode_name for field in msgspec.structs.fields(TYPES[name])] == list(wanted)


@pytest.mark.parametrize("name", TYPES)
def test_what_the_first_form_of_a_record_lacks_may_be_absent(name):
    had = set(schema("verification_record_1.schema.json")[name]["properties"])
    lacking = [field for field in msgspec.structs.fields(TYPES[name]) if field.encode_name not in had]
    assert not any(field.required for field in lacking)


def test_a_judgement_reads_back_as_it_was_published(lane):
    coil = CoilNow(7.1, 0.2, 61.0, math.nan, "full saturation", 12.5, None, None, None, 1.764e9, None, None)
    judgement = replace(judge_log(lane.sheet, lane.samples), coil=coil)
    text = json.dumps(judgement_json(judgement), allow_nan=False)
    read = read_judgement(json.loads(text))
    assert json.dumps(msgspec.to_builtins(read)) == text
    assert msgspec.json.decode(text, type=published.Judgement) == read
    full = next(one for one in read.quantities if one.id == "current_at_full")
    assert full.verdict is Verdict.OUT
    assert full.as_found == pytest.approx(lane.truth["current_at_full"], abs=0.01)
    assert full.coverage.since is not None
    assert full.coverage.since.endswith("Z")
    assert [one.kind for one in read.findings] == [one.kind for one in judgement.findings]
    assert read.coil is not None
    assert (read.coil.resistance, read.coil.temperature_uncertainty) == (7.1, None)
    assert read.coil.clipping.since == "2025-11-24T16:00:00.000Z"


def test_a_verification_reads_back_as_it_was_kept(lane):
    found = check(lane.sheet, lane.samples)
    text = json.dumps(check_json(found), allow_nan=False)
    read = read_check(json.loads(text))
    assert json.dumps(msgspec.to_builtins(read)) == text
    assert read.outcome is found.outcome
    assert [(one.way, one.command_pct) for one in read.steps] == [(one.way, one.command_pct) for one in found.steps]
    assert read.ramp_traces
    assert [one.channel for one in read.courses] == [one.channel for one in found.courses]


def test_what_an_earlier_version_did_not_store_means_that_it_is_not_known(lane):
    stored = judgement_json(judge_log(lane.sheet, lane.samples))
    for later in ("fit", "coil", "characteristic", "state", "basis", "remarks"):
        del stored[later]
    read = read_judgement(stored)
    assert (read.fit.fits, read.coil, read.characteristic, read.remarks) == (None, None, None, ())


def test_what_fits_no_type_is_refused_with_its_place(lane):
    stored = judgement_json(judge_log(lane.sheet, lane.samples))
    stored["quantities"][2]["as_found"] = "much"
    with pytest.raises(msgspec.ValidationError, match=r"quantities\[2\]\.as_found"):
        read_judgement(stored)
