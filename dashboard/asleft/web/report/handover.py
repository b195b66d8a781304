"""The hand-over pack of a press: every valve's sheet and record in one document behind a list of contents."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass

from asleft.sheet.model import Sheet
from asleft.sheet.names import LABELS, format_quantity, format_tolerance
from asleft.web.markup import Child, Markup, el, join
from asleft.web.paper import bound, paper
from asleft.web.templates import table
from asleft.web.when import PlantTime
from asleft.web.words_check import BEFORE_COMMAND, NO_VALIDATION


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
    rows: list[list[Child]] = [[part.sheet.label, part.sheet.valve, part.outcome] for part in parts]
    front = join(
        el("h1", title),
        el("p", f"Made {made}. {NO_VALIDATION}", class_="sub"),
        table("Valves", ["valve", "id", "outcome"], rows),
        el("div", el("h2", "Before anyone commands or touches the press"),
           el("ul", *(el("li", words) for words in BEFORE_COMMAND)), class_="cautions"),
    )  # fmt: skip
    documents: list[tuple[str, str]] = []
    for part in parts:
        name = part.sheet.label
        documents.append((f"{name}: settings sheet", _sheet_page(part, version, size)))
        documents.append((f"{name}: {'verification record' if part.is_record else 'as found'}", part.document))
    return bound(title, f"{title} · asleft {version} · made {made}", front, documents, size=size)


def _sheet_page(part: Part, version: str, size: str) -> str:
    sheet, revision = part.sheet, part.sheet.revision
    signal = sheet.signal
    since = "" if revision.at is None else f", in force since {revision.at:%Y-%m-%d %H:%M} UTC"
    by, why = (f", by {revision.by}" if revision.by else "", f": {revision.why}" if revision.why else "")
    rows: list[list[Child]] = [
        [LABELS[quantity], format_quantity(quantity, value), format_tolerance(sheet.tolerance[quantity])]
        for quantity, value in sheet.as_left.items()
    ]
    body: Markup = join(
        el("h1", f"Settings sheet of {sheet.label}"),
        el("p", f"Revision {revision.number}{since}{by}{why}."),
        el("p", f"Command {signal.at_zero:g} to {signal.at_full:g} {signal.unit}, {signal.made_by.value}; the valve "
           f"controls {sheet.controls}."),
        table("As left", ["setting", "as left", "tolerance"], rows, numeric=[1, 2]),
        el("p", f"SHA-256 of its file: {hashlib.sha256(part.sheet_text.encode()).hexdigest()}.", class_="sub"),
    )  # fmt: skip
    foot = f"{sheet.valve} · sheet {revision.number} · asleft {version}"
    return paper(f"Settings sheet of {sheet.label}", foot, body, size=size)
