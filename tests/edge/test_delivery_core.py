"""Delivery without I/O: standstill, damaged blocks, round trips, the stamp, a fresh word of the same mark."""

from __future__ import annotations

from dataclasses import dataclass, field

from asleft.edge.delivery_core import STALLED_S, DeliveryCore
from asleft.edge.spool_core import Item
from asleft.edge.uplink_core import PATIENCE_S
from asleft.wire.block import Ack
from asleft.wire.codec import WireError, encode_ack


@dataclass
class Box:
    """A spool of numbers."""

    stream: str = "s"
    highest_seq: int = 5
    acknowledged: int = 0
    damaged: set[int] = field(default_factory=set)
    given_up: list[int] = field(default_factory=list)

    def items(self, first: int, last: int, limit: int) -> list[Item]:
        numbers = range(first, min(last, first + limit - 1) + 1)
        return [Item(seq, seq, b"?" if seq in self.damaged else b"%d" % seq) for seq in numbers]

    def give_up(self, seq: int, why: str) -> Item:
        self.given_up.append(seq)
        self.damaged.discard(seq)
        return Item(seq, seq, b"gap: " + why.encode())

    def acknowledge(self, mark: int) -> None:
        self.acknowledged = mark


@dataclass
class Wire:
    in_flight: int = 0
    sent: list[bytes] = field(default_factory=list)

    def send_upload(self, payload: bytes) -> None:
        self.sent.append(payload)


def decode(payload: bytes) -> object:
    if payload == b"?":
        raise WireError("no upload")
    return payload


def rig(box: Box, **more: object) -> tuple[DeliveryCore, Wire]:
    core = DeliveryCore(box, lambda: 1.0, 0.0, decode=decode, **more)  # type: ignore[arg-type]
    core.connected(0.0)
    return core, Wire()


def ack(mark: int, *, fresh: bool = False) -> bytes:
    return encode_ack(Ack("hall-2", "s", mark, fresh))


def test_blocks_that_wait_too_long_are_an_alarm_until_one_is_acknowledged() -> None:
    core, wire = rig(Box())
    core.send(wire, 0.0)
    assert core.stalled(STALLED_S - 1) == ""
    assert (
        core.stalled(STALLED_S + 1) == f"5 blocks wait, and the recorder has confirmed none for {STALLED_S + 1:.0f} s"
    )
    core.take(ack(2), STALLED_S + 2)
    assert core.stalled(STALLED_S + 3) == ""
    core.take(ack(5), STALLED_S + 4)
    assert core.stalled(10_000.0) == ""


def test_an_idle_time_does_not_count_as_waiting() -> None:
    box = Box()
    core, wire = rig(box)
    core.send(wire, 0.0)
    core.take(ack(5), 0.1)
    core.send(wire, 1000.0)
    box.highest_seq = 6
    core.send(wire, 1000.1)
    assert core.stalled(1001.0) == ""


def test_a_block_that_suffered_on_the_disk_is_found_when_nothing_moves_and_declared() -> None:
    box = Box(damaged={3})
    core, wire = rig(box)
    core.send(wire, 0.0)
    assert wire.sent == [b"1", b"2", b"?", b"4", b"5"]  # not looked at while all goes well
    core.take(ack(2), 0.1)
    core.send(wire, 0.1 + PATIENCE_S)
    assert box.given_up == [3]
    assert wire.sent[5].startswith(b"gap: damaged in the spool")
    assert wire.sent[6:] == [b"4", b"5"]


def test_what_is_sent_echoes_the_last_word_and_its_age() -> None:
    told: list[tuple[int, float]] = []

    def stamp(payload: bytes, echo_ns: int, held_s: float) -> bytes:
        told.append((echo_ns, held_s))
        return payload

    box = Box(highest_seq=1)
    core, wire = rig(box, stamp=stamp)
    core.send(wire, 0.0)
    core.take(encode_ack(Ack("hall-2", "s", 1, False, 777)), 0.25)
    box.highest_seq = 2
    core.send(wire, 1.0)
    core.take(encode_ack(Ack("hall-2", "another-stream", 1, False, 999)), 1.1)
    box.highest_seq = 3
    core.send(wire, 1.5)
    assert told[0][0] == 0
    assert told[1:] == [(777, 0.75), (777, 1.25)]


def test_a_recorder_that_has_come_back_is_not_waited_for_as_long_as_one_that_was_away() -> None:
    core, wire = rig(Box())
    core.send(wire, 0.0)
    now_s = 0.0
    for _ in range(4):  # in vain, with growing patience
        now_s += 10.0
        core.send(wire, now_s)
    core.take(ack(0, fresh=True), now_s + 0.5)
    before = len(wire.sent)
    core.send(wire, now_s + 0.4 + PATIENCE_S)
    assert len(wire.sent) == before
    core.send(wire, now_s + 0.6 + PATIENCE_S)
    assert len(wire.sent) == before + 5
