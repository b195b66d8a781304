from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from asleft.edge.delivery import Delivery
from asleft.edge.spool import Spool
from asleft.edge.uplink import SessionLost
from asleft.wire.block import Ack, AgentState, Block, Channel
from asleft.wire.codec import decode_state, decode_upload, encode_ack


def block() -> Block:
    channel = Channel("current", "A", values=np.zeros(3))
    return Block("hall-2", "v", "", 0, "b", 1, 1, None, np.arange(3, dtype=np.int32), (channel,))


class Session:
    """A connection whose other end is the test."""

    def __init__(self, world: World, on_ack: Callable[[bytes], None], will: bytes, mqtt5: bool) -> None:
        self.world = world
        self.on_ack = on_ack
        self.will = decode_state(will)
        self.mqtt5 = mqtt5
        self.uploads: list[int] = []
        self.states: list[AgentState] = []
        self.last: AgentState | None = None
        self.last_taken_s = 0.0
        self.refused = ""
        self.unheard = False
        self.too_large = ""
        self.in_flight = 0

    def open(self) -> None:
        if self.world.refuse_mqtt5 and self.mqtt5:
            raise SessionLost("broker refuses: Unsupported protocol version", speech=True)
        if self.world.refuse:
            raise SessionLost("broker: connection refused")

    def pump(self, timeout_s: float) -> None:
        self.world.now += 0.05
        self.world.step(self)

    def send_upload(self, payload: bytes) -> None:
        upload = decode_upload(payload)
        assert isinstance(upload, Block)
        self.uploads.append(upload.seq)

    def send_state(self, payload: bytes) -> None:
        self.states.append(decode_state(payload))

    def close(self, last_state: bytes | None = None) -> None:
        self.last = decode_state(last_state) if last_state else None


class World:
    def __init__(self, spool: Spool) -> None:
        self.spool = spool
        self.now = 0.0
        self.stop = threading.Event()
        self.sessions: list[Session] = []
        self.refuse_mqtt5 = self.refuse = False
        self.step: Callable[[Session], None] = lambda _session: self.stop.set()
        self.stop.wait = self.waited  # type: ignore[method-assign,assignment]
        self.waits: list[float] = []
        self.delivery = Delivery(spool, self.make, self.state, self.stop, lambda: 1.0, lambda: self.now)

    def waited(self, timeout: float | None = None) -> bool:
        self.waits.append(timeout or 0.0)
        if len(self.waits) > 20:
            self.stop.set()
        return self.stop.is_set()

    def make(self, will: bytes, on_ack: Callable[[bytes], None], *, mqtt5: bool) -> Session:
        self.sessions.append(Session(self, on_ack, will, mqtt5))
        return self.sessions[-1]

    def state(self, online: bool) -> AgentState:
        return AgentState("hall-2", online, self.spool.stream, self.spool.highest_seq, self.spool.acknowledged, 1)

    def ack(self, session: Session, mark: int, *, fresh: bool = False, stream: str = "") -> None:
        session.on_ack(encode_ack(Ack("hall-2", stream or self.spool.stream, mark, fresh)))


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    spool = Spool(tmp_path / "spool.db", "hall-2", 2**20)
    spool.append([block() for _ in range(5)])
    yield World(spool)
    spool.close()


def after(pumps: int, action: Callable[[Session], None]) -> Callable[[Session], None]:
    count = [0]

    def step(session: Session) -> None:
        count[0] += 1
        if count[0] == pumps:
            action(session)

    return step


def test_everything_waiting_is_sent_and_the_state_said(world: World) -> None:
    world.delivery.run()
    (session,) = world.sessions
    assert session.uploads == [1, 2, 3, 4, 5]
    assert (session.will.online, session.states[0].online) == (False, True)
    assert session.last is not None
    assert not session.last.online


def test_the_state_is_said_at_least_every_5_s(world: World) -> None:
    world.step = after(220, lambda _: world.stop.set())  # 11 s
    world.delivery.run()
    assert len(world.sessions[0].states) == 3


def test_an_acknowledgement_moves_the_spools_mark(world: World) -> None:
    def step(session: Session) -> None:
        world.ack(session, 3)
        world.stop.set()

    world.step = step
    world.delivery.run()
    assert world.spool.acknowledged == 3


def test_without_acknowledgement_it_sends_again(world: World) -> None:
    world.step = after(60, lambda _: world.stop.set())  # 3 s
    world.delivery.run()
    assert world.sessions[0].uploads == [1, 2, 3, 4, 5] * 2
    assert world.delivery.go_backs == 1
    assert world.spool.acknowledged == 0


def test_an_acknowledgement_beyond_our_numbers_begins_a_new_stream(world: World) -> None:
    """The spool is an older copy: the recorder would take new blocks under old numbers for old ones sent twice."""
    before = world.spool.stream

    def step(session: Session) -> None:
        if world.spool.stream == before:
            world.ack(session, 2)
            world.ack(session, 6, fresh=True)
        else:
            world.stop.set()

    world.step = step
    world.delivery.run()
    assert world.spool.stream != before
    assert world.sessions[0].uploads == [1, 2, 3, 4, 5, 1, 2, 3]
    assert (world.spool.highest_seq, world.spool.acknowledged) == (3, 0)
    assert world.delivery.alarm == ""


def test_foreign_and_senseless_acknowledgements_are_alarms_and_change_nothing(world: World) -> None:
    told = []

    def step(session: Session) -> None:
        for send in (
            lambda: world.ack(session, 3, stream="another"),
            lambda: session.on_ack(b"\xff\xff"),
        ):
            send()
            told.append(world.delivery.alarm)
        session.on_ack(b"")
        world.stop.set()

    world.step = step
    world.delivery.run()
    assert "foreign" in told[0]
    assert "makes no sense" in told[1]
    assert world.spool.acknowledged == 0


def test_a_lost_connection_is_made_anew_and_sends_from_the_mark(world: World) -> None:
    def first(session: Session) -> None:
        world.ack(session, 2)
        world.step = lambda _: world.stop.set()
        raise SessionLost("gone")

    world.step = first
    world.delivery.run()
    assert [session.uploads for session in world.sessions] == [[1, 2, 3, 4, 5], [3, 4, 5]]
    assert world.delivery.connections == 2


def test_a_program_fault_in_a_connection_does_not_end_delivery(world: World) -> None:
    def first(_session: Session) -> None:
        world.step = lambda _: world.stop.set()
        raise RuntimeError("a bug")

    world.step = first
    world.delivery.run()
    assert len(world.sessions) == 2


def test_a_broker_that_does_not_speak_version_5_is_asked_in_3_1_1(world: World) -> None:
    world.refuse_mqtt5 = True
    world.delivery.run()
    assert [session.mqtt5 for session in world.sessions] == [True, False]
    assert world.sessions[1].uploads == [1, 2, 3, 4, 5]


def test_an_absent_broker_is_tried_with_growing_waits_in_the_same_version(world: World) -> None:
    world.refuse = True
    world.delivery.run()
    assert {session.mqtt5 for session in world.sessions} == {True}
    assert world.waits[:5] == [0.5, 1, 2, 2.5, 2.5]


def test_a_broker_that_takes_nothing_is_given_up(world: World) -> None:
    def step(session: Session) -> None:
        session.in_flight = 3
        if len(world.sessions) == 2:
            world.stop.set()

    world.step = step
    world.delivery.run()
    assert len(world.sessions) == 2
    assert world.now > 30


def test_a_broker_that_denies_blocks_is_an_alarm(world: World) -> None:
    def step(session: Session) -> None:
        session.refused = "Not authorized"
        if world.delivery.alarm:
            world.stop.set()

    world.step = step
    world.delivery.run()
    assert "Not authorized" in world.delivery.alarm


def test_messages_that_nobody_listens_to_are_an_alarm_that_names_where_to_look(world: World) -> None:
    def step(session: Session) -> None:
        session.unheard = True
        if world.delivery.alarm:
            world.stop.set()

    world.step = step
    world.delivery.run()
    assert "nobody listens to asleft/1/block/hall-2: no recorder is connected to this broker" in world.delivery.alarm


def test_blocks_too_large_for_the_broker_are_an_alarm_that_says_so(world: World) -> None:
    def step(session: Session) -> None:
        session.too_large = "a block needs a packet of 7012 bytes, the broker takes at most 2000"
        if world.delivery.alarm:
            world.stop.set()

    world.step = step
    world.delivery.run()
    assert "; a block needs a packet of 7012 bytes, the broker takes at most 2000" in world.delivery.alarm


def test_a_connection_that_does_not_hold_is_an_alarm_with_the_reason_until_one_holds(world: World) -> None:
    def step(_session: Session) -> None:
        if len(world.sessions) < 3:
            world.now += 40.0
            raise SessionLost("the connection ended: Packet too large")
        if world.delivery.alarm and "Packet too large" not in world.delivery.alarm:
            world.stop.set()
        elif world.now - began[0] < 5:
            told.append(world.delivery.alarm)

    told: list[str] = []
    began = [80.0]
    world.step = step
    world.delivery.run()
    assert "the connection to the broker does not hold: the connection ended: Packet too large" in told[-1]
    assert "is the recorder running" in world.delivery.alarm


def test_a_session_that_another_takes_again_and_again_is_a_line_a_minute(
    world: World, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level("INFO")

    def taken(_session: Session) -> None:
        world.now += 5.0
        raise SessionLost("the connection ended: Session taken over")

    world.step = taken
    world.delivery.run()
    assert len(world.sessions) > 20
    said = [record.getMessage() for record in caplog.records]
    assert said[0].startswith("connected to the broker")
    assert 1 <= sum("taken over" in line for line in said) <= 3
    assert len(said) <= 4
    assert max(world.waits) > 2.0  # it waits longer although each time it was let in

    caplog.clear()
    world.waits.clear()
    world.stop.clear()
    world.step = after(220, lambda _: world.stop.set())  # 11 s
    world.delivery.run()
    assert [record.getMessage()[:32] for record in caplog.records] == ["connected to the broker again, w"]
