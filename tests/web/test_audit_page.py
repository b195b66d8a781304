"""The audit trail as it is shown."""

from __future__ import annotations

import pytest
from asleft.store.actor import Actor
from asleft.store.audit import AuditEntry
from asleft.web.audit import PER_PAGE, audit_view, before_in, body, page

S = 10**9
AT = 1_795_532_527 * S  # 24 Nov 2026 16:02:07 in Madrid


def entry(
    number: int, action: str = "signed in", who: str = "kl", subject: str = "kl", details: str = ""
) -> AuditEntry:
    return AuditEntry(number, AT + number * S, who, "10.0.0.7", action, subject, details)


def test_a_line_says_who_what_when_and_from_where_in_plant_time(source):
    view = audit_view([entry(3, "role changed", "chief", "kl", "viewer to technician")], source.time, before=None)
    line = view.lines[0]
    assert (line.who, line.action, line.subject, line.details) == (
        "chief",
        "role changed",
        "kl",
        "viewer to technician",
    )
    assert line.when == "Tue 24 Nov 2026 16:02:10"
    assert line.address == "10.0.0.7"
    assert view.headline == "Last: chief, role changed, Tue 24 Nov 2026 16:02:10."


def test_a_failed_sign_in_stands_out_in_words_too(source):
    text = body(audit_view([entry(1, "sign-in failed", "", "no account of that name")], source.time, before=None))
    assert '<b class="wrong">could not sign in</b>' in text
    assert "somebody" in text
    assert "no account of that name" in text


def test_nothing_yet_is_said(source):
    view = audit_view([], source.time, before=None)
    assert view.headline == "Nothing has been changed yet."
    assert "<table" not in body(view)


def test_pages_go_on_to_the_end(source, door):
    total = 2 * PER_PAGE + 5
    for number in range(total):
        door.store.audit.add(Actor("kl", "10.0.0.7"), AT + number * S, "signed in", "kl")
    seen: list[int] = []
    before = None
    for expected in (PER_PAGE, PER_PAGE, 5):
        view = audit_view(door.store.audit.newest(PER_PAGE + 1, before=before), source.time, before=before)
        assert len(view.lines) == expected
        assert view.newest is (before is None)
        seen += [line.number for line in view.lines]
        before = view.older
    assert before is None
    assert seen == list(range(total, 0, -1))


def test_the_addresses_of_its_pages():
    assert before_in("/audit") is None
    assert before_in("/audit/") is None
    assert before_in("/audit/120") == 120
    for odd in ("/audit/x", "/audit/-1", "/audit/1e3", "/audit/²", "/audit/" + "9" * 30):
        assert before_in(odd) is None


@pytest.mark.parametrize("field", ["who", "subject", "details"])
def test_what_others_typed_is_shown_as_text(source, door, field):
    hostile = "<img src=x onerror=alert(1)>"
    given = {"who": "kl", "subject": "kl", "details": "", field: hostile}
    door.store.audit.add(Actor(given["who"], "::1"), AT, "signed in", given["subject"], given["details"])
    text = page(source, door.store.audit, None).contents
    assert "<img" not in text
    assert "&lt;img" in text
