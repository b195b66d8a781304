"""A verification record: two graded stretches and what a person enters; and whether it may be accepted."""

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
from asleft.store.protocols import SheetRecord
from asleft.web.units import Pressures
from asleft.web.words_check import DECISION_RULE, LOAD_STATES, NO_VALIDATION

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
