"""A verification record: two graded stretches and what a person enters, whether it may be accepted, and on paper."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from asleft.judge.types import JUDGE_VERSION, iso
from asleft.judge.verify.published import check_json
from asleft.judge.verify.result import Check, Outcome
from asleft.sheet.model import Sheet
from asleft.sheet.names import LABELS
from asleft.sheet.write import toml_value
from asleft.store.protocols import SheetRecord
from asleft.store.verifications import VerificationRecord
from asleft.web import checked
from asleft.web.markup import Markup
from asleft.web.paper import paper, styled
from asleft.web.templates import filled
from asleft.web.units import BAR, Pressures
from asleft.web.when import PlantTime, parse_iso_ns
from asleft.web.words import DECISION_RULE, LOAD_STATES, NO_VALIDATION
from asleft.wire.settings import Section

SCHEMA = "asleft-verification-record-2"
LONGEST = 2000
CHANNELS = ("command", "current", "pressure", "gauge")
PLATE = ("valve_plate", "coil_plate", "driver_type", "driver_serial", "dialled")
INSTRUMENT = ("id", "range", "due", "uncertainty")
FIELDS = (
    *PLATE,
    *(f"{channel}_{part}" for channel in CHANNELS for part in INSTRUMENT),
    "load_state", "oil", "technician", "witness", "remark", "decision",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Draft:
    """What a record is made of: as found, as left (None: nothing was adjusted), and what was entered."""

    sheet: Sheet
    sheet_record: SheetRecord
    found: Check
    left: Check | None
    entered: Mapping[str, str]

    @property
    def last(self) -> Check:
        """The state in which the valve was left."""
        return self.found if self.left is None else self.left


def entered_of(form: Mapping[str, str]) -> dict[str, str]:
    """What was typed, stripped; empty where nothing was."""
    return {name: " ".join(form.get(name, "").split()) if name != "remark" else form.get(name, "").strip()
            for name in FIELDS}  # fmt: skip


def faults_of(draft: Draft) -> dict[str, str]:
    """What is wrong with what was entered, by field. A record of any outcome may be filed; not any be accepted."""
    entered = draft.entered
    faults = {
        name: f"{len(text)} characters; at most {LONGEST} are kept"
        for name, text in entered.items()
        if len(text) > LONGEST
    }
    for channel in CHANNELS:
        name = f"{channel}_due"
        if entered[name] and not _is_date(entered[name]):
            faults[name] = f"{entered[name][:24]!r} is no date as 2027-03-31"
    if entered["load_state"] not in LOAD_STATES:
        faults["load_state"] = "say in which load state it was done"
    if not entered["technician"]:
        faults["technician"] = "say who carried it out"
    if entered["decision"] not in ("accepted", "not-accepted"):
        faults["decision"] = "say whether it is accepted"
    elif entered["decision"] == "accepted":
        why = why_not_accepted(draft) or _without_pressure(draft)
        if why:
            faults["decision"] = why
    return faults


def _is_date(text: str) -> bool:
    try:
        date.fromisoformat(text)
    except ValueError:
        return False
    return len(text) == 10


def why_not_accepted(draft: Draft) -> str:
    """Why the valve as it was left cannot be accepted, whatever is entered; empty where it can."""
    last = draft.last
    if last.outcome is Outcome.NOT_AS_LEFT:
        return "it cannot be accepted: something is out of tolerance as it was left"
    if last.missing:
        return f"it cannot be accepted, because it is not complete. {last.missing[0]}"
    return ""


def _without_pressure(draft: Draft) -> str:
    """That what is entered speaks against accepting; empty where it does not."""
    pressures = {q.id for q in draft.last.judgement.quantities} & {"pressure_at_zero", "pressure_at_full"}
    if draft.entered["load_state"] == "none" and draft.sheet.controls == "pressure" and pressures:
        return "it cannot be accepted in full: pressures are in the sheet, and the load state says there were none"
    return ""


def overdue(due: Mapping[str, str], made_on: str) -> list[str]:
    """Channels whose calibration was due before a record was made: "pressure, due 2026-01-31".

    `due`: by channel, ISO dates or empty; `made_on`: ISO date.
    """
    return [f"{channel}, due {at}" for channel, at in due.items() if at and at < made_on]


def known_of(sheet: Sheet, shown: Pressures) -> dict[str, str]:
    """What the sheet knows of the instruments, for the form: range and uncertainty of each channel."""
    units = {"command": sheet.signal.unit, "current": "A", "pressure": shown.unit}
    out = {}
    for channel, unit in units.items():
        one = sheet.instruments.get(channel)
        if one is None:
            continue
        low, high, unsure = (
            shown.pressure(value) if channel == "pressure" and value is not None else value
            for value in (one.range_low, one.range_high, one.expanded_uncertainty)
        )
        if low is not None and high is not None:
            out[f"{channel}_range"] = f"{low:g} to {high:g} {unit}"
        if unsure is not None:
            out[f"{channel}_uncertainty"] = f"{unsure:.3g} {unit}"
    return out


def record_body(
    draft: Draft, *, made_ns: int, who: str, version: str, zone: str, readings: Sequence[Mapping[str, str]] = ()
) -> str:
    """The record as JSON text, keys sorted, as it is filed and hashed.

    `readings`: where they are files and not in a store, name and SHA-256 of each.
    """
    entered = draft.entered
    unseen = [
        {"id": q.id, "reason": q.reason} for q in draft.last.judgement.quantities if q.verdict.value == "not-observed"
    ]
    body: dict[str, Any] = {
        "schema": SCHEMA,
        "valve": draft.sheet.valve,
        "press": draft.sheet.press,
        "name": draft.sheet.name,
        "made_at": iso(made_ns / 1e9),
        "filed_by": who,
        "zone": zone,
        "software": {"asleft": version, "judge": JUDGE_VERSION},
        "sheet": {
            "revision": draft.sheet_record.number,
            "by": draft.sheet_record.by,
            "why": draft.sheet_record.why,
            "sha256": hashlib.sha256(draft.sheet_record.toml.encode()).hexdigest(),
        },
        "plate": {name: entered[name] for name in PLATE},
        "instruments": {channel: {part: entered[f"{channel}_{part}"] for part in INSTRUMENT} for channel in CHANNELS},
        "load_state": entered["load_state"],
        "oil": entered["oil"],
        "as_found": check_json(draft.found),
        "as_left": None if draft.left is None else check_json(draft.left),
        "not_observed": unseen,
        "decision_rule": DECISION_RULE,
        "decision": entered["decision"],
        "technician": entered["technician"],
        "witness": entered["witness"],
        "remark": entered["remark"],
        "statement": NO_VALIDATION,
    }
    if readings:
        body["readings"] = list(readings)
    return json.dumps(body, sort_keys=True, indent=1, ensure_ascii=False, allow_nan=False)


# What a person enters for a verification record from files: a small TOML beside the sheet, written for them once.

_WORDS: Mapping[str, str] = {
    "valve_plate": "type and serial number on the valve",
    "coil_plate": "of the coil: voltage, resistance, current",
    "driver_type": "type of the driver",
    "driver_serial": "serial number of the driver",
    "dialled": "settings as dialled at the driver, in its own words",
    "id": "number of the instrument",
    "range": "what it can show",
    "due": "when its calibration is due, as 2027-03-31",
    "uncertainty": "of its calibration, for 95 %",
    "oil": "oil and its temperature",
    "technician": "who carried it out; needed",
    "witness": "who saw it, if anyone",
    "remark": "",
}
_DECISIONS = ("accepted", "not-accepted")


def blank_text(sheet: Sheet) -> str:
    """The file to fill in, with what the sheet knows of the instruments."""
    known = known_of(sheet, BAR)
    lines = [
        f"# For verification records of {sheet.label}: fill in what is known; nothing is made up in its place.",
        "",
    ]
    lines += ["[plate]", *(_line(name, name, {}) for name in PLATE), ""]
    for channel in CHANNELS:
        lines += [f"[instrument.{channel}]", *(_line(part, f"{channel}_{part}", known) for part in INSTRUMENT), ""]
    states = "; ".join(f"{toml_value(state)}: {words}" for state, words in LOAD_STATES.items())
    lines += [
        "[record]",
        "number = 1    # of the record, as your files count",
        'load_state = ""    # needed; one of the next',
        f"#   {states}",
        *(_line(name, name, {}) for name in ("oil", "technician", "witness", "remark")),
        'decision = ""    # needed: "accepted" or "not-accepted"',
    ]
    return "\n".join(lines) + "\n"


def _line(key: str, field: str, known: Mapping[str, str]) -> str:
    words = _WORDS[key]
    return f"{key} = {toml_value(known.get(field, ''))}{f'    # {words}' if words else ''}"


def read_entered(text: str, source: str) -> tuple[int, dict[str, str]]:
    """The number of the record, and what was entered, by field of `views.record.FIELDS`; empty where nothing was.

    Raises:
        SettingsError: the file has faults; all of them are named.
    """
    top = Section.of_text(text, source)
    out = dict.fromkeys(FIELDS, "")
    plate = top.section("plate")
    for name in PLATE:
        out[name] = plate.text(name) or ""
    plate.close()
    instruments = top.section("instrument")
    for channel in CHANNELS:
        one = instruments.section(channel)
        for part in INSTRUMENT:
            out[f"{channel}_{part}"] = one.text(part) or ""
        one.close()
    instruments.close()
    record = top.section("record")
    number = record.integer("number", 1, 1_000_000) or 1
    for name in ("oil", "technician", "witness", "remark"):
        out[name] = record.text(name) or ""
    for name, words in (("load_state", tuple(LOAD_STATES)), ("decision", _DECISIONS)):
        out[name] = record.word(name, (*words, "")) or ""
    record.close()
    top.finish()
    return number, out


def key_of(field: str) -> str:
    """The key of the file that holds a field, for messages."""
    if field in PLATE:
        return f"plate.{field}"
    channel, _, part = field.partition("_")
    return f"instrument.{channel}.{part}" if channel in CHANNELS else f"record.{field}"


# A verification record on paper: what was found, what was left, by whom, with what, and what was not seen.

Json = Mapping[str, Any]

_PLATE_WORDS: Mapping[str, str] = {
    "valve_plate": "valve plate", "coil_plate": "coil plate", "driver_type": "driver type",
    "driver_serial": "driver serial number", "dialled": "settings as dialled",
}  # fmt: skip


def title_of(body: Json, number: int) -> str:
    """What the record is called."""
    name = " ".join(part for part in (body["press"], body["name"]) if part) or body["valve"]
    return f"Verification record {number} of {name}"


def contents(record: VerificationRecord, sheet: Sheet, time: PlantTime, shown: Pressures, *, folds: bool) -> Markup:
    """All of the record but its frame. `sheet`: the revision it was judged by."""
    body = json.loads(record.body)
    made_ns = parse_iso_ns(body["made_at"]) or record.at_ns
    decided = "Accepted as left." if record.accepted else "Not accepted."
    late = overdue({channel: one["due"] for channel, one in body["instruments"].items()}, body["made_at"][:10])
    if late:
        decided = f"{decided[:-1]}, with calibration overdue: {'; '.join(late)}."
    last = body["as_left"] or body["as_found"]
    return filled(
        "verification/paper.html",
        title=title_of(body, record.number),
        decided=decided,
        body=body,
        sentence=checked.sentence(last),
        filed=f"Filed {time.full(made_ns)} ({time.name}) by {body['filed_by'].rstrip('.')}.",
        plate=_plate(body),
        found=_part(body["as_found"], sheet, time, shown, folds=folds, of="as found" if body["as_left"] else ""),
        left=_part(body["as_left"], sheet, time, shown, folds=folds, of="as left") if body["as_left"] else "",
        unseen=[(LABELS[one["id"]], one["reason"]) for one in body["not_observed"]],
        instruments=_instruments(body),
        load_state=LOAD_STATES.get(body["load_state"], body["load_state"]),
        rate=_rate(last),
        digest=record.digest,
    )


def _part(check: Json, sheet: Sheet, time: PlantTime, shown: Pressures, *, folds: bool, of: str) -> Markup:
    done = checked.done_list(check)
    return done + checked.body(check, sheet, time, shown, folds=folds, of=of)


def record_report(
    record: VerificationRecord, sheet: Sheet, time: PlantTime, shown: Pressures = BAR, *, size: str = "a4"
) -> str:
    """The whole document, for reading, printing and keeping. `size`: of its pages, "a4" or "letter"."""
    body = json.loads(record.body)
    foot = (
        f"{body['valve']} · record {record.number} · sheet {record.sheet_number} · asleft "
        f"{body['software']['asleft']} · {record.digest[:12]}"
    )
    text = contents(record, sheet, time, shown, folds=False)
    return paper(title_of(body, record.number), foot, styled(text), size=size)


def _rate(check: Json) -> str:
    sweep = check["sweep"]
    if sweep is None:
        return "no sweep"
    return f"{sweep['up_pct_s']:.1f} % of command a second up, {sweep['down_pct_s']:.1f} % down"


def _plate(body: Json) -> list[list[str]]:
    entered = [[words, body["plate"][name]] for name, words in _PLATE_WORDS.items()]
    return [["valve", body["valve"]], *(row for row in entered if row[1])]


def _instruments(body: Json) -> list[list[str]]:
    made_on = body["made_at"][:10]
    rows: list[list[str]] = []
    for channel, one in body["instruments"].items():
        if not any(one.values()):
            continue
        overdue = one["due"] and one["due"] < made_on
        due = f"{one['due']}, overdue" if overdue else one["due"] or "not entered"
        rows.append([channel, one["id"] or "not entered", one["range"] or "–", due, one["uncertainty"] or "–"])
    return rows
