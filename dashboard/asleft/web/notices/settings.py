"""Who is told of what, and when: a small TOML file."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import time
from typing import Any
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from asleft.alarms.classes import AlarmClass

SAMPLE = """\
# Who is told of which alarms. Try it with: asleft notify --settings FILE --test
base = "https://presses.plant.example"   # where the dashboard is reached; messages lead there
zone = "Europe/Vienna"                   # the plant's time

[[to]]
name = "on call"
url_from = "ASLEFT_ON_CALL"              # name of the environment variable with the address to send to,
classes = ["now"]                        # as apprise writes it (mailtos://..., json://..., and many more)

[[to]]
name = "workshop"
url_from = "ASLEFT_WORKSHOP"
classes = ["this shift"]
quiet = ["22:00", "05:30"]               # told afterwards; "now" is never held back

[[to]]
name = "morning round"
url_from = "ASLEFT_MORNING"
classes = ["morning digest"]
at = "05:45"                             # once a day, all in one
"""
_KNOWN = frozenset({"name", "url", "url_from", "classes", "quiet", "at"})


class NoticeSettingsError(ValueError):
    """Faults of the file, all of them, one a line. No address to send to is ever part of the message."""


@dataclass(frozen=True, slots=True)
class Recipient:
    """One place to tell, and what it is told."""

    name: str
    url: str  # a secret: never shown, logged or stored
    classes: frozenset[AlarmClass]
    quiet: tuple[time, time] | None
    digest_at: time

    def __repr__(self) -> str:
        """Without the address."""
        return f"Recipient({self.name!r})"


@dataclass(frozen=True, slots=True)
class NoticeSettings:
    """The whole file."""

    base: str
    zone: ZoneInfo
    to: tuple[Recipient, ...]


def read_settings(text: str, *, source: str, environment: Mapping[str, str] | None = None) -> NoticeSettings:
    """The settings in a file's text.

    Raises:
        NoticeSettingsError: it has faults; each is named with its key, its value and what is wanted.
    """
    faults: list[str] = []
    try:
        raw = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise NoticeSettingsError(f"{source}: not TOML: {error}") from error
    faults += [
        f"{source}: {key}: unknown; known are base, zone and [[to]]" for key in raw.keys() - {"base", "zone", "to"}
    ]
    base = raw.get("base", "")
    if not isinstance(base, str) or urlsplit(base).scheme not in ("http", "https"):
        faults.append(
            f"{source}: base = {base!r}: wanted is the dashboard's address, as https://presses.plant.example"
        )
    zone = None
    try:
        zone = ZoneInfo(str(raw.get("zone", "")))
    except (ZoneInfoNotFoundError, ValueError, OSError):
        faults.append(f"{source}: zone = {raw.get('zone', '')!r}: not a time zone of the IANA database")
    entries = raw.get("to", [])
    if not isinstance(entries, list) or not entries:
        faults.append(f"{source}: [[to]]: missing, so nobody would be told")
        entries = []
    known = os.environ if environment is None else environment
    to = [_recipient(entry, f"{source}: [[to]] {k}", known, faults) for k, entry in enumerate(entries, start=1)]
    names = [one.name for one in to if one is not None]
    faults += [
        f"{source}: [[to]] name = {name!r}: there twice" for name in sorted({n for n in names if names.count(n) > 1})
    ]
    if faults or zone is None:
        raise NoticeSettingsError("\n".join(faults))
    return NoticeSettings(base.rstrip("/"), zone, tuple(one for one in to if one is not None))


def _recipient(entry: Any, where: str, environment: Mapping[str, str], faults: list[str]) -> Recipient | None:  # noqa: ANN401
    if not isinstance(entry, dict):
        faults.append(f"{where}: wanted is a table")
        return None
    faults += [f"{where}: {key}: unknown; known are {', '.join(sorted(_KNOWN))}" for key in entry.keys() - _KNOWN]
    name = entry.get("name", "")
    if not isinstance(name, str) or not 0 < len(name) <= 60:
        faults.append(f"{where}: name = {name!r}: wanted is a name of 1 to 60 characters")
        name = ""
    url = entry.get("url", "")
    if "url_from" in entry:
        url = environment.get(str(entry["url_from"]), "")
        if not url:
            faults.append(f"{where}: url_from = {entry['url_from']!r}: no such environment variable, or it is empty")
    elif not url:
        faults.append(f"{where}: url_from (or url): missing, where to send")
    classes = entry.get("classes", [])
    words = [one.value for one in AlarmClass]
    if not isinstance(classes, list) or not classes or any(one not in words for one in classes):
        faults.append(f"{where}: classes = {classes!r}: wanted are some of {words}")
        classes = []
    quiet = entry.get("quiet")
    span = None
    if quiet is not None:
        ends = [_time(one) for one in quiet] if isinstance(quiet, list) and len(quiet) == 2 else []
        if len(ends) != 2 or ends[0] is None or ends[1] is None or ends[0] == ends[1]:
            faults.append(f'{where}: quiet = {quiet!r}: wanted are two times of the day, as ["22:00", "05:30"]')
        else:
            span = (ends[0], ends[1])
    at = _time(entry.get("at", "06:00"))
    if at is None:
        faults.append(f'{where}: at = {entry.get("at")!r}: wanted is a time of the day, as "05:45"')
    return Recipient(
        name, str(url), frozenset(AlarmClass(one) for one in classes), span, at if at is not None else time(6)
    )


def _time(text: object) -> time | None:
    try:
        found = time.fromisoformat(text) if isinstance(text, str) else None
    except ValueError:
        return None
    return found if found is not None and found.tzinfo is None else None
