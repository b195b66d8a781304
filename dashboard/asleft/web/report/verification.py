"""A verification record on paper: what was found, what was left, by whom, with what, and what was not seen."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from asleft.sheet.model import Sheet
from asleft.sheet.names import LABELS
from asleft.store.verifications import VerificationRecord
from asleft.web.fragments import checked
from asleft.web.markup import Child, Markup, el, join, table
from asleft.web.report.paper import paper, picture
from asleft.web.units import BAR, Pressures
from asleft.web.when import PlantTime, parse_iso_ns
from asleft.web.words_check import BEFORE_COMMAND, LOAD_STATES

_PLATE_WORDS: Mapping[str, str] = {
    "valve_plate": "valve plate", "coil_plate": "coil plate", "driver_type": "driver type",
    "driver_serial": "driver serial number", "dialled": "settings as dialled",
}  # fmt: skip


def title_of(body: Mapping[str, Any], number: int) -> str:
    """What the record is called."""
    name = " ".join(part for part in (body["press"], body["name"]) if part) or body["valve"]
    return f"Verification record {number} of {name}"


def contents(record: VerificationRecord, sheet: Sheet, time: PlantTime, shown: Pressures, *, folds: bool) -> Markup:
    """All of the record but its frame. `sheet`: the revision it was judged by."""
    body = json.loads(record.body)
    made_ns = parse_iso_ns(body["made_at"]) or record.at_ns
    decided = "Accepted as left." if record.accepted else "Not accepted."
    last = body["as_left"] or body["as_found"]
    return join(
        el("h1", f"{title_of(body, record.number)}: {decided}"),
        el("p", checked.sentence(last)),
        el("p", f"Filed {time.full(made_ns)} ({time.name}) by {body['filed_by']}. {body['statement']}", class_="sub"),
        _plate(body),
        el("h2", "As found, before adjustment" if body["as_left"] else "As found; nothing was adjusted"),
        checked.done_list(body["as_found"]),
        checked.body(body["as_found"], sheet, time, shown, folds=folds, of="as found" if body["as_left"] else ""),
        join(
            el("h2", "As left, after adjustment"),
            checked.done_list(body["as_left"]),
            checked.body(body["as_left"], sheet, time, shown, folds=folds, of="as left"),
        )
        if body["as_left"]
        else None,
        _unseen(body),
        _instruments(body),
        el("h2", "How it was decided"),
        el("p", body["decision_rule"]),
        el("p", f"Load state: {LOAD_STATES.get(body['load_state'], body['load_state'])}. "
           f"Rate: {_rate(last)}." + (f" Oil: {body['oil']}." if body["oil"] else "")),
        el("h2", "Remark") if body["remark"] else None,
        el("p", body["remark"]) if body["remark"] else None,
        el("h2", "What it rests on"),
        el("p", f"Sheet: revision {body['sheet']['revision']}, “{body['sheet']['why']}”, by {body['sheet']['by']}. "
           f"SHA-256 of its file: {body['sheet']['sha256']}."),
        el("p", f"Software: asleft {body['software']['asleft']}, judge {body['software']['judge']}. "
           f"SHA-256 of this record: {record.digest}."),
        el("div", el("h2", "Before anyone commands or touches the press"),
           el("ul", *(el("li", words) for words in BEFORE_COMMAND)), class_="cautions"),
        _signatures(body),
    )  # fmt: skip


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


def styled(text: Markup) -> Markup:
    """Every picture with its style inside it, as paper needs them."""
    head, *rest = str(text).split("<svg")
    out = [head]
    for part in rest:
        svg, tail = part.split("</svg>", 1)
        out.append(str(picture(Markup(f"<svg{svg}</svg>"))) + tail)
    return Markup("".join(out))


def _rate(check: Mapping[str, Any]) -> str:
    sweep = check["sweep"]
    if sweep is None:
        return "no sweep"
    return f"{sweep['up_pct_s']:.1f} % of command a second up, {sweep['down_pct_s']:.1f} % down"


def _plate(body: Mapping[str, Any]) -> Markup:
    rows: list[list[Child]] = [[words, body["plate"][name] or "not entered"] for name, words in _PLATE_WORDS.items()]
    rows.insert(0, ["valve", f"{body['valve']}"])
    return table("The valve and its driver", ["what", "as entered"], rows)


def _unseen(body: Mapping[str, Any]) -> Markup:
    items = [el("li", f"{LABELS[one['id']]}: {one['reason']}") for one in body["not_observed"]]
    return join(el("h2", "Not observed, and why"), el("ul", *items) if items else el("p", "Everything was observed."))


def _instruments(body: Mapping[str, Any]) -> Markup:
    made_on = body["made_at"][:10]
    rows: list[list[Child]] = []
    for channel, one in body["instruments"].items():
        if not any(one.values()):
            continue
        overdue = one["due"] and one["due"] < made_on
        due = f"{one['due']}, overdue" if overdue else one["due"] or "not entered"
        rows.append([channel, one["id"] or "not entered", one["range"] or "–", due, one["uncertainty"] or "–"])
    inner = (
        table("Instruments", ["channel", "id", "range", "calibration due", "uncertainty (95 %)"], rows)
        if rows
        else el("p", "None were entered: uncertainties are those that the sheet gives, or repeatability only.")
    )
    return join(el("h2", "Instruments"), inner)


def _signatures(body: Mapping[str, Any]) -> Markup:
    lines = [("Carried out by", body["technician"]), ("Witnessed by", body["witness"] or "")]
    return el(
        "div",
        *(el("p", f"{words}: {name or ' '}", el("span", "", class_="sign"), " date ", el("span", "", class_="sign"))
          for words, name in lines),
        class_="signatures",
    )  # fmt: skip
