"""Times that people type in a form, by the plant's clock, as the instants they mean."""

from __future__ import annotations

from datetime import datetime

from asleft.web.stretch import EARLIEST_NS, LATEST_NS, BadStretch
from asleft.web.when import PlantTime


def typed_ns(time: PlantTime, name: str, text: str) -> int:
    """Unix ns of "2026-11-26T12:10[:05]" on the plant's clock; of a doubled hour in autumn the first.

    Raises:
        BadStretch: it is no time, or not from 1970 to 2100; the message names the field.
    """
    try:
        at = datetime.fromisoformat(text.strip())
    except ValueError:
        raise BadStretch(f"{name} = {text[:40]!r}: wanted is a day and a time, as 2026-11-26T12:10.") from None
    if at.tzinfo is None:
        at = at.replace(tzinfo=time.zone)
    at_ns = round(at.timestamp()) * 10**9
    if not EARLIEST_NS <= at_ns <= LATEST_NS:
        raise BadStretch(f"{name} = {text[:40]!r}: wanted is a time from 1970 to 2100.")
    return at_ns


def for_field(time: PlantTime, at_ns: int) -> str:
    """The instant as such a form field holds it, to the second."""
    return f"{time.local(at_ns):%Y-%m-%dT%H:%M:%S}"
