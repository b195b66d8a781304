"""The hand-over pack of a press: every valve's sheet and record in one document behind a list of contents."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass

from asleft.sheet.model import Sheet
from asleft.sheet.names import LABELS, format_quantity, format_tolerance
from asleft.web.paper import bound, paper
from asleft.web.templates import macro
from asleft.web.when import PlantTime
from asleft.web.words_check import NO_VALIDATION


@dataclass(frozen=True, slots=True)
class Part:
    """One valve: its sheet as text and read, the document of its record or report, and what that says in a word."""

    sheet: Sheet
    sheet_text: str
    document: str
    outcome: str
    is_record: bool


def handover(press: str, parts: Sequence[Part], time: PlantTime, made_ns: int, version: str, *, size: str) -> str:
    """The whole pack as one HTML document."""
    title = f"Hand-over of {press}"
    made = f"{time.full(made_ns)}, {time.name}"
    rows = [[part.sheet.label, part.sheet.valve, part.outcome] for part in parts]
    front = macro("report/handover.html", "front", title, made, NO_VALIDATION, rows)
    documents: list[tuple[str, str]] = []
    for part in parts:
        name = part.sheet.label
        documents.append((f"{name}: settings sheet", _sheet_page(part, time, version, size)))
        documents.append((f"{name}: {'verification record' if part.is_record else 'as found'}", part.document))
    return bound(title, f"{title} · asleft {version} · made {made}", front, documents, size=size)


def _sheet_page(part: Part, time: PlantTime, version: str, size: str) -> str:
    sheet, at = part.sheet, part.sheet.revision.at
    since = "" if at is None else f", in force since {time.full(round(at.timestamp()) * 10**9)}, {time.name}"
    rows = [
        [LABELS[quantity], format_quantity(quantity, value), format_tolerance(sheet.tolerance[quantity])]
        for quantity, value in sheet.as_left.items()
    ]
    digest = hashlib.sha256(part.sheet_text.encode()).hexdigest()
    body = macro("report/handover.html", "settings", sheet, since, rows, digest)
    foot = f"{sheet.valve} · sheet {sheet.revision.number} · asleft {version}"
    return paper(f"Settings sheet of {sheet.label}", foot, body, size=size)
