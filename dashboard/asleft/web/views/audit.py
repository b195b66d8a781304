"""The audit trail as people read it: who did what, when and from where."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from asleft.store.audit import AuditEntry
from asleft.web.when import PlantTime

PER_PAGE = 100

#: What is worth a second look; everything else is the ordinary day.
_REMARKABLE: frozenset[str] = frozenset({"sign-in failed"})

ACTION_WORDS: Mapping[str, str] = {"sign-in failed": "could not sign in"}


@dataclass(frozen=True, slots=True)
class AuditLine:
    """One line of the page."""

    number: int
    when: str
    who: str
    action: str
    subject: str
    details: str
    address: str
    remarkable: bool


@dataclass(frozen=True, slots=True)
class AuditView:
    """The whole page. `older` is the number to go on before; None where this is the end."""

    headline: str
    lines: list[AuditLine]
    older: int | None
    newest: bool  # whether this is the first page


def audit_view(entries: Sequence[AuditEntry], time: PlantTime, *, before: int | None) -> AuditView:
    """Of at most `PER_PAGE` + 1 entries, newest first; the one too many tells that there are more."""
    shown = entries[:PER_PAGE]
    lines = [
        AuditLine(
            entry.number,
            time.full(entry.at_ns),
            entry.who or "somebody",
            ACTION_WORDS.get(entry.action, entry.action),
            "" if entry.subject == entry.who else entry.subject,
            entry.details,
            entry.address,
            entry.action in _REMARKABLE,
        )
        for entry in shown
    ]
    more = len(entries) > PER_PAGE
    return AuditView(_headline(shown, time, before), lines, shown[-1].number if more else None, before is None)


def _headline(shown: Sequence[AuditEntry], time: PlantTime, before: int | None) -> str:
    if not shown:
        return "Nothing has been changed yet." if before is None else "Nothing before that."
    last = shown[0]
    if before is not None:
        return f"Changes up to {time.full(last.at_ns)}."
    words = ACTION_WORDS.get(last.action, last.action)
    return f"Last: {last.who or 'somebody'}, {words}, {time.full(last.at_ns)}."
