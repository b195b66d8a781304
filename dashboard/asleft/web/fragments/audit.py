"""The audit trail as one piece of HTML."""

from __future__ import annotations

from asleft.web.markup import Child, Markup, el, join, table
from asleft.web.views.audit import AuditView

_HEAD = ["number", "when", "who", "what", "upon", "more", "from"]


def audit_body(view: AuditView) -> Markup:
    """Sentence, table, and the way to older lines."""
    rows: list[list[Child]] = [
        [
            str(line.number),
            line.when,
            line.who,
            el("b", line.action, class_="wrong") if line.remarkable else line.action,
            line.subject,
            line.details,
            line.address,
        ]
        for line in view.lines
    ]
    return join(
        el("h1", view.headline),
        el(
            "p",
            "Every sign-in and every change of accounts and sheets, newest first, in plant time. Lines are added, "
            "never changed: the database refuses it.",
            class_="sub",
        ),
        table("Who did what, when and from where", _HEAD, rows) if rows else None,
        el(
            "p",
            None if view.newest else el("a", "← newest", href="/audit"),
            el("a", "older →", href=f"/audit/{view.older}") if view.older is not None else None,
            class_="paging",
        ),
    )
