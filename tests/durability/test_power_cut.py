"""What was acknowledged is there after a power cut at any moment, in the spool, the sample file and the records."""

from __future__ import annotations

import random
import sqlite3
import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from asleft.edge.spool import Spool
from asleft.recorder.quarantine import Quarantine
from asleft.store.protocols import Health
from asleft.store.records import open_records
from asleft.store.samples import open_samples
from asleft.wire.block import Block, Channel

sys.path.insert(0, str(Path(__file__).parent))
from power import Event, Recorder, disk_after

CUTS = 40


def block(seq: int = 0) -> Block:
    channel = Channel("current", "A", counts=np.full(200, seq % 30_000, np.int16))
    offsets = np.arange(200, dtype=np.int32) * 5000
    return Block(
        "edge-1", "v", "s" if seq else "", seq, "boot", 10**18 + seq * 10**9, seq + 1, None, offsets, (channel,)
    )


def write_spool(folder: Path, recorder: Recorder) -> None:
    """So much that the log is folded into the file several times, and acknowledged blocks are trimmed."""
    spool = Spool(folder / "file.db", "edge-1", 1024 * 1024)
    for _ in range(150):
        recorder.said(spool.append([block() for _ in range(20)]))
        spool.acknowledge(max(0, spool.highest_seq - 60))
    recorder.said(spool.append([], lost=3))


def read_spool(folder: Path) -> int:
    spool = Spool(folder / "file.db", "edge-1", 1024 * 1024)
    assert spool.set_aside is None
    highest, first = spool.highest_seq, spool.acknowledged + 1
    while first <= highest:
        for item in spool.items(first, highest, 100):
            assert item.first == first
            assert b"trimmed" not in item.payload
            first = item.last + 1
    spool.close()
    return highest


def write_samples(folder: Path, recorder: Recorder) -> None:
    store = open_samples(folder)
    for first in range(1, 1500, 15):
        (mark,) = store.commit([block(seq) for seq in range(first, first + 15)], [], first)
        recorder.said(mark.mark)


def read_samples(folder: Path) -> int:
    store = open_samples(folder)
    marks = store.marks()
    mark = marks[0].mark if marks else 0
    found = [ref.seq for ref, _ in store.blocks_after("v", {}, 10**6)]
    store.close()
    assert found == list(range(1, mark + 1))
    return mark


def write_records(folder: Path, recorder: Recorder) -> None:
    records = open_records(folder / "records.db")
    recorder.said(1)
    for number in range(2, 60):
        records.put_health(Health("recorder", number, {"number": number, "more": "x" * 3000}))
        recorder.said(number)
    records.close()


def read_records(folder: Path) -> int:
    records = open_records(folder / "records.db")
    rows = records.health()
    records.close()
    return rows[0].details["number"] if rows else 1


def write_quarantine(folder: Path, recorder: Recorder) -> None:
    quarantine = Quarantine(folder)
    for number in range(1, 60):
        quarantine.put("topic", bytes(2000), "why", number)
        recorder.said(number)
    quarantine.close()


def read_quarantine(folder: Path) -> int:
    quarantine = Quarantine(folder)
    count = quarantine.count()
    quarantine.close()
    return count


FILES: dict[str, tuple[Callable[[Path, Recorder], None], Callable[[Path], int]]] = {
    "spool": (write_spool, read_spool),
    "samples": (write_samples, read_samples),
    "records": (write_records, read_records),
    "quarantine": (write_quarantine, read_quarantine),
}


def record(folder: Path, name: str) -> list[Event]:
    try:
        recorder = Recorder()
    except OSError as error:
        pytest.skip(str(error))
    with recorder.on():
        FILES[name][0](folder, recorder)
    return recorder.events


def lost_at_cuts(events: list[Event], read: Callable[[Path], int], folder: Path, cuts: int) -> int:
    """Cuts the power at random moments, after the first acknowledgement; how many acknowledged things are gone."""
    rng = random.Random(7)
    begun = next(index for index, event in enumerate(events) if event.what == "said")
    gone = 0
    for number in range(cuts):
        files, said = disk_after(events, rng.randrange(begun + 1, len(events) + 1), rng)
        after = folder / f"cut-{number}"
        after.mkdir()
        for name, data in files.items():
            if not name.endswith("-shm"):
                (after / name).write_bytes(data)
        for file in after.glob("*.db"):
            with closing(sqlite3.connect(file)) as db:
                assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        gone += max(0, said - read(after))
    return gone


@pytest.mark.parametrize("name", FILES)
def test_nothing_acknowledged_is_lost_by_a_power_cut(name: str, tmp_path: Path) -> None:
    events = record(tmp_path, name)
    assert sum(event.what == "sync" for event in events) > 50
    assert lost_at_cuts(events, FILES[name][1], tmp_path, CUTS) == 0


@pytest.mark.parametrize(("name", "now", "weaker"), [("samples", "FULL", "NORMAL"), ("quarantine", "EXTRA", "FULL")])
def test_with_less_synchronisation_it_is(
    name: str, now: str, weaker: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The simulation can tell: with less, what was acknowledged is lost.

    A rollback journal needs EXTRA: with FULL its deletion, which is the commit, may be undone by the cut.
    """
    connect = sqlite3.connect

    class Weak(sqlite3.Connection):
        def execute(self, sql: str, *args: object) -> sqlite3.Cursor:
            return super().execute(sql.replace(f"synchronous = {now}", f"synchronous = {weaker}"), *args)

    monkeypatch.setattr(sqlite3, "connect", lambda *args, **more: connect(*args, factory=Weak, **more))
    events = record(tmp_path, name)
    monkeypatch.undo()
    assert lost_at_cuts(events, FILES[name][1], tmp_path, CUTS) > 0


def test_every_writing_connection_asks_for_it(tmp_path: Path) -> None:
    """1 NORMAL, 2 FULL, 3 EXTRA: https://www.sqlite.org/pragma.html#pragma_synchronous."""
    spool, samples = Spool(tmp_path / "spool.db", "edge-1", 1024 * 1024), open_samples(tmp_path)
    quarantine, records = Quarantine(tmp_path), open_records(tmp_path / "records.db")
    asked = {}
    for name, db in (("spool", spool._db), ("samples", samples._writer), ("quarantine", quarantine._connection)):
        (mode,), (level,) = (db.execute(f"PRAGMA {what}").fetchone() for what in ("journal_mode", "synchronous"))
        asked[name] = (mode, level)
    with records._engine.connect() as connection:
        level = connection.exec_driver_sql("PRAGMA synchronous").scalar()
        asked["records"] = (connection.exec_driver_sql("PRAGMA journal_mode").scalar(), level)
    assert asked == {
        "spool": ("wal", 2),
        "samples": ("wal", 2),
        "quarantine": ("delete", 3),
        "records": ("delete", 3),
    }
    for one in (spool, samples, quarantine, records):
        one.close()
