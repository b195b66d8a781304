from __future__ import annotations

import pytest
from asleft.recorder.health import agent_health, invariant
from asleft.store.protocols import StreamMark
from asleft.wire.block import AgentState
from hypothesis import given
from hypothesis import strategies as st

COUNTS = st.integers(0, 10**6)


def mark(number, declared=0):
    return StreamMark("edge-1", "spool-1", number, declared, 0, 0)


def test_all_stored_and_known():
    found = invariant(10, 10, mark(10))
    assert (found.generated, found.stored, found.declared_gap, found.unacknowledged) == (10, 10, 0, 0)
    assert found.balances
    assert found.on_its_way == 0


def test_some_declared_and_some_still_with_the_agent():
    found = invariant(100, 90, mark(92, declared=5))
    assert (found.stored, found.declared_gap, found.unacknowledged, found.on_its_way) == (87, 5, 8, 2)
    assert found.balances


def test_an_agent_that_believes_in_more_than_is_stored():
    """A recorder restored from an older backup, before it is filled again: blocks nobody may have."""
    found = invariant(100, 90, mark(60))
    assert found.missing == 30
    assert not found.balances
    assert invariant(5, 3, None).missing == 3


def test_the_agents_word_is_older_than_the_mark():
    found = invariant(100, 90, mark(105))
    assert (found.generated, found.stored, found.unacknowledged) == (105, 105, 0)
    assert found.balances


def test_nothing_yet():
    assert invariant(0, 0, None).balances
    assert invariant(7, 0, None).unacknowledged == 7
    with pytest.raises(ValueError, match="-1"):
        invariant(-1, 0, None)


@given(highest=COUNTS, acknowledged=COUNTS, stored_to=COUNTS, declared=COUNTS)
def test_the_sum_always_holds_and_missing_is_exactly_what_the_agent_overrates(
    highest, acknowledged, stored_to, declared
):
    found = invariant(highest, acknowledged, mark(stored_to, min(declared, stored_to)))
    assert found.generated == found.stored + found.declared_gap + found.unacknowledged + found.missing
    assert found.missing == max(0, acknowledged - stored_to)
    assert min(found.stored, found.unacknowledged, found.declared_gap, found.on_its_way) >= 0


def test_an_agents_row():
    state = AgentState("edge-1", False, "spool-1", 100, 90, 77, "0.1", {"spool": "3 MB"})
    row = agent_health(state, 99, [mark(5), StreamMark("edge-2", "spool-1", 9, 0, 0, 0), mark(92, 5)][1:])
    assert (row.source, row.at_ns) == ("agent/edge-1", 99)
    assert row.details["online"] is False
    assert row.details["balances"] is True
    expected = {"highest_seq": 100, "acknowledged": 90, "mark": 92, "stored": 87, "unacknowledged": 8}
    assert expected.items() <= row.details.items()
    assert agent_health(state, 99, []).details["missing"] == 90
