from __future__ import annotations

import asyncio
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from amqtt.broker import Broker as EmbeddedBroker
from asleft.edge.uplink import BrokerSession, SessionLost
from asleft.instruments.broker import BrokerSettings
from asleft.wire.block import Ack, AgentState
from asleft.wire.codec import encode_ack, encode_state

if TYPE_CHECKING:
    from conftest import Broker

STATE = AgentState("hall-2", True, "s", 0, 0, 1)
WILL = AgentState("hall-2", False, "s", 0, 0, 1)


def settings(port: int, username: str = "", password_file: Path | None = None) -> BrokerSettings:
    return BrokerSettings("127.0.0.1", port, username, password_file, 15)


class Taken(list[bytes]):
    """Acknowledgements' bytes as they come."""


def session(port: int, taken: Taken | None = None, *, mqtt5: bool = True, **more: object) -> BrokerSession:
    given = settings(port, **more)  # type: ignore[arg-type]
    return BrokerSession(
        given, "hall-2", encode_state(WILL), (Taken() if taken is None else taken).append, mqtt5=mqtt5
    )


def pump(one: BrokerSession, until: object, timeout_s: float = 120.0) -> None:
    deadline = time.monotonic() + timeout_s
    while not until():  # type: ignore[operator]
        assert time.monotonic() < deadline, "waited in vain"
        one.pump(0.05)


@pytest.fixture
def embedded() -> Iterator[int]:
    """The embedded broker, which speaks MQTT 3.1.1 only."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
    ready, loop = threading.Event(), asyncio.new_event_loop()
    config = {
        "listeners": {"default": {"type": "tcp", "bind": f"127.0.0.1:{port}"}},
        "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
    }

    async def serve() -> None:
        broker = EmbeddedBroker(config)
        await broker.start()
        ready.set()
        while ready.is_set():
            await asyncio.sleep(0.05)
        with suppress(TimeoutError):  # from Python 3.12 on a server that closes waits for its connections
            await asyncio.wait_for(broker.shutdown(), 3.0)

    thread = threading.Thread(target=loop.run_until_complete, args=(serve(),))
    thread.start()
    assert ready.wait(120)
    yield port
    ready.clear()
    thread.join(120)
    loop.close()


@pytest.mark.parametrize("mqtt5", [True, False])
def test_blocks_go_out_and_acknowledgements_come_in(broker: Broker, mqtt5: bool) -> None:
    taken = Taken()
    one = session(broker.port, taken, mqtt5=mqtt5)
    one.open()
    ack = encode_ack(Ack("hall-2", "s", 1, fresh=True))
    one._client.publish("asleft/1/ack/hall-2", ack, qos=1)
    one.send_upload(b"block")
    assert one.in_flight == 1
    pump(one, lambda: taken and not one.in_flight)
    assert taken == [ack]
    one.close(encode_state(WILL))


def test_the_embedded_broker_refuses_5_and_serves_3_1_1(embedded: int) -> None:
    with pytest.raises(SessionLost) as lost:
        session(embedded, mqtt5=True).open()
    assert lost.value.speech
    one = session(embedded, mqtt5=False)
    one.open()
    one.send_upload(b"block")
    one.send_state(encode_state(STATE))
    pump(one, lambda: not one.in_flight)
    one.close(encode_state(WILL))


def test_a_callback_that_fails_does_not_hurt_the_connection(broker: Broker, caplog: pytest.LogCaptureFixture) -> None:
    def fail(_payload: bytes) -> None:
        raise RuntimeError("a bug")

    one = BrokerSession(settings(broker.port), "hall-2", encode_state(WILL), fail, mqtt5=True)
    one.open()
    one._client.publish("asleft/1/ack/hall-2", b"x", qos=1)
    pump(one, lambda: "could not be handled" in caplog.text)
    one.send_upload(b"block")
    pump(one, lambda: not one.in_flight)
    one.close()


def test_a_killed_broker_is_noticed(broker: Broker) -> None:
    one = session(broker.port)
    one.open()
    broker.kill()
    with pytest.raises(SessionLost):
        pump(one, lambda: False)
    with pytest.raises(SessionLost):
        one.send_upload(b"block")
    one.close(encode_state(WILL))


def test_an_absent_broker_says_where_it_was_looked_for() -> None:
    with pytest.raises(SessionLost, match=r"127\.0\.0\.1:1: ") as lost:
        session(1).open()
    assert not lost.value.speech


def test_a_wrong_password_is_a_refusal_and_the_right_one_is_read_from_its_file(
    strict_broker: Broker, tmp_path: Path
) -> None:
    password = tmp_path / "password"
    password.write_text("wrong\n")
    with pytest.raises(SessionLost, match="refuses: Not authorized") as lost:
        session(strict_broker.port, username="hall-2", password_file=password).open()
    assert not lost.value.speech, "another version of the protocol would not help"
    password.write_text("correct horse\n")
    one = session(strict_broker.port, username="hall-2", password_file=password)
    one.open()
    one.close()
    with pytest.raises(SessionLost, match="password file"):
        session(strict_broker.port, username="hall-2", password_file=tmp_path / "none")


def test_a_broker_that_does_not_pass_blocks_on_is_noticed(strict_broker: Broker, tmp_path: Path) -> None:
    password = tmp_path / "password"
    password.write_text("correct horse")
    one = session(strict_broker.port, username="hall-2", password_file=password)
    one.open()
    one.send_upload(b"block")
    pump(one, lambda: not one.in_flight)
    assert one.refused == "Not authorized"
    one.close()


class SlowBroker:
    """Tells MQTT 5.0's Receive Maximum of 3 and Maximum Packet Size of 3000 (3.2.2.3), and takes nothing at first."""

    WELCOME = bytes([0x20, 11, 0, 0, 8, 0x21, 0, 3, 0x27, *(3000).to_bytes(4, "big")])
    PUBLISH, SUBSCRIBE = 3, 8

    def __init__(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        self.published: list[tuple[int, int]] = []
        """Packet id and bytes of each, as they come."""
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def take(self, packet: int) -> None:
        """Acknowledge one."""
        self._client.sendall(bytes([0x40, 2, *packet.to_bytes(2, "big")]))

    def close(self) -> None:
        self._listener.close()
        self._thread.join()

    def _serve(self) -> None:
        self._client, _ = self._listener.accept()
        with self._client, self._client.makefile("rb") as stream:
            while first := stream.read(1):
                size = shift = 0
                while True:
                    (part,) = stream.read(1)
                    size, shift = size | (part & 127) << shift, shift + 7
                    if part < 128:
                        break
                body = stream.read(size)
                kind = first[0] >> 4
                if kind == 1:
                    self._client.sendall(self.WELCOME)
                elif kind == self.PUBLISH:
                    topic = int.from_bytes(body[:2], "big")
                    self.published.append((int.from_bytes(body[2 + topic : 4 + topic], "big"), size + 3))


@pytest.fixture
def slow_broker() -> Iterator[SlowBroker]:
    made = SlowBroker()
    yield made
    made.close()


def test_no_more_is_under_way_than_the_broker_said_and_nothing_larger(slow_broker: SlowBroker) -> None:
    """MQTT 5.0, 3.3.4 and 3.2.2.3.6: who does otherwise is hung up on."""
    one = session(slow_broker.port)
    one.open()
    for number in range(8):
        one.send_upload(bytes([number]) * 100)
    one.send_upload(bytes(2990))
    for taken in range(8):
        wanted = min(8, taken + 3)
        pump(one, lambda wanted=wanted: len(slow_broker.published) >= wanted)  # type: ignore[misc]
        one.pump(0.05)
        assert len(slow_broker.published) == wanted
        slow_broker.take(slow_broker.published[taken][0])
    pump(one, lambda: one.in_flight == 0)
    assert max(size for _, size in slow_broker.published) < 3000
    assert one.too_large.startswith("a block needs a packet of 3")
    assert "the broker takes at most 3000" in one.too_large
    one.close()
