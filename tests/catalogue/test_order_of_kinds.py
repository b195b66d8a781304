"""The kinds of findings stand in the order in which they are told: a cause before what may be its doing."""

from __future__ import annotations

from asleft.catalogue.finding_kinds import FINDING_KINDS


def test_of_two_kinds_as_serious_the_one_that_may_be_the_cause_of_the_other_is_told_first() -> None:
    places = {kind: place for place, kind in enumerate(FINDING_KINDS)}
    pairs = [
        (cause, kind.id)
        for kind in FINDING_KINDS.values()
        for cause in kind.hangs_under
        if FINDING_KINDS[cause].severity == kind.severity
    ]
    assert len(pairs) > 20
    late = {(cause, doing) for cause, doing in pairs if places[cause] > places[doing]}
    assert late == set()
