"""A verification record on paper: what was found, what was left, by whom, with what, and what was not seen."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from asleft.sheet.model import Sheet
from asleft.sheet.names import LABELS
from asleft.store.verifications import VerificationRecord
from asleft.web import checked
from asleft.web.markup import Markup
from asleft.web.paper import paper, styled
from asleft.web.templates import filled
from asleft.web.units import BAR, Pressures
from asleft.web.verification.record import overdue
from asleft.web.when import PlantTime, parse_iso_ns
from asleft.web.words_check import LOAD_STATES

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
        filed=f"Filed {time.full(made_ns)} ({time.name}) by {body['filed_by']}.",
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
