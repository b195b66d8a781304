"""What is answered and what may be asked, as types, from which the published document is made as well.

Numbers are in the stored units, whatever a reader of the pages has chosen. Times are ISO 8601 in UTC. What is not
known is null.
"""

from __future__ import annotations

import base64
import binascii
import re
from collections.abc import Mapping
from typing import Annotated, Generic, Literal, TypeVar

import msgspec
from asleft.web.access.programs import BadQuestion
from asleft.web.when import BadStretch, Stretch, time_in
from msgspec import Meta, Struct
from werkzeug.datastructures import MultiDict

T = TypeVar("T")

Time = Annotated[str, Meta(extra_json_schema={"format": "date-time"})]


class Form(Struct):
    """Which form an answer has. Within a version fields are only added."""

    name: str
    version: int


class Page(Struct, Generic[T]):
    """Some of many. `next` goes into `cursor` for those that follow; null after the last."""

    schema: Form
    units: dict[str, str]  # of the fields named; others name theirs beside them or have none
    data: list[T]
    next: str | None


class One(Struct, Generic[T]):
    """A single thing."""

    schema: Form
    units: dict[str, str]
    data: T


class Valve(Struct):
    """A valve as the first page lists it: `status` is what is known now, so a silent valve is not good."""

    id: str
    press: str
    name: str
    status: str
    sentence: str
    since: Time | None
    data: str  # live, silent, no data, or not known
    newest_reading: Time | None
    machine_state: str
    judged_until: Time | None
    sheet_revision: int | None


class Quantity(Struct):
    """A setting as left and as found, with uncertainties for 95 %; every figure but the percentage in `unit`."""

    id: str
    unit: str
    as_left: float | None
    as_left_measured: float | None
    as_found: float | None
    expanded_uncertainty: float | None
    change_uncertainty: float | None
    tolerance_below: float | None
    tolerance_above: float | None
    tolerance_used_percent: float | None
    verdict: str  # in, out, undecided, or not-observed
    reason: str
    known_at_least: float | None
    known_at_most: float | None
    trend_per_day: float | None


class Finding(Struct):
    """A judged departure."""

    valve: str
    kind: str
    part: str
    alternatives: list[str]
    onset: Time | None
    severity: int
    evidence: str
    consequence_of: str | None
    judged_until: Time | None


class Judgement(Struct):
    """What was judged last of a valve. `status` and `sentence`: what of it can be said now."""

    valve: str
    status: str
    sentence: str
    data: str
    judged_status: str
    judged_from: Time | None
    judged_until: Time | None
    sheet_revision: int | None
    machine_state: str
    fits_sheet: bool | None
    fit_evidence: str
    quantities: list[Quantity]
    findings: list[Finding]
    remarks: list[str]


class Alarm(Struct):
    """A finding under management. `called`: it has lasted as long as its class asks before anybody is told."""

    alarm: str
    valve: str
    kind: str
    urgency: str
    severity: int
    part: str
    evidence: str
    state: str
    active: bool
    acknowledged: bool
    acknowledged_by: str
    called: bool
    onset: Time
    raised: Time
    escalated: Time | None
    returned: Time | None
    shelved_until: Time | None
    found_to_be: str
    measured_when_gone: str


class Sheet(Struct):
    """A revision of a sheet. `sha256` is of its text in UTF-8."""

    valve: str
    number: int
    in_force_from: Time
    by: str
    why: str
    entered_at: Time
    sha256: str


class SheetText(Sheet):
    """With the text as it was entered."""

    toml: str


class RecordRef(Struct):
    """A verification record that is filed."""

    valve: str
    number: int
    at: Time
    accepted: bool


class Record(RecordRef):
    """With the record itself, which has a form of its own (`verification_record.schema.json`)."""

    by: str
    sheet_number: int
    sha256: str
    record: msgspec.Raw


class Point(Struct):
    """One point of a setting's history, in the unit named; its uncertainty is a standard one, of repeatability."""

    quantity: str
    unit: str
    at: Time
    value: float
    standard_uncertainty: float


class Readings(Struct):
    """Readings by column, all of one length; null where one failed or was not taken."""

    valve: str
    time: list[Time]
    channels: dict[str, list[float | None]]


class ReadingsPage(Struct):
    """Readings; `units` names the unit of each channel, `next` is as in a page."""

    schema: Form
    units: dict[str, str]
    data: Readings
    next: str | None


# What an address may say: one type for each list of choices, read and refused by it, and published from it.

Q = TypeVar("Q", bound=Struct)
C = TypeVar("C")

MOST = 1000
Limit = Annotated[int, Meta(ge=1, le=MOST, description="How many at the most.")]
Cursor = Annotated[str, Meta(max_length=400, description="The answer's `next`, to go on after it.")]
ValveId = Annotated[
    str, Meta(max_length=64, pattern="^[a-z0-9]([a-z0-9.-]*[a-z0-9])?$", description="Of this valve alone.")
]
TimeText = Annotated[
    str,
    Meta(
        max_length=40,
        description="A time as 2026-11-26T10:05:00Z; without a zone it is UTC.",
        extra_json_schema={"format": "date-time"},
    ),
]
Rows = Annotated[int, Meta(ge=1, le=50_000, description="Rows at the most, of JSON.")]


class Nothing(Struct, forbid_unknown_fields=True):
    """Takes no choice."""


class Some(Struct, forbid_unknown_fields=True):
    """Some of many."""

    limit: Limit = 100
    cursor: Cursor = ""


class SomeOfValve(Some):
    """Some of many, or of one valve."""

    valve: ValveId | msgspec.UnsetType = msgspec.UNSET


class SomeAlarms(SomeOfValve):
    """Some alarms."""

    waiting: Annotated[bool, Meta(description="Those alone that nobody has acknowledged.")] = False


class Span(Struct, forbid_unknown_fields=True, rename={"from_": "from"}):
    """A stretch of time, its end not included; without `to` until now."""

    from_: TimeText | msgspec.UnsetType = msgspec.UNSET
    to: TimeText | msgspec.UnsetType = msgspec.UNSET
    format: Annotated[
        Literal["json", "arrow", "parquet"],
        Meta(description="JSON in pages; an Arrow IPC stream or a Parquet file of all."),
    ] = "json"
    cursor: Cursor = ""


class HistorySpan(Span):
    """Of the history of settings."""

    limit: Limit = MOST
    quantity: Annotated[str, Meta(max_length=64, description="Of this setting alone.")] = ""


class ReadingsSpan(Span):
    """Of readings."""

    limit: Rows = 10_000


def read(given: MultiDict[str, str], kind: type[Q]) -> Q:
    """The choices of an address. Raises `BadQuestion` naming the first that cannot be used."""
    known = kind.__struct_encode_fields__
    for name, values in given.lists():
        if name not in known:
            takes = f"it takes {', '.join(known)}" if known else "it takes none"
            raise BadQuestion(name[:40], f"{name[:40]}: no such choice here; {takes}.")
        if len(values) > 1:
            raise BadQuestion(name, f"{name}: given {len(values)} times; once is wanted.")
    try:
        return msgspec.convert(given.to_dict(), kind, strict=False)
    except msgspec.ValidationError as error:
        words, _, place = str(error).partition(" - at ")
        found = re.search(r"\$\.(\w+)", place)
        name = found.group(1) if found else ""
        raise BadQuestion(name, f"{name} = {given.get(name, '')[:40]!r}: {words}.") from error


def stretch(asked: Span, now_ns: int, usual_ns: int, most_s: float) -> Stretch:
    """The stretch asked for. Raises `BadQuestion` for a time that is none, or a stretch that is too long."""
    ends: dict[str, int] = {}
    for name, text in (("from", asked.from_), ("to", asked.to)):
        if isinstance(text, str):
            try:
                ends[name] = time_in(name, text)
            except BadStretch as fault:
                raise BadQuestion(name, str(fault)) from fault
    to_ns = ends.get("to", now_ns)
    from_ns = ends.get("from", to_ns - usual_ns)
    if not from_ns < to_ns:
        raise BadQuestion("from", "from must lie before to.")
    found = Stretch(from_ns, to_ns)
    if found.seconds > most_s:
        raise BadQuestion(
            "from", f"from, to: {found.seconds / 3600:.4g} h; at most {most_s / 3600:.4g} h are given at once."
        )
    return found


def written(key: object) -> str:
    """Where a page ended, as text for an address."""
    return base64.urlsafe_b64encode(msgspec.json.encode(key)).decode().rstrip("=")


def place(cursor: str, kind: type[C]) -> C | None:
    """Where the page before ended; None at the beginning. Raises `BadQuestion` for what no answer has given."""
    if not cursor:
        return None
    try:
        return msgspec.json.decode(base64.b64decode(cursor + "=" * (-len(cursor) % 4), b"-_", True), type=kind)
    except (binascii.Error, ValueError, msgspec.MsgspecError) as error:
        raise BadQuestion("cursor", "cursor: no answer has given this one; begin without it.") from error


def parameters(kind: type[Struct]) -> list[dict[str, object]]:
    """The choices of a type, as OpenAPI has them."""
    (_, components) = msgspec.json.schema_components([kind], ref_template="#/{name}")
    properties: Mapping[str, dict[str, object]] = components[kind.__name__]["properties"]
    out: list[dict[str, object]] = []
    for name, found in properties.items():
        schema = {key: value for key, value in found.items() if key != "description"}
        about = str(found.get("description", ""))
        out.append({"name": name, "in": "query", "required": False, "description": about, "schema": schema})
    return out
