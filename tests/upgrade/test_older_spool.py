"""An older spool that is put back: what it numbers next was numbered before, and nothing new may be lost by that."""

from __future__ import annotations

import shutil
import stat
from types import SimpleNamespace

import numpy as np
import pytest
from asleft.edge.delivery_core import DeliveryCore
from asleft.edge.spool import Spool
from asleft.recorder.batch import Message
from asleft.wire.block import Block
from asleft.wire.codec import decode_upload, encode_ack
from asleft.wire.topics import block_topic

SIZE = 16 << 20


def opened(file, writing) -> Spool:
    return Spool(file, writing.AGENT, SIZE, 1 << 20)


def blocks(spool: Spool) -> list[Block]:
    items = spool.items(spool.acknowledged + 1, spool.highest_seq, 1000)
    return [decode_upload(item.payload) for item in items]


def times_s(found, writing) -> list[int]:
    return [(block.wall_ns - writing.T0) // writing.S for block in found]


@pytest.fixture
def older(tmp_path, writing):
    """A copy of a spool of ten blocks, made before twenty more were written and acknowledged."""
    file = tmp_path / "spool.db"
    spool = opened(file, writing)
    spool.append([writing.block(seq, "") for seq in range(1, 11)])
    spool.acknowledge(8)
    spool.close()
    shutil.copy(file, tmp_path / "copy.db")
    spool = opened(file, writing)
    stream = spool.stream
    spool.append([writing.block(seq, "") for seq in range(11, 31)])
    spool.close()
    return file, tmp_path / "copy.db", stream


@pytest.mark.parametrize("offline", [5, 60], ids=["a few", "more than were lost"])
def test_the_recorder_tells_and_nothing_new_is_lost(tmp_path, older, writing, plants, offline):
    """New blocks would come under numbers that the recorder has long stored, and be dropped as sent twice."""
    _, copied, stream = older
    now_ns = writing.T0 + 4000 * writing.S
    plant = plants(tmp_path / "data", None, 1, now_ns)
    plant.samples.commit([writing.block(seq, stream) for seq in range(1, 31)], [], 1)
    plant.core.replaced()  # as a start of the recorder reads its marks
    plant.core.connected(1.0)
    spool = opened(copied, writing)
    sent: list[bytes] = []

    class Session:
        in_flight = 0

        def send_upload(self, payload):
            sent.append(payload)

    delivery = DeliveryCore(spool, lambda: 0.5, 0.0, begin_anew=spool.begin_anew)
    spool.append([writing.block(seq, "") for seq in range(31, 31 + offline)])  # before there is a connection
    delivery.connected(0.0)
    for ack in plant.acks():
        delivery.take(encode_ack(ack), 0.5)
    assert spool.stream != stream
    while delivery.send(Session(), 1.0):
        pass
    plant.take([Message(plant.core.acks.generation, 0, block_topic(writing.AGENT), payload) for payload in sent])
    stored = plant.samples.samples(writing.VALVE, 0, 2**62)
    seconds = sorted({int(t) for t in np.unique((stored.time_ns - writing.T0) // writing.S)})
    assert seconds == list(range(30 + offline))  # all that was ever read
    spool.close()


def test_gaps_and_spoilt_blocks_go_along(tmp_path, writing):
    spool = opened(tmp_path / "spool.db", writing)
    spool.append([writing.block(seq, "") for seq in range(1, 6)])
    spool.append([writing.block(seq, "") for seq in range(8, 11)], 2)
    spool._db.execute("UPDATE block SET payload = x'ff00' WHERE seq = 9")
    spool.acknowledge(3)
    spool.begin_anew()
    found = blocks(spool)
    assert [type(one).__name__ for one in found] == ["Block", "Block", "Gap", "Block", "Gap", "Block"]
    assert [getattr(one, "seq", None) or (one.first, one.last) for one in found] == [1, 2, (3, 4), 5, (6, 6), 7]
    spool.append([writing.block(11, "")])
    assert spool.highest_seq == 8
    spool.close()
    again = opened(tmp_path / "spool.db", writing)
    assert (again.highest_seq, again.acknowledged, len(blocks(again))) == (8, 0, 7)
    again.close()


def test_a_spool_damaged_in_use_is_set_aside_and_the_next_blocks_are_kept(tmp_path, writing):
    """Here as for the recorder's own file: without that every block would be lost until somebody starts the agent."""
    file = tmp_path / "spool.db"
    spool = opened(file, writing)
    spool.append([writing.block(seq, "") for seq in range(1, 41)])
    before = spool.stream
    sent: list[bytes] = []
    session = SimpleNamespace(in_flight=0, send_upload=sent.append)
    delivery = DeliveryCore(spool, lambda: 0.5, 0.0, begin_anew=spool.begin_anew)
    delivery.connected(0.0)
    delivery.send(session, 0.0)
    spool._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    with file.open("r+b") as raw:
        raw.seek(4096)
        raw.write(b"\xa5" * (file.stat().st_size - 4096))
    spool._db.execute("PRAGMA shrink_memory")  # what the cache holds is not read again
    assert spool.append([writing.block(41, "")]) == 1
    assert spool.stream != before
    assert spool.set_aside is not None
    assert spool.set_aside.exists()
    sent.clear()
    while delivery.send(session, 1.0):
        pass
    assert [(block.stream, block.seq) for block in map(decode_upload, sent)] == [(spool.stream, 1)]
    assert times_s(map(decode_upload, sent), writing) == [40]
    assert spool.items(30, 40, 50) == []  # numbers of the file before: no gap is made of them
    spool.close()


def test_a_spool_is_no_business_of_others(tmp_path, writing):
    (tmp_path / "spool.db").touch(mode=0o644)
    spool = opened(tmp_path / "spool.db", writing)
    spool.append([writing.block(1, "")])
    for name in ("spool.db", "spool.db-wal"):
        assert stat.S_IMODE((tmp_path / name).stat().st_mode) & 0o007 == 0, name
    spool.close()
