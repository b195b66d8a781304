"""Which valves of many are shown: read from the address of the page, so that a link restores the view."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from urllib.parse import parse_qs, urlencode

from asleft.catalogue.statuses import STATUS_ORDER, STATUS_WORDS

LONGEST_TEXT = 100

CHANGED, SILENT = "changed", "silent"
#: What stands after `status=` in an address: the statuses, worst first, and two questions across all of them.
CHOICES: Mapping[str, str] = {
    **{status: STATUS_WORDS[status] for status in STATUS_ORDER},
    CHANGED: "changed since yesterday",
    SILENT: "no data now",
}


@dataclass(frozen=True, slots=True)
class Subject:
    """What a filter looks at in a valve."""

    status: str
    press: str
    changed: bool
    silent: bool
    text: str  # everything that is said of it, in lower case


@dataclass(frozen=True, slots=True)
class Filter:
    """The parts of an address that choose valves; empty ones choose all. `fault`: what in it means nothing here."""

    status: str = ""
    press: str = ""
    text: str = ""
    fault: str = ""

    @property
    def active(self) -> bool:
        """Whether anything is chosen."""
        return bool(self.status or self.press or self.text)

    @property
    def words(self) -> str:
        """The choice in words, "out of specification, Press 4, “ramp”"."""
        chosen = (CHOICES.get(self.status, ""), self.press, f"“{self.text}”" if self.text else "")
        return ", ".join(part for part in chosen if part)

    @property
    def href(self) -> str:
        """The address of the page with this choice."""
        query = {"status": self.status, "press": self.press, "q": self.text}
        given = urlencode({key: value for key, value in query.items() if value})
        return f"/?{given}" if given else "/"

    def with_status(self, status: str) -> Filter:
        """The same with another status, or (empty) with any."""
        return replace(self, status=status, fault="")

    def takes(self, subject: Subject) -> bool:
        """Whether a valve is among those chosen. Every word of the text must occur somewhere."""
        if self.press and subject.press != self.press:
            return False
        if not all(word in subject.text for word in self.text.lower().split()):
            return False
        if self.status == CHANGED:
            return subject.changed
        return subject.silent if self.status == SILENT else self.status in ("", subject.status)


def parse_filter(search: str | None) -> Filter:
    """From the part of an address behind the question mark. What is no status is named in `fault`, and left out."""
    given = parse_qs((search or "").lstrip("?"), max_num_fields=20) if (search or "").count("&") < 20 else {}

    def last(name: str) -> str:
        return " ".join(given.get(name, [""])[-1].split())[:LONGEST_TEXT]

    status, fault = last("status"), ""
    if status and status not in CHOICES:
        fault = f"status = “{status}” means nothing here; it is one of {', '.join(CHOICES)}."
        status = ""
    return Filter(status, last("press"), last("q"), fault)


def counts(chosen: Filter, subjects: Sequence[Subject]) -> dict[str, int]:
    """How many valves each status would show, with the rest of the choice as it is; "" counts them all."""
    return {status: sum(map(chosen.with_status(status).takes, subjects)) for status in ("", *CHOICES)}
