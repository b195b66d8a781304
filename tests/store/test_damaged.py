"""A sample file that is damaged is set aside under a name of its own, and storing goes on with a fresh one."""

from __future__ import annotations

import sqlite3
import stat
import time
from pathlib import Path

import pytest
from asleft.recorder.ingest_core import IngestCore
from asleft.recorder.quarantine import Quarantine
from asleft.store.damage import StoreReplaced, damaged_files
from asleft.store.reader import EmbeddedReader
from asleft.store.samples import open_samples, open_samples_reader


def filled(folder: Path, make, count: int = 40) -> None:
    store = open_samples(folder)
    store.commit([make.block(seq) for seq in range(1, count + 1)], [], 1)
    store.close()


def spoil(path: Path, first: int, length: int = 0) -> None:
    """Overwrite bytes of a file from `first` on; length 0: to its end."""
    raw = bytearray(path.read_bytes())
    last = first + length if length else len(raw)
    raw[first:last] = b"\xa5" * (last - first)
    path.write_bytes(raw)


@pytest.mark.parametrize("first", [0, 100, 4096])
def test_at_the_start_it_is_set_aside_and_a_fresh_one_takes_its_place(tmp_path, make, first):
    filled(tmp_path, make)
    spoil(tmp_path / "samples.db", first)
    damaged = (tmp_path / "samples.db").read_bytes()
    store = open_samples(tmp_path)
    (aside,) = damaged_files(tmp_path)
    assert (tmp_path / aside).read_bytes() == damaged
    assert store.commit([make.block(1)], [], 1)[0].mark == 1
    assert store.about()["set_aside"] == [aside]
    store.close()
    again = open_samples(tmp_path)  # once, not at every start
    assert damaged_files(tmp_path) == [aside]
    assert again.marks()[0].mark == 1
    again.close()


def test_in_use_it_is_set_aside_at_the_commit_that_meets_the_damage(tmp_path, make):
    filled(tmp_path, make)
    store = open_samples(tmp_path)
    reader = open_samples_reader(tmp_path)
    assert len(reader.valves()) == 1
    spoil(tmp_path / "samples.db", 4096)

    def go_on():
        for seq in range(41, 2000):  # what the cache holds is not read again
            store.commit([make.block(seq)], [], 1)
            store._writer.execute("PRAGMA shrink_memory")

    with pytest.raises(StoreReplaced, match=r"samples\.db\.damaged-"):
        go_on()
    assert store.marks() == []
    assert store.commit([make.block(41)], [], 1)[0].mark == 0  # above a hole: the agent is asked for the rest
    assert reader.marks() == store.marks()  # readers change over by themselves
    store.close()
    reader.close()


def test_what_a_reader_meets_is_looked_into_by_the_writer(tmp_path, make):
    filled(tmp_path, make, 200)
    store = open_samples(tmp_path)
    while store.maintain(1):
        pass
    connection = sqlite3.connect(tmp_path / "samples.db")
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    connection.close()
    size = (tmp_path / "samples.db").stat().st_size
    spoil(tmp_path / "samples.db", 8 * 4096, size - 9 * 4096)
    reader = EmbeddedReader(tmp_path)
    with pytest.raises(sqlite3.DatabaseError):
        reader.samples("press-1.platen", 0, 2**62)

    def look_after():
        deadline_s = time.monotonic() + 60
        while time.monotonic() < deadline_s:
            store.maintain(1)
            time.sleep(0.01)

    with pytest.raises(StoreReplaced):
        look_after()
    assert len(damaged_files(tmp_path)) == 1
    assert reader.valves() == []
    store.close()
    reader.close()


def test_a_reader_that_was_wrong_changes_nothing(tmp_path, make):
    filled(tmp_path, make)
    store = open_samples(tmp_path)
    (tmp_path / "samples.db.check-wanted").touch()
    deadline_s = time.monotonic() + 60
    while (tmp_path / "samples.db.check-wanted").exists():
        assert time.monotonic() < deadline_s
        store.maintain(1)
        time.sleep(0.01)
    assert damaged_files(tmp_path) == []
    assert store.marks()[0].mark == 40
    store.close()


def test_a_write_ahead_log_goes_with_its_file(tmp_path, make):
    """A log that stayed would be played into the fresh file."""
    store = open_samples(tmp_path)
    reader = open_samples_reader(tmp_path)
    store.commit([make.block(seq) for seq in range(1, 40)], [], 1)
    assert reader.valves()
    store._writer.close()  # as a kill would, with a reader open: the log stays
    store._lock_file.release()
    assert (tmp_path / "samples.db-wal").stat().st_size > 0
    spoil(tmp_path / "samples.db", 0)
    spoil(tmp_path / "samples.db-wal", 0)
    again = open_samples(tmp_path)
    (aside,) = damaged_files(tmp_path)
    assert (tmp_path / f"{aside}-wal").exists()
    assert again.marks() == []
    again.close()
    reader.close()


def test_one_spoilt_block_does_not_keep_the_others_from_being_merged(tmp_path, make):
    store = open_samples(tmp_path)
    store.commit([make.block(seq) for seq in range(1, 200)], [], 1)
    store.commit([make.block(seq, stream="other", valve="b") for seq in range(1, 200)], [], 1)
    store._writer.execute("UPDATE block SET payload = x'00010203' WHERE seq = 7 AND stream = 1")
    while store.maintain(1):
        pass
    assert store._writer.execute("SELECT count(*) FROM run WHERE valve = 2").fetchone()[0] > 0
    store.close()


def test_a_disk_that_refuses_the_fresh_file_is_asked_again(tmp_path, make, monkeypatch):
    filled(tmp_path, make)
    store = open_samples(tmp_path)
    damage = sqlite3.DatabaseError("database disk image is malformed")
    with monkeypatch.context() as refusing:
        refusing.setattr("asleft.store.samples.open_for_writing", _full)
        with pytest.raises(sqlite3.OperationalError):
            store._replace(damage)
        with pytest.raises(sqlite3.OperationalError):
            store.commit([make.block(1)], [], 1)
    with pytest.raises(StoreReplaced):  # so that agents are asked for what they still have
        store.commit([make.block(1)], [], 1)
    assert store.commit([make.block(1)], [], 1)[0].mark == 1
    store.close()


def _full(_path):
    raise sqlite3.OperationalError("database or disk is full")


def test_a_damaged_quarantine_stops_nobody(tmp_path):
    quarantine = Quarantine(tmp_path)
    quarantine.put("t", b"x", "why", 1)
    quarantine.close()
    spoil(tmp_path / "quarantine.db", 0)
    again = Quarantine(tmp_path)
    again.put("t", b"y", "why", 2)
    assert again.count() == 1
    again.close()
    assert [name.partition("-")[0] for name in damaged_files(tmp_path)] == ["quarantine.db.damaged"]


@pytest.mark.parametrize("name", ["samples.db", "samples.db-wal", "quarantine.db", "recorder.lock"])
def test_files_are_no_business_of_others(tmp_path, make, name):
    old = tmp_path / name
    if name != "samples.db-wal":
        old.touch(mode=0o644)
    store = open_samples(tmp_path)
    quarantine = Quarantine(tmp_path)
    store.commit([make.block(1)], [], 1)
    assert stat.S_IMODE(old.stat().st_mode) & 0o007 == 0
    store.close()
    quarantine.close()


class _Broker:
    def __init__(self) -> None:
        self.acks = []

    def acknowledge(self, packet):
        pass

    def publish(self, topic, payload):
        self.acks.append(payload)


def test_agents_are_told_to_send_again_what_they_still_have(tmp_path, make):
    from asleft.wire.codec import decode_ack

    filled(tmp_path, make)
    store = open_samples(tmp_path)
    broker = _Broker()
    core = IngestCore(store, Quarantine(tmp_path), broker)
    core.connected(1.0)
    assert decode_ack(broker.acks[-1]).mark == 40
    store._replace(sqlite3.DatabaseError("database disk image is malformed"))
    core.replaced()
    core.say_due(2.0)
    said = decode_ack(broker.acks[-1])
    assert (said.mark, said.fresh) == (0, True)
    store.close()
