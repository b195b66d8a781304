from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from asleft.edge.spool import Spool, SpoolError
from asleft.wire.block import Block, Burst, Channel, Gap
from asleft.wire.codec import decode_upload
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

MB = 1024 * 1024


def block(number: int = 0, *, size: int = 100, burst: bool = False) -> Block:
    return Block(
        agent="hall-2",
        valve="press-4.platen",
        stream="",
        seq=0,
        boot_id="boot",
        wall_ns=number,
        monotonic_ns=number,
        clock_synchronised=None,
        offsets_us=np.arange(size, dtype=np.int32) * 10_000,
        channels=(Channel("current", "A", values=np.random.default_rng(number).normal(size=size)),),
        bursts=(Burst("current", "A", 1, 5000.0, np.zeros(2500), 1),) if burst else (),
    )


@pytest.fixture
def spool(tmp_path: Path) -> Iterator[Spool]:
    made = Spool(tmp_path / "spool.db", "hall-2", 64 * MB)
    yield made
    made.close()


def contents(spool: Spool, first: int = 1) -> list[Block | Gap]:
    out: list[Block | Gap] = []
    while first <= spool.highest_seq:
        items = spool.items(first, spool.highest_seq, 50)
        assert items
        out += [decode_upload(item.payload) for item in items]
        first = items[-1].last + 1
    return out


def spans(spool: Spool, first: int = 1) -> list[tuple[str, int, int]]:
    return [
        ("gap", one.first, one.last) if isinstance(one, Gap) else ("block", one.seq, one.seq)
        for one in contents(spool, first)
    ]


def test_blocks_are_numbered_from_1_and_come_back_in_order(spool: Spool) -> None:
    assert spool.append([block(7), block(8)]) == 2
    assert spool.append([block(9)]) == 3
    found = contents(spool)
    assert [(b.seq, b.wall_ns, b.stream) for b in found if isinstance(b, Block)] == [
        (1, 7, spool.stream),
        (2, 8, spool.stream),
        (3, 9, spool.stream),
    ]


def test_a_crash_loses_nothing_that_was_appended(tmp_path: Path) -> None:
    file = tmp_path / "spool.db"
    spool = Spool(file, "hall-2", 64 * MB)
    spool.append([block(n) for n in range(5)])
    spool.acknowledge(3)
    spool.append([block(5)])
    # A copy of the files as they lie on the disk now is what a killed process leaves behind.
    left = tmp_path / "after-the-crash"
    left.mkdir()
    for part in tmp_path.glob("spool.db*"):
        (left / part.name).write_bytes(part.read_bytes())
    again = Spool(left / "spool.db", "hall-2", 64 * MB)
    assert again.stream == spool.stream
    assert (again.highest_seq, again.acknowledged) == (6, 3)
    assert [entry[1] for entry in spans(again, 4)] == [4, 5, 6]
    assert again.append([block(6)]) == 7
    again.close()
    spool.close()


def test_numbers_are_not_given_twice_even_when_every_row_is_gone(tmp_path: Path) -> None:
    file = tmp_path / "spool.db"
    spool = Spool(file, "hall-2", 64 * MB)
    spool.append([block(n) for n in range(4)])
    spool.acknowledge(4)
    spool.close()
    with sqlite3.connect(file) as db:
        db.execute("DELETE FROM block")
    db.close()
    again = Spool(file, "hall-2", 64 * MB)
    assert again.append([block()]) == 5
    again.close()


def test_a_second_process_and_another_agent_are_refused(tmp_path: Path) -> None:
    spool = Spool(tmp_path / "spool.db", "hall-2", MB)
    with pytest.raises(SpoolError, match="does another agent use it"):
        Spool(tmp_path / "spool.db", "hall-2", MB)
    spool.close()
    with pytest.raises(SpoolError, match="belongs to agent 'hall-2', not to 'hall-3'"):
        Spool(tmp_path / "spool.db", "hall-3", MB)


def test_a_damaged_spool_is_set_aside_and_a_new_stream_begins(tmp_path: Path) -> None:
    file = tmp_path / "spool.db"
    file.write_bytes(b"this is no database" * 500)
    spool = Spool(file, "hall-2", MB)
    assert spool.set_aside is not None
    assert spool.set_aside.read_bytes().startswith(b"this is no database")
    assert spool.append([block()]) == 1
    spool.close()


def test_acknowledged_blocks_stay_until_room_is_needed(tmp_path: Path) -> None:
    spool = Spool(tmp_path / "spool.db", "hall-2", MB)
    spool.append([block(n) for n in range(50)])
    spool.acknowledge(50)
    spool.append([block()])
    assert spans(spool) == [("block", n, n) for n in range(1, 52)]
    for n in range(60):
        spool.append([block(n) for n in range(50)])
        spool.acknowledge(spool.highest_seq - 10)
    counters = spool.counters()
    assert counters.blocks_dropped == 0
    assert counters.bytes_used <= MB
    assert [entry[0] for entry in spans(spool, counters.acknowledged + 1)] == ["block"] * 10
    assert (tmp_path / "spool.db").stat().st_size <= MB + 65536
    spool.close()


def test_a_recorder_restored_from_an_older_backup_gets_a_gap_for_what_was_trimmed(tmp_path: Path) -> None:
    file = tmp_path / "spool.db"
    spool = Spool(file, "hall-2", MB)
    for _ in range(60):
        spool.append([block(n) for n in range(50)])
        spool.acknowledge(spool.highest_seq)
    found = spans(spool, 100)
    assert found[0][:2] == ("gap", 100)
    assert found[0][2] > 1000
    assert found[1:] == [("block", n, n) for n in range(found[0][2] + 1, spool.highest_seq + 1)]
    spool.acknowledge(99)
    spool.append([block()])
    spool.close()
    again = Spool(file, "hall-2", MB)
    assert spans(again, 100)[0] == found[0], "the gap is durable"
    again.close()


def test_a_full_spool_drops_bursts_first_and_then_the_oldest_blocks_as_gaps(tmp_path: Path) -> None:
    spool = Spool(tmp_path / "spool.db", "hall-2", 2 * MB)
    while not spool.counters().bursts_dropped:
        spool.append([block(burst=True)])
    assert spool.counters().blocks_dropped == 0
    assert [entry[0] for entry in spans(spool)] == ["block"] * spool.highest_seq
    oldest = contents(spool)[0]
    assert isinstance(oldest, Block)
    assert oldest.bursts == ()
    while not spool.counters().blocks_dropped:
        spool.append([block()])
    found = spans(spool)
    assert found[0][0] == "gap"
    assert found[0][1] == 1
    assert spool.counters().blocks_dropped == found[0][2]
    assert {entry[0] for entry in found[1:]} == {"block"}
    gap = contents(spool)[0]
    assert isinstance(gap, Gap)
    assert gap.why == "the spool was full"
    spool.close()


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(st.integers(1, 80), st.booleans(), st.integers(0, 3), st.floats(0, 1)), max_size=40))
def test_whatever_happens_every_number_is_a_block_or_declared(
    tmp_path_factory: pytest.TempPathFactory, steps: list[tuple[int, bool, int, float]]
) -> None:
    spool = Spool(tmp_path_factory.mktemp("spool") / "spool.db", "hall-2", MB)
    for count, burst, lost, share in steps:
        spool.append([block(size=200, burst=burst)] * count, lost)
        spool.acknowledge(max(spool.acknowledged, int(share * spool.highest_seq * 0.7)))
        expected = spool.acknowledged + 1
        for _, first, last in spans(spool, expected):
            assert first <= expected <= last + 1, "a number is missing"
            expected = last + 1
        assert expected == spool.highest_seq + 1
        assert spool.counters().bytes_used <= MB
    spool.close()


def test_lost_blocks_are_declared_ahead_of_the_next_ones(spool: Spool) -> None:
    spool.append([block(1)])
    assert spool.append([block(2)], lost=3) == 5
    assert spans(spool) == [("block", 1, 1), ("gap", 2, 4), ("block", 5, 5)]
    assert spool.append([], lost=2) == 7
    spool.close()


def test_a_block_that_cannot_be_encoded_is_declared_and_holds_up_nothing(spool: Spool) -> None:
    assert spool.append([block(1), replace(block(2), valve="Not An Id"), block(3)]) == 3
    found = contents(spool)
    assert isinstance(found[1], Gap)
    assert "Not An Id" in found[1].why
    assert [entry[0] for entry in spans(spool)] == ["block", "gap", "block"]


def test_a_disk_that_refuses_changes_nothing(spool: Spool) -> None:
    spool.append([block(1)])
    spool._db.execute("PRAGMA query_only = ON")
    with pytest.raises(SpoolError, match="readonly"):
        spool.append([block(2)])
    spool._db.execute("PRAGMA query_only = OFF")
    assert spool.append([block(3)], lost=1) == 3
    assert spans(spool) == [("block", 1, 1), ("gap", 2, 2), ("block", 3, 3)]


def test_acknowledged_gaps_are_forgotten(spool: Spool) -> None:
    spool.append([block(1)], lost=5)
    spool.acknowledge(5)
    spool.append([block(2)])
    assert spool._db.execute("SELECT count(*) FROM gap").fetchone() == (0,)


def test_numbers_of_a_gap_are_not_given_again_after_a_restart(tmp_path: Path) -> None:
    spool = Spool(tmp_path / "spool.db", "hall-2", MB)
    spool.append([block(1)])
    spool.append([], lost=4)
    spool.close()
    again = Spool(tmp_path / "spool.db", "hall-2", MB)
    assert again.highest_seq == 5
    assert again.append([block(2)]) == 6
    assert spans(again) == [("block", 1, 1), ("gap", 2, 5), ("block", 6, 6)]
    again.close()


def test_acknowledged_blocks_go_before_any_burst_is_dropped(tmp_path: Path) -> None:
    spool = Spool(tmp_path / "spool.db", "hall-2", 2 * MB)
    for _ in range(8):
        spool.append([block(n) for n in range(100)])
        spool.acknowledge(spool.highest_seq)
    with_burst = spool.append([block(burst=True)] * 10)
    while spool._db.execute("SELECT min(seq) FROM block").fetchone()[0] < 300:
        spool.append([block(n) for n in range(100)])
    assert spool.counters().bursts_dropped == 0
    (kept,) = contents(spool, with_burst)[:1]
    assert isinstance(kept, Block)
    assert len(kept.bursts) == 1
    spool.close()


def test_a_full_spool_keeps_its_gaps_apart(tmp_path: Path) -> None:
    spool = Spool(tmp_path / "spool.db", "hall-2", MB)
    spool.append([block(n) for n in range(20)])
    spool.append([block(n) for n in range(20)], lost=7)
    while spool.counters().blocks_dropped < 40:
        spool.append([block(n) for n in range(20)])
    gaps = [one for one in contents(spool) if isinstance(one, Gap)]
    assert [(gap.first, gap.last) for gap in gaps[:2]] == [(1, 20), (21, 27)]
    assert [gap.first for gap in gaps[1:]] == [gap.last + 1 for gap in gaps[:-1]], "gaps must not overlap"
    spool.close()
