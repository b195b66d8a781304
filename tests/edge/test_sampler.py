from __future__ import annotations

import threading
import time
import uuid
from pathlib import Path

import numpy as np
import pytest
from asleft.edge import clock
from asleft.edge.sampler import BurstPoller, Sampler
from asleft.edge.sampling import Sampling
from asleft.edge.spool import Spool, SpoolError
from asleft.edge.writer import SpoolWriter
from asleft.instruments.protocol import ChannelForm, Reading, ValveForm
from asleft.wire.block import Block, Burst, Reason
from asleft.wire.codec import decode_upload


class Instrument:
    """Two valves; a hook decides what a reading is and how long it takes."""

    name = "coupler"
    valves = (
        ValveForm("press-1.one", (ChannelForm("current", "A", True, 0.001),), True),
        ValveForm("press-1.two", (ChannelForm("current", "A", True, 0.001),)),
    )

    def __init__(self) -> None:
        self.reads = 0
        self.opened = 0
        self.closed = 0
        self.slow_at: dict[int, float] = {}
        self.fault_at: int | None = None
        self.failing = False

    def open(self) -> None:
        self.opened += 1

    def read_once(self, index: int) -> Reading:
        self.reads += 1
        time.sleep(self.slow_at.get(self.reads, 0.0))
        if self.reads == self.fault_at:
            raise RuntimeError("a bug")
        return Reading.all_failed(1, Reason.NO_ANSWER) if self.failing else Reading([index])

    def read_bursts(self, index: int) -> list[Burst]:
        assert index == 0
        return [Burst("current", "A", 0, 5000.0, np.zeros(5), 1)]

    def close(self) -> None:
        self.closed += 1


def sample(instrument: Instrument, blocks: int, *, poll: bool = False) -> tuple[list[Block], Sampler]:
    taken: list[Block] = []
    enough, stop = threading.Event(), threading.Event()

    def sink(block: Block) -> None:
        taken.append(block)
        if len(taken) >= blocks:
            enough.set()

    sampler = Sampler(instrument, "hall-2", "boot", 10_000_000, 20, sink)
    threads = [threading.Thread(target=Sampling([sampler], stop).run, daemon=True)]
    if poll:
        threads.append(threading.Thread(target=BurstPoller(instrument, sampler, 0.05, stop).run))
    for thread in threads:
        thread.start()
    assert enough.wait(10)
    stop.set()
    for thread in threads:
        thread.join(5)
        assert not thread.is_alive()
    return taken, sampler


class Slow(Instrument):
    """Has something new at every tenth tick, as a log that is replayed has between its rows."""

    def read_once(self, index: int) -> Reading | None:
        self.reads += 1
        return None if self.reads // 2 % 10 else Reading([self.reads // 2])


def test_what_is_not_new_is_not_stored_and_no_block_waits_for_it() -> None:
    instrument = Slow()
    blocks, sampler = sample(instrument, 6)
    found = [block.channels[0].as_values() for block in blocks if block.valve == "press-1.one"]
    read = [values[np.isfinite(values)] for values in found]  # the rest are ticks that a busy machine missed
    assert all(1 <= values.size <= 3 for values in read), "a block is as long as others, and has fewer readings"
    values = np.concatenate(read)
    assert values.size == np.unique(values).size >= 3
    assert sampler.counters.repeated >= 5 * values.size


def test_every_valve_is_read_at_every_tick() -> None:
    instrument = Instrument()
    blocks, sampler = sample(instrument, 6)
    assert instrument.closed == 1
    one = [b for b in blocks if b.valve == "press-1.one"]
    two = [b for b in blocks if b.valve == "press-1.two"]
    assert sum(b.size for b in one) == sum(b.size for b in two)
    assert sum(b.size for b in one) == sampler.counters.ticks + sampler.counters.missed_ticks
    whole = one[0]
    assert whole.size == 20
    assert abs(int(whole.offsets_us[-1]) - 190_000) < 60_000
    assert abs(whole.wall_ns - time.time_ns()) < 10e9
    assert two[0].channels[0].as_values()[0] == pytest.approx(0.001)


def test_a_slow_reading_costs_marked_ticks_and_no_more() -> None:
    instrument = Instrument()
    instrument.slow_at[11] = 0.075
    blocks, sampler = sample(instrument, 4)
    assert sampler.counters.missed_ticks >= 6
    for block in blocks[:2]:
        assert block.size == 20
        marks = block.channels[0].marks
        assert sum(mark.count for mark in marks) >= 6
        assert {mark.reason for mark in marks} == {Reason.MISSED_TICK}
        assert np.all(np.diff(block.offsets_us) >= 0)


def test_a_tick_that_was_missed_is_a_marked_row_with_a_time_of_its_own() -> None:
    instrument = Instrument()
    instrument.slow_at.update({5: 0.035, 11: 0.075, 31: 0.012})
    blocks, sampler = sample(instrument, 6)
    for valve in ("press-1.one", "press-1.two"):
        own = [block for block in blocks if block.valve == valve]
        times_us = np.concatenate([block.wall_ns // 1000 + block.offsets_us.astype(np.int64) for block in own])
        assert (np.diff(times_us) > 0).all()
        values = np.concatenate([block.channels[0].as_values() for block in own])
        # A missed tick has no value: that of the reading before is not stored a second time.
        assert np.isnan(values).sum() == sampler.counters.missed_ticks


def test_a_fault_of_the_program_is_counted_and_sampling_goes_on() -> None:
    instrument = Instrument()
    instrument.fault_at = 15
    blocks, sampler = sample(instrument, 4)
    assert instrument.opened == 2
    assert sampler.counters.faults == 1
    assert "a bug" in sampler.counters.last_fault
    assert len(blocks) >= 4


def test_failing_valves_are_named() -> None:
    instrument = Instrument()
    instrument.failing = True
    _, sampler = sample(instrument, 2)
    assert set(sampler.counters.failing) == {"press-1.one", "press-1.two"}
    assert "readings of current could not be used since" in sampler.counters.failing["press-1.one"]
    assert "no usable answer in time" in sampler.counters.failing["press-1.one"]
    assert sampler.counters.failed_readings == 2 * sampler.counters.ticks


def test_bursts_travel_with_blocks_of_their_valve() -> None:
    blocks, _ = sample(Instrument(), 8, poll=True)
    assert any(b.bursts for b in blocks if b.valve == "press-1.one")
    assert not any(b.bursts for b in blocks if b.valve == "press-1.two")


def block() -> Block:
    assembled = Sampler(Instrument(), "hall-2", "boot", 1, 1, lambda _: None)._assemblers[0]
    made = assembled.add(1, 1, Reading([1]))
    assert made is not None
    return made


def run_writer(writer: SpoolWriter, stop: threading.Event) -> None:
    stop.set()
    thread = threading.Thread(target=writer.run)
    thread.start()
    thread.join(10)
    assert not thread.is_alive()


def test_the_writer_empties_its_queue_before_it_ends(tmp_path: Path) -> None:
    spool = Spool(tmp_path / "spool.db", "hall-2", 2**20)
    stop = threading.Event()
    writer = SpoolWriter(spool, stop)
    for _ in range(200):
        writer.put(block())
    run_writer(writer, stop)
    assert spool.highest_seq == 200
    assert writer.lost == 0
    spool.close()


def test_what_the_disk_refused_is_declared_when_it_works_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    spool = Spool(tmp_path / "spool.db", "hall-2", 2**20)
    stop = threading.Event()
    writer = SpoolWriter(spool, stop)
    good = spool.append

    def refuse(*_: object) -> int:
        raise SpoolError("disk full")

    monkeypatch.setattr(spool, "append", refuse)
    for _ in range(3):
        writer.put(block())
    run_writer(writer, stop)
    assert writer.lost == 3
    assert writer.trouble == "disk full"
    monkeypatch.setattr(spool, "append", good)
    writer.put(block())
    run_writer(writer, stop)
    assert writer.trouble == ""
    uploads = [decode_upload(item.payload) for item in spool.items(1, spool.highest_seq, 10)]
    assert [(type(u).__name__, getattr(u, "first", 4)) for u in uploads] == [("Gap", 1), ("Block", 4)]
    spool.close()


def test_a_queue_that_is_full_loses_and_counts(tmp_path: Path) -> None:
    spool = Spool(tmp_path / "spool.db", "hall-2", 2**20)
    writer = SpoolWriter(spool, threading.Event())
    one = block()
    for _ in range(2010):
        writer.put(one)
    assert writer.lost == 10
    spool.close()


def test_boot_id_and_clock(tmp_path: Path) -> None:
    given = tmp_path / "boot_id"
    given.write_text("0b0e4e1c-0000-4000-8000-000000000001\n")
    assert clock.boot_id(given) == "0b0e4e1c-0000-4000-8000-000000000001"
    missing = clock.boot_id(tmp_path / "none")
    assert uuid.UUID(missing)
    assert missing != clock.boot_id(tmp_path / "none")
    assert clock.clock_synchronised(tmp_path / "none") is None
    assert clock.clock_synchronised(tmp_path) is False
    (tmp_path / "synchronized").touch()
    assert clock.clock_synchronised(tmp_path) is True
