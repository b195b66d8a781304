"""A recorder proves to itself that the broker delivers to it, before it takes agents."""

from __future__ import annotations

import time

import pytest
from asleft.recorder.broker_link import BrokerAccess, BrokerLink
from asleft.recorder.hearing import EVERY_S, LASTS_S, SAY_AFTER_S, Hearing, name_at_broker
from asleft.wire.topics import ALL_BLOCKS, ALL_STATES, is_own_topic, own_topics, parse_topic


class Link:
    """A broker that delivers what it is told to, on the kinds of topics that it lets us hear."""

    def __init__(self):
        self.connected, self.reconnects = True, 1
        self.kinds, self.listened, self.said = {"block", "state", "ack"}, [], 0
        self.hearing = None

    def listen(self, topic):
        self.listened.append(topic)

    def say(self, topic, payload):
        self.said += 1
        if topic.split("/")[2] in self.kinds:
            self.hearing.heard(topic, payload)


@pytest.fixture
def rig():
    class Rig:
        now_s = 0.0

        def __init__(self):
            self.link = Link()
            self.hearing = self.link.hearing = Hearing(self.link, "RECORDER", lambda: self.now_s)

        def wait(self, seconds):
            for _ in range(round(seconds / 0.5)):
                self.now_s += 0.5
                self.hearing.maintain()

    return Rig()


def test_what_comes_back_is_proof_until_the_connection_ends(rig):
    assert not rig.hearing.proved()
    rig.wait(0.5)
    assert rig.hearing.proved()
    rig.wait(10 * LASTS_S)
    assert rig.hearing.proved()
    assert rig.link.said == 3 * (1 + round(10 * LASTS_S / EVERY_S))
    rig.link.connected = False
    assert not rig.hearing.proved()
    rig.link.connected, rig.link.reconnects, rig.link.kinds = True, 2, set()
    assert not rig.hearing.proved()
    rig.wait(1.0)
    assert not rig.hearing.proved()


@pytest.mark.parametrize(
    ("kinds", "words"),
    [
        (set(), "deliver blocks and our own acknowledgements and agents' words about themselves to RECORDER"),
        ({"state", "block"}, "deliver our own acknowledgements to RECORDER"),
        ({"state", "ack"}, "deliver blocks to RECORDER"),
    ],
)
def test_what_does_not_come_back_is_named_with_the_lines_that_are_wanted(rig, kinds, words):
    rig.link.kinds = kinds
    rig.wait(SAY_AFTER_S - 0.5)
    assert rig.hearing.trouble() == ""
    rig.wait(1.0)
    assert not rig.hearing.proved()
    assert words in rig.hearing.trouble()
    assert "write asleft/1/ack/+" in rig.hearing.trouble()
    rig.link.kinds = {"state", "block", "ack"}
    rig.wait(1.0)
    assert rig.hearing.proved()
    assert rig.hearing.trouble() == ""


def test_lines_taken_out_of_the_access_list_are_noticed(rig):
    rig.wait(5.0)
    rig.link.kinds = {"state", "ack"}
    rig.wait(LASTS_S + EVERY_S)
    assert not rig.hearing.proved()
    assert rig.hearing.trouble()


def test_anothers_word_is_no_proof(rig):
    rig.link.kinds = set()
    rig.wait(1.0)
    for topic in own_topics("RECORDER").values():
        rig.hearing.heard(topic, b"somebody else's")
    assert not rig.hearing.proved()


def test_no_agent_can_be_called_as_a_recorder_calls_itself():
    for topic in own_topics("RECORDER-2").values():
        assert is_own_topic(topic)
        assert parse_topic(topic) is None
    with pytest.raises(ValueError, match="capital letters"):
        own_topics("hall-1")
    assert name_at_broker("", "asleft-recorder.2") == "R-ASLEFT-RECORDER-2"
    assert name_at_broker("RECORDER", "asleft-recorder") == "RECORDER"


def test_a_name_that_an_agent_may_have_is_not_tried():
    link = Link()
    link.hearing = hearing = Hearing(link, "recorder-of-hall-1", lambda: 0.0)
    hearing.maintain()
    assert (link.said, link.listened) == (0, [])
    assert hearing.proved()


def test_without_a_certificate_the_user_is_who_we_are():
    assert BrokerAccess(username="RECORDER").name() == "RECORDER"
    assert BrokerAccess().name() == ""


@pytest.mark.parametrize("broker", ["mosquitto", "amqtt"])
def test_a_broker_that_asks_nobody_who_he_is_delivers_everything(broker, request, tools):
    server = request.getfixturevalue(broker)
    link = BrokerLink("127.0.0.1", getattr(server, "port", server), "asleft-recorder", [ALL_BLOCKS, ALL_STATES])
    hearing = Hearing(link, name_at_broker("", "asleft-recorder"), time.monotonic)
    link.on_own = hearing.heard
    link.start(Nobody())

    def proved():
        link.maintain()
        hearing.maintain()
        return hearing.proved()

    try:
        tools.until(proved)
    finally:
        link.stop()


class Nobody:
    """Is told nothing of what a recorder says to itself."""

    def connected(self):
        pass

    def disconnected(self):
        pass

    def message(self, topic, payload, packet):
        raise AssertionError(f"{topic} is nobody else's business")
