"""What the embedded sample store does beyond the contract: files, locks, versions, speed."""

from __future__ import annotations

import shutil
import sqlite3
import subprocess
import sys
import threading

import numpy as np
import pytest
from asleft.judge.packing import apart, steps, together
from asleft.store.lock import FolderInUse
from asleft.store.packing import layout_from, pack, unpack, unpack_many
from asleft.store.samples import open_samples, open_samples_reader
from asleft.store.schema import SchemaError, open_for_reading
from asleft.wire.block import Channel
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from numcodecs import Delta, Shuffle

VALVE = "press-1.platen"


def test_a_second_writer_is_refused_and_may_follow(tmp_path):
    import os

    first = open_samples(tmp_path)
    with pytest.raises(FolderInUse, match=f"process {os.getpid()}"):
        open_samples(tmp_path)
    first.close()
    open_samples(tmp_path).close()


def test_a_writer_in_another_process_is_refused(tmp_path):
    first = open_samples(tmp_path)
    code = (
        "import sys; from pathlib import Path; from asleft.store.samples import open_samples; "
        "open_samples(Path(sys.argv[1]))"
    )
    done = subprocess.run([sys.executable, "-c", code, str(tmp_path)], capture_output=True, text=True, check=False)
    first.close()
    assert done.returncode == 1
    assert "in use by another recorder" in done.stderr


def test_commits_survive_a_power_cut_and_readers_cannot_write(tmp_path, make):
    store = open_samples(tmp_path)
    assert store._writer.execute("PRAGMA synchronous").fetchone() == (2,)
    assert store._writer.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    store.commit([make.block(1)], [], 1)
    reading = open_for_reading(tmp_path / "samples.db")
    with pytest.raises(sqlite3.OperationalError, match="readonly"):
        reading.execute("DELETE FROM block")
    reading.close()
    store.close()


def test_a_file_of_another_version_is_refused(tmp_path):
    open_samples(tmp_path).close()
    connection = sqlite3.connect(tmp_path / "samples.db")
    connection.execute("PRAGMA user_version = 99")
    connection.close()
    with pytest.raises(SchemaError, match=r"samples\.db: laid out as version 99, this program reads version 2"):
        open_samples(tmp_path)
    with pytest.raises(SchemaError):
        open_samples_reader(tmp_path).valves()
    (tmp_path / "recorder.lock").unlink()


def test_a_reader_sees_that_the_file_was_replaced(tmp_path, make):
    live, backup = tmp_path / "live", tmp_path / "backup"
    store = open_samples(live)
    store.commit([make.block(1)], [], 1)
    store.close()
    shutil.copytree(live, backup)
    store = open_samples(live)
    store.commit([make.block(2)], [], 2)
    reader = open_samples_reader(live)
    assert reader.marks()[0].mark == 2
    store.close()
    (backup / "samples.db").replace(live / "samples.db")
    assert reader.marks()[0].mark == 1
    (live / "samples.db").unlink()
    assert reader.marks() == []


def test_a_redelivery_of_what_retention_removed_is_a_duplicate(tmp_path, make):
    store = open_samples(tmp_path)
    store.commit([make.block(seq) for seq in (1, 2, 3)], [], 1)
    store._writer.execute("DELETE FROM block WHERE seq = 2")
    (mark,) = store.commit([make.block(2)], [], 2)
    assert (mark.mark, mark.stored, mark.duplicates) == (3, 3, 1)
    assert [ref.seq for ref in store.refs_after(VALVE, {}, 10)] == [1, 3]
    store.close()


def test_a_commit_that_fails_half_way_leaves_nothing_behind_not_even_in_memory(tmp_path, make):
    store = open_samples(tmp_path)
    with pytest.raises(OverflowError):
        store.commit([make.block(1), make.block(2, at_ns=2**64)], [], 1)
    assert store.valves() == []
    assert store.marks() == []
    store.commit([make.block(1)], [], 2)
    assert store.valves() == [VALVE]
    assert store.blocks_after(VALVE, {}, 9)[0][1].boot_id == "boot-1"
    assert store.overview(VALVE, "pressure", make.t0, make.t0 + make.s, 1).time_ns.size == 1
    store.close()


def test_many_threads_read_while_one_writes(tmp_path, make):
    store, reader = open_samples(tmp_path), open_samples_reader(tmp_path)
    wrong, done = [], threading.Event()

    def read():
        while not done.is_set():
            mark = sum(one.mark for one in reader.marks())
            seen = reader.blocks_after(VALVE, {}, 1000)
            if len(seen) < mark or [ref.seq for ref, _ in seen] != list(range(1, len(seen) + 1)):
                wrong.append((mark, len(seen)))

    threads = [threading.Thread(target=read) for _ in range(3)]
    for thread in threads:
        thread.start()
    for seq in range(1, 60):
        store.commit([make.block(seq)], [], seq)
    done.set()
    for thread in threads:
        thread.join()
    store.close()
    assert wrong == []


@settings(max_examples=50, deadline=None)
@given(
    counts=hnp.arrays(np.int16, 20),
    values=hnp.arrays(np.float32, 20),
    offsets=hnp.arrays(np.int32, 20, elements=st.integers(0, 2**31 - 1)),
)
def test_packing_is_exact(make, counts, values, offsets):
    block = make.block(
        1,
        size=20,
        channels=(
            Channel("command", "mA", counts=counts, scale=0.1, offset=-3.5),
            Channel("current", "A", values=values.astype(float)),
        ),
    )
    block = type(block)(**{name: getattr(block, name) for name in block.__slots__} | {"offsets_us": offsets})
    packed = pack(block)
    found, (command, current) = unpack(layout_from(packed.layout), 20, packed.marks, packed.payload)
    np.testing.assert_array_equal(found, offsets)
    np.testing.assert_array_equal(command.counts, counts)
    np.testing.assert_array_equal(current.values.astype(np.float32), values)
    times, together = unpack_many(layout_from(packed.layout), 20, [packed.payload, packed.payload])
    np.testing.assert_array_equal(times, [offsets, offsets])
    np.testing.assert_array_equal(together["command"], [command.as_values()] * 2)
    np.testing.assert_array_equal(together["current"], [current.as_values()] * 2)


def test_a_damaged_payload_is_noticed(make):
    packed = pack(make.block(1))
    with pytest.raises(ValueError, match="its layout needs"):
        unpack(layout_from(packed.layout)[:1], 10, None, packed.payload)
    with pytest.raises(ValueError, match="its layout needs"):
        unpack_many(layout_from(packed.layout)[:1], 10, [packed.payload])


def test_overviews_of_a_day_and_of_three_weeks_read_no_more_figures_than_they_show(tmp_path, make):
    """The figures of 1 s blocks over one day, and of a ten-minute window every four hours over three weeks."""
    store = open_samples(tmp_path)
    store.commit([make.block(1)], [], 1)
    store.close()
    day, three_weeks = 86_400, 21 * 86_400
    connection = sqlite3.connect(tmp_path / "samples.db")
    sparse = [at for window in range(0, three_weeks, 4 * 3600) for at in range(window, window + 600, 10)]
    for series, starts in ((1, range(day)), (2, sparse)):
        rows = [(series, make.t0 + at * make.s, 1, 1.0, 2.0, 3.0, 100) for at in starts if at]
        connection.executemany("INSERT OR IGNORE INTO block_figure VALUES (?,?,?,?,?,?,?)", rows)
        minutes = sorted({row[1] // (60 * make.s) for row in rows})
        connection.executemany(
            "INSERT OR REPLACE INTO minute_figure VALUES (?,?,?,?,?,?)",
            [(series, minute, 1.0, 12_000.0, 3.0, 6000) for minute in minutes],
        )
    connection.commit()
    connection.close()
    reader = open_samples_reader(tmp_path)

    thousands = [0]

    def count() -> int:
        thousands[0] += 1
        return 0

    with reader._snapshot() as opened:
        opened.connection.set_progress_handler(count, 1000)

    def steps(channel, length_s, points):
        """Of the database's engine: what it costs, on any machine."""
        thousands[0] = 0
        found = reader.overview(VALVE, channel, make.t0, make.t0 + length_s * make.s, points)
        assert 0 < found.time_ns.size <= points + 1
        return 1000 * thousands[0]

    per_row = 60
    assert steps("command", day, 1000) < per_row * day / 60
    assert steps("pressure", three_weeks, 1000) < per_row * three_weeks / (4 * 3600) * 10  # minutes of each window
    assert steps("command", day, 1500) < per_row * day  # shorter than a minute: from the figures of single blocks


@pytest.mark.parametrize("kind", ["<i2", "<i4", "<f4", "<f8"])
def test_bytes_are_those_that_earlier_versions_stored(kind):
    """Written by another implementation of the same two steps."""
    rng = np.random.default_rng(1)
    numbers = rng.integers(-30_000, 30_000, 1000).astype(kind)
    size = numbers.itemsize
    shuffled = bytes(Shuffle(elementsize=size).encode(numbers))
    assert apart(numbers) == shuffled
    np.testing.assert_array_equal(together(shuffled, kind), numbers)
    if kind.startswith("<i"):
        stepped = Delta(dtype=kind).encode(numbers)
        np.testing.assert_array_equal(steps(numbers), stepped)
        np.testing.assert_array_equal(np.cumsum(stepped, dtype=kind), numbers)
    assert together(b"", kind).size == 0
    assert apart(numbers[:0]) == b""
