"""What is said of a broker that ends a connection without a reason: what to look at."""

from __future__ import annotations

import ssl

import pytest
from asleft.wire.broker_words import lost_words, nobody_words, too_large_words, unreachable_words


@pytest.mark.parametrize(
    ("tls", "certificate", "welcomed", "look_at"),
    [
        (False, False, False, "port for TLS"),
        (True, True, False, "revoked, ended"),
        (True, False, False, "want a certificate"),
        (True, True, True, "another recorder has our name or certificate"),
    ],
)
def test_no_reason_says_what_to_look_at(tls: bool, certificate: bool, welcomed: bool, look_at: str) -> None:
    said = lost_words("Unspecified error", tls=tls, certificate=certificate, welcomed=welcomed, client="recorder")
    assert said.startswith("Unspecified error: ")
    assert look_at in said


def test_a_reason_stays_and_a_session_taken_over_names_the_cause() -> None:
    def say(reason: str) -> str:
        return lost_words(reason, tls=True, certificate=True, welcomed=True, client="agent")

    assert say("Server shutting down") == "Server shutting down"
    assert "another agent came with our name" in say("Session taken over")


def test_a_message_that_is_too_large_for_the_broker_is_named_with_its_size() -> None:
    def say(reason: str, bytes_: int) -> str:
        return lost_words(reason, tls=True, certificate=True, welcomed=True, client="agent", bytes_=bytes_)

    assert "the largest message sent had 7012 bytes" in say("Packet too large", 7012)
    assert "limit on the size of messages is below the 7012 bytes" in say("Unspecified error", 7012)
    assert "size of messages" not in say("Unspecified error", 90)
    said = nobody_words("hall-2", connected=True, unheard=False, too_large=too_large_words(7012, 2000))
    assert said.startswith("a block needs a packet of 7012 bytes, the broker takes at most 2000")
    assert say("Unspecified error", 7012) in nobody_words(
        "hall-2", connected=False, unheard=False, lost=say("Unspecified error", 7012)
    )


def test_a_broker_without_retained_messages_is_said_to_be_none_for_us() -> None:
    said = lost_words("Retain not supported", tls=False, certificate=False, welcomed=True, client="agent")
    assert "keeps no retained messages" in said


def test_a_broker_that_cannot_be_reached() -> None:
    assert unreachable_words(ConnectionRefusedError(111, "Connection refused")) == "no broker answers"
    assert "port for TLS" in unreachable_words(ssl.SSLError(1, "wrong version number"))
    assert unreachable_words(TimeoutError("timed out")) == "no broker answers (timed out)"


@pytest.mark.parametrize(
    ("agent", "connected", "unheard", "look_at"),
    [
        ("hall-2", False, False, "no connection to the broker"),
        ("hall.2", True, False, "rename the agent"),
        ("hall-2", True, True, "nobody listens to asleft/1/block/hall-2"),
        ("hall-2", True, False, "is the recorder running"),
    ],
)
def test_messages_that_arrive_nowhere_have_a_likely_cause(
    agent: str, connected: bool, unheard: bool, look_at: str
) -> None:
    assert look_at in nobody_words(agent, connected=connected, unheard=unheard)
