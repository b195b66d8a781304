"""The published form of a verification record: what is filed satisfies it, what was altered does not."""

from __future__ import annotations

import copy
import json
from importlib.resources import files

import pytest
from asleft.catalogue.parts import Part
from asleft.judge.types import Verdict
from asleft.judge.verify.result import Outcome
from asleft.web.app import create_app
from asleft.web.csv_text import utc
from asleft.web.verification.record import SCHEMA
from asleft.web.words import LOAD_STATES

V = "press-1.platen"
FORM = json.loads((files("asleft.web.report") / "verification_record.schema.json").read_text("utf-8"))
KINDS = {
    "object": lambda v: isinstance(v, dict),
    "array": lambda v: isinstance(v, list),
    "string": lambda v: isinstance(v, str),
    "null": lambda v: v is None,
    "integer": lambda v: isinstance(v, int) and not isinstance(v, bool),
    "number": lambda v: isinstance(v, int | float) and not isinstance(v, bool),
}  # fmt: skip
KNOWN = {"$schema", "$defs", "$ref", "title", "description", "type", "enum", "anyOf", "items", "required",
         "properties", "additionalProperties"}  # fmt: skip


def faults(value, form, at="record"):
    """Where `value` departs from `form`, by the keywords that the form uses; an unknown one is an error."""
    assert set(form) <= KNOWN, set(form) - KNOWN
    out = []
    if "$ref" in form:
        out += faults(value, FORM["$defs"][form["$ref"].removeprefix("#/$defs/")], at)
    if "anyOf" in form and all(faults(value, one, at) for one in form["anyOf"]):
        out.append(f"{at}: none of the ways")
    if "enum" in form and value not in form["enum"]:
        out.append(f"{at}: {value!r} is not among {form['enum']}")
    if "type" in form:
        wanted = form["type"] if isinstance(form["type"], list) else [form["type"]]
        if not any(KINDS[kind](value) for kind in wanted):
            return [*out, f"{at}: {value!r} is no {wanted}"]
    if isinstance(value, dict) and "properties" in form:
        out += [f"{at}.{key}: missing" for key in form.get("required", ()) if key not in value]
        for key, one in value.items():
            if key in form["properties"]:
                out += faults(one, form["properties"][key], f"{at}.{key}")
            elif form.get("additionalProperties") is False:
                out.append(f"{at}.{key}: unknown")
    if isinstance(value, list) and "items" in form:
        for k, one in enumerate(value):
            out += faults(one, form["items"], f"{at}[{k}]")
    return out


@pytest.fixture(scope="module")
def kept():
    return []


@pytest.fixture
def record(plant, door, desks, hands, doors, tmp_path, kept):
    """A record filed through the page, found out of tolerance and then left right; made once."""
    if not kept:
        door.add_one_of_each()
        desked = desks.Desked(plant, door, tmp_path / "door")
        client = create_app(plant, desked, door.access, clock_ns=lambda: plant.now).server.test_client()
        assert doors.sign_in(client, "technician").status_code == 303
        query = []
        for prefix, ago_s, up_s in (("found_", 3600, 2.1), ("left_", 1800, 1.6)):
            script = [*hands.strokes(), *hands.sweep()]
            hand = hands.Hand(plant.now - ago_s * 10**9, script, up_s=up_s)
            plant.hands.setdefault(V, []).append(hand)
            query.append(f"{prefix}from={utc(hand.start_ns - 2 * 10**9)}&{prefix}to={utc(hand.end_ns)}")
        address = f"/verification/{V}/record?{'&'.join(query)}"
        word = doors.word_in(client.get(address).get_data(as_text=True))
        form = {doors.CSRF: word, "load_state": "stop", "technician": "technician", "decision": "accepted"}
        assert client.post(address, data=form).status_code == 303
        kept.append(json.loads(client.get(f"/verification/{V}/1.json").get_data(as_text=True)))
        desked.close()
    return copy.deepcopy(kept[0])


def test_a_filed_record_is_of_the_form(record):
    assert record["as_left"]["steps"]
    assert record["as_found"]["ramp_traces"]
    assert record["as_left"]["characteristic"]["rising"]["levels"]
    assert faults(record, FORM) == []


def test_nothing_adjusted_is_of_the_form(record):
    record["as_left"] = None
    assert faults(record, FORM) == []


@pytest.mark.parametrize(
    ("path", "value", "fault"),
    [
        (("decision",), "perhaps", "record.decision: 'perhaps'"),
        (("schema",), "asleft-verification-record-1", "record.schema"),
        (("sheet", "revision"), "3", "record.sheet.revision: '3' is no"),
        (("colour",), "red", "record.colour: unknown"),
        (("instruments", "pressure", "colour"), "red", "record.instruments.pressure.colour: unknown"),
        (("as_found", "outcome"), "fine", "record.as_found.outcome: 'fine'"),
        (("as_found", "quantities", 0, "verdict"), "ok", "record.as_found.quantities[0].verdict: 'ok'"),
        (("as_found", "quantities", 0, "as_found"), "0.18", "record.as_found.quantities[0].as_found"),
        (("as_found", "steps", 3, "current_a", "verdict"), "ok", "record.as_found.steps[3].current_a.verdict"),
        (("as_found", "sweep", "up_pct_s"), None, "record.as_found.sweep.up_pct_s"),
        (("as_left", "outcome"), "fine", "record.as_left: none of the ways"),
    ],
)
def test_what_was_altered_is_not(record, path, value, fault):
    *way, last = path
    inner = record
    for key in way:
        inner = inner[key]
    inner[last] = value
    assert any(one.startswith(fault) for one in faults(record, FORM))


@pytest.mark.parametrize("path", [("technician",), ("as_left",), ("sheet", "sha256"), ("as_found", "steps", 0, "at")])
def test_a_missing_key_is_told(record, path):
    *way, last = path
    inner = record
    for key in way:
        inner = inner[key]
    del inner[last]
    assert any(one.endswith(f".{last}: missing") for one in faults(record, FORM))


def every(form):
    yield form
    for one in (*form.get("properties", {}).values(), *form.get("anyOf", ()), *form.get("$defs", {}).values()):
        yield from every(one)
    if "items" in form:
        yield from every(form["items"])


def test_every_field_is_described_and_no_object_is_open():
    for one in every(FORM):
        assert one.get("description"), one
        if "properties" in one:
            assert one["additionalProperties"] is False


def test_the_words_are_those_of_the_program():
    defs, own = FORM["$defs"], FORM["properties"]
    assert FORM["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert own["schema"]["enum"] == [SCHEMA]
    assert own["load_state"]["enum"] == list(LOAD_STATES)
    assert defs["quantity"]["properties"]["verdict"]["enum"] == [one.value for one in Verdict]
    assert defs["graded"]["properties"]["verdict"]["enum"] == [one.value for one in Verdict]
    assert defs["check"]["properties"]["outcome"]["enum"] == [one.value for one in Outcome]
    assert defs["finding"]["properties"]["part"]["enum"] == [one.value for one in Part]
