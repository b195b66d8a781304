"""The audit trail, for administrators: its contents and its one callback."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import dash
from asleft.store.audit import AuditEntry, AuditTrail
from asleft.web import ids
from asleft.web.live import LivePage, Renewal
from asleft.web.markup import Markup
from asleft.web.source import Source
from asleft.web.templates import filled
from asleft.web.when import PlantTime
from dash import State, dcc

REFRESH_MS = 5000
_RENEWAL = Renewal(ids.AUDIT_PARTS, ids.AUDIT_TAGS, ids.AUDIT_TIMER)


def before_in(path: str) -> int | None:
    """The line a page of the trail stops before, from its address; None on the first page and at other addresses."""
    head, _, last = path.rstrip("/").rpartition("/")
    return int(last) if head == "/audit" and last.isascii() and last.isdigit() and len(last) <= 18 else None


def page(source: Source, trail: AuditTrail, before: int | None) -> LivePage:
    """The page with its first contents."""
    kept = dcc.Store(id=ids.AUDIT_BEFORE, data=before)
    return _RENEWAL.page("Audit", ids.AUDIT_BODY, "audit", _body(source, trail, before), REFRESH_MS, kept)


def body(view: AuditView) -> Markup:
    """Sentence, table, and the way to older lines."""
    return filled("audit/audit.html", view=view)


def register(app: dash.Dash, source: Source, trail: AuditTrail) -> None:
    """Renewal every five seconds."""
    _RENEWAL.register(
        app,
        lambda before: {ids.AUDIT_BODY: _body(source, trail, before if isinstance(before, int) else None)},
        State(ids.AUDIT_BEFORE, "data"),
    )


def _body(source: Source, trail: AuditTrail, before: int | None) -> Markup:
    return body(audit_view(trail.newest(PER_PAGE + 1, before=before), source.time, before=before))


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
