"""Who is told of what, and when: a small TOML file."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import time
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

from asleft.alarms.classes import AlarmClass
from asleft.sheet.zones import find_zone
from asleft.store.outbox import HOOK
from asleft.wire.settings import Section

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
# overview_at = ["06:00", "14:00", "22:00"]   # at each change of shift, what happened since the one before
"""
_ZONE = 'must be the name of a time zone, as "Europe/Vienna"'
_CLASSES = [one.value for one in AlarmClass]


@dataclass(frozen=True, slots=True)
class Recipient:
    """One place to tell, and what it is told."""

    name: str
    url: str  # a secret: never shown, logged or stored
    classes: frozenset[AlarmClass]
    quiet: tuple[time, time] | None
    digest_at: time
    overview_at: tuple[time, ...] = ()  # when it is told what happened since the time before

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
    """The settings in a file's text. No address to send to is ever part of a message.

    Raises:
        SettingsError: it has faults; each is named with its key, its value and what is wanted.
    """
    top = Section.of_text(text, source)
    known = os.environ if environment is None else environment
    base = (
        top.text("base", check=_is_address, needed="the dashboard's address, as https://presses.plant.example") or ""
    )
    zone = top.text("zone", most=60, check=_is_zone, wanted=_ZONE, needed="the plant's time zone") or "UTC"
    to: list[Recipient] = []
    for entry in top.sections("to"):
        entry.distinct("name", [one.name for one in to])
        to.append(_recipient(entry, known))
    top.finish()
    return NoticeSettings((base or "").rstrip("/"), ZoneInfo(zone), tuple(to))


def _recipient(entry: Section, environment: Mapping[str, str]) -> Recipient:
    name = entry.text("name", most=60, check=_is_name, needed=f'a name of 1 to 60 characters, not beginning "{HOOK}"')
    url = entry.text("url", most=2000, secret=True)
    variable = entry.text("url_from", check=environment.get, wanted="no such environment variable, or it is empty")
    if not url and "url_from" not in entry:
        entry.fault("url_from", "missing: the environment variable with the address to send to")
    overview = _times(entry.raw("overview_at"))
    if "overview_at" in entry and not overview:
        entry.fault("overview_at", 'must be times of the day, as ["06:00", "14:00", "22:00"]')
    which = f"which alarms are told here, some of {', '.join(_CLASSES)}"
    # Who wants the overview alone names no class.
    classes = entry.words("classes", _CLASSES, needed="" if "overview_at" in entry else which)
    quiet = _times(entry.raw("quiet"))
    if "quiet" in entry and (len(quiet) != 2 or quiet[0] == quiet[1]):
        entry.fault("quiet", 'must be two times of the day, as ["22:00", "05:30"]')
    at = _times([entry.raw("at")])
    if "at" in entry and not at:
        entry.fault("at", 'must be a time of the day, as "05:45"')
    entry.close()
    return Recipient(
        name or "",
        environment.get(variable, "") if variable is not None else url or "",
        frozenset(AlarmClass(one) for one in classes or ()),
        (quiet[0], quiet[1]) if len(quiet) == 2 else None,
        at[0] if at else time(6),
        tuple(sorted(set(overview))),
    )


def _times(texts: object) -> list[time]:
    """The times of the day in a list of texts; none where one is no such time."""
    try:
        found = [time.fromisoformat(one) for one in texts] if isinstance(texts, list) else []
    except (TypeError, ValueError):
        return []
    return found if all(one.tzinfo is None for one in found) else []


def _is_address(text: str) -> bool:
    try:
        parts = urlsplit(text)
    except ValueError:
        return False
    return parts.scheme in ("http", "https") and bool(parts.hostname)


def _is_name(text: str) -> bool:
    return bool(text) and not text.lower().startswith(HOOK)


def _is_zone(name: str) -> bool:
    return isinstance(find_zone(name), ZoneInfo)
