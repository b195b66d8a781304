"""What is answered, as values: one type a form, from which the published document is made as well.

Numbers are in the stored units, whatever a reader of the pages has chosen. Times are ISO 8601 in UTC. What is not
known is null.
"""

from __future__ import annotations

from typing import Annotated, Generic, TypeVar

import msgspec
from msgspec import Meta, Struct

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
