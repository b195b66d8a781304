"""What an address may say: one type for each list of choices, read and refused by it, and published from it."""

from __future__ import annotations

import base64
import binascii
import re
from collections.abc import Mapping
from typing import Annotated, Literal, TypeVar

import msgspec
from asleft.web.problem import BadQuestion
from asleft.web.stretch import BadStretch, Stretch, time_in
from msgspec import Meta, Struct
from werkzeug.datastructures import MultiDict

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
