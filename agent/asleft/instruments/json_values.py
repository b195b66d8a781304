"""Numbers and times out of JSON that somebody else publishes. Pure."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from decimal import Decimal

from asleft.wire.block import Reason

LARGEST_BYTES = 1024 * 1024
"""Bytes of one message at most."""

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_NUMBER = re.compile(r"-?(?:0|[1-9][0-9]*)(?:\.[0-9]+)?(?:[eE][+-]?[0-9]+)?")  # RFC 8259, 6
_EARLIEST_NS = 631_152_000 * 10**9  # 1990
_LATEST_NS = 7_258_118_400 * 10**9  # 2200
_ABSENT = object()

Path = tuple[str, ...]
"""Names and places on the way to a value; () is the whole document."""


class Malformed(ValueError):  # noqa: N818 - reads as what it says
    """A message that cannot be read; the text says why."""


def parse_path(text: str) -> Path:
    """A path as "values.current" or, where names hold dots, as JSON pointer "/values/a.b" (RFC 6901); "": the whole.

    Raises `ValueError` for one with an empty part or a wrong escape.
    """
    if not text:
        return ()
    if not text.startswith("/"):
        parts = text.split(".")
        if "" in parts:
            raise ValueError("has an empty part")
        return tuple(parts)
    if re.search(r"~(?![01])", text):
        raise ValueError("has a ~ that is not ~0 or ~1")
    return tuple(part.replace("~1", "/").replace("~0", "~") for part in text[1:].split("/"))


def parse_document(payload: bytes) -> object:
    """The document; fractions as `Decimal`, so that times keep their microseconds. Raises `Malformed`."""
    if len(payload) > LARGEST_BYTES:
        raise Malformed(f"{len(payload)} bytes, at most {LARGEST_BYTES} are read")
    try:
        return json.loads(payload, parse_float=Decimal)
    except (ValueError, RecursionError) as error:
        raise Malformed(f"not JSON: {error}") from error


def find(document: object, path: Path) -> object:
    """What is at a path; `ABSENT` if there is no such place."""
    for part in path:
        if isinstance(document, dict) and part in document:
            document = document[part]
        elif isinstance(document, list) and part.isascii() and part.isdigit() and int(part) < len(document):
            document = document[int(part)]
        else:
            return _ABSENT
    return document


def is_absent(found: object) -> bool:
    """Whether `find` found no such place."""
    return found is _ABSENT


def number_of(found: object, scale: float, offset: float) -> float | Reason:
    """Offset + scale * number. A flag is 0 or 1; a number in quotes counts; anything else is no number."""
    if isinstance(found, str) and _NUMBER.fullmatch(found.strip()):
        found = float(found)
    if not isinstance(found, bool | int | float | Decimal):
        return Reason.NOT_FINITE
    try:
        number = float(found)
    except OverflowError:
        return Reason.OUT_OF_RANGE
    value = offset + scale * number
    return value if math.isfinite(value) else Reason.NOT_FINITE


def time_of(found: object, form: str) -> int:
    """A time as ns since 1970 UTC. `form` is one of `FORMS`. Raises `Malformed`."""
    at_ns = _FORMS[form](found)
    if not _EARLIEST_NS <= at_ns <= _LATEST_NS:
        raise Malformed(f"time {str(found)[:60]!r} as {form} is not from 1990 to 2200")
    return at_ns


def _iso(found: object) -> int:
    if not isinstance(found, str):
        raise Malformed(f"time {str(found)[:60]!r} is no text, and iso was expected")
    try:
        at = datetime.fromisoformat(found)
    except ValueError as error:
        raise Malformed(f"time {found[:60]!r} is not ISO 8601") from error
    if at.tzinfo is None:
        raise Malformed(f"time {found[:60]!r} has no zone")
    since = at - _EPOCH
    return ((since.days * 86_400 + since.seconds) * 1_000_000 + since.microseconds) * 1000


def _epoch(ns_each: int) -> Callable[[object], int]:
    def read(found: object) -> int:
        if isinstance(found, str) and _NUMBER.fullmatch(found.strip()):
            found = Decimal(found.strip())
        if isinstance(found, bool) or not isinstance(found, int | Decimal) or not Decimal(found).is_finite():
            raise Malformed(f"time {str(found)[:60]!r} is no number, and one since 1970 was expected")
        number = Decimal(found)
        if abs(number) > 10**20:
            raise Malformed(f"time {str(found)[:60]!r} is not from 1990 to 2200")
        return int(number * ns_each)

    return read


_FORMS: Mapping[str, Callable[[object], int]] = {
    "iso": _iso,
    "s": _epoch(10**9),
    "ms": _epoch(10**6),
    "us": _epoch(10**3),
    "ns": _epoch(1),
}
FORMS = tuple(_FORMS)
"""Forms of time: ISO 8601 with its zone, or a number of seconds, ms, us or ns since 1970 UTC."""
