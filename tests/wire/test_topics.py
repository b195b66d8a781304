from __future__ import annotations

import pytest
from asleft.wire.topics import ack_topic, block_topic, parse_topic, state_topic, valid_agent, valid_valve
from hypothesis import given
from hypothesis import strategies as st


@pytest.mark.parametrize("text", ["a", "hall-2", "press-4.platen", "4", "a" * 64])
def test_good_ids(text: str) -> None:
    assert valid_agent(text)
    assert valid_valve(text)


@pytest.mark.parametrize("text", ["", "Press", "a b", "a/b", "+", "#", "-a", "a.", "a" * 65, "a\n", "ä", "a_b"])
def test_bad_ids(text: str) -> None:
    assert not valid_agent(text)
    assert not valid_valve(text)
    with pytest.raises(ValueError, match="cannot name an agent"):
        block_topic(text)


def test_topics_both_ways() -> None:
    assert block_topic("hall-2") == "asleft/1/block/hall-2"
    assert ack_topic("hall-2") == "asleft/1/ack/hall-2"
    assert state_topic("hall-2") == "asleft/1/state/hall-2"
    for build in (block_topic, ack_topic, state_topic):
        topic = parse_topic(build("hall-2"))
        assert topic is not None
        assert build("hall-2") == f"asleft/1/{topic.kind}/{topic.agent}"


@given(st.text())
def test_other_topics_are_none_of_ours(text: str) -> None:
    topic = parse_topic(text)
    assert topic is None or text == f"asleft/1/{topic.kind}/{topic.agent}"


@pytest.mark.parametrize("text", ["asleft/1/block/", "asleft/2/block/a", "asleft/1/block/a/b", "asleft/1/other/a"])
def test_near_misses(text: str) -> None:
    assert parse_topic(text) is None
