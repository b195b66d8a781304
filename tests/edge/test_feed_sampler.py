from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np
from asleft.edge.feed_sampler import FeedSampler
from asleft.edge.once import read_all_once
from asleft.edge.spool import Spool
from asleft.instruments.feed import Feed, FeedCounts, TimedReading
from asleft.instruments.protocol import ChannelForm, Reading, ValveForm
from asleft.wire.block import SOURCE_TIME, Block, Reason
from asleft.wire.codec import decode_upload

MS = 1_000_000
T0 = 1_700_000_000_000_000_000
PATIENCE_S = 60.0  # only a test that fails waits that long


class Source:
    """A feed whose rows a test puts in."""

    name = "gateway"
    valves = (ValveForm("press-1.one", (ChannelForm("current", "A"),)),)
    patience_s = PATIENCE_S

    def __init__(self, *batches: list[TimedReading]) -> None:
        self.counts = FeedCounts()
        self.batches = list(batches)
        self.opened: list[Mapping[str, int]] = []
        self.closed = 0
        self.words = ""
        self.fault_at: int | None = None
        self.idle = False
        """Whether it was asked when it had nothing left."""
        self._takes = 0

    def open(self, after_ns: Mapping[str, int]) -> None:
        self.opened.append(dict(after_ns))

    def take(self, index: int) -> list[TimedReading]:
        self._takes += 1
        if self._takes == self.fault_at:
            raise RuntimeError("a bug")
        self.idle = not self.batches
        return self.batches.pop(0) if self.batches else []

    def trouble(self, index: int) -> str:
        return self.words

    def close(self) -> None:
        self.closed += 1


def row(at_ms: float, value: float = 1.0, failed: dict[int, Reason] | None = None) -> TimedReading:
    return TimedReading(T0 + round(at_ms * MS), Reading([value], failed or {}))


def until(condition: Callable[[], object]) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while not condition():
        assert time.monotonic() < deadline, "waited in vain"
        time.sleep(0.01)


def run(source: Source, after: Mapping[str, int] | None = None) -> tuple[list[Block], FeedSampler]:
    """Until all that was put in has been taken, and once more."""
    blocks: list[Block] = []
    stop = threading.Event()
    sampler = FeedSampler(source, "hall-2", 1.0, blocks.append, stop, after or {})
    thread = threading.Thread(target=sampler.run)
    thread.start()
    until(lambda: source.idle)
    stop.set()
    thread.join(PATIENCE_S)
    assert not thread.is_alive()
    return blocks, sampler


def times_ms(blocks: list[Block]) -> list[float]:
    return [float(at) for b in blocks for at in (b.wall_ns - T0) / MS + b.offsets_us / 1000]


def test_the_fake_is_a_feed() -> None:
    assert isinstance(Source(), Feed)


def test_rows_become_blocks_of_a_second_with_the_sources_time() -> None:
    source = Source([row(20 * n, n) for n in range(60)], [row(20 * n, n) for n in range(60, 120)])
    blocks, sampler = run(source)
    assert times_ms(blocks) == [20.0 * n for n in range(120)]
    assert [b.size for b in blocks] == [50, 50, 20]
    assert {b.boot_id for b in blocks} == {SOURCE_TIME}
    assert all(b.monotonic_ns == b.wall_ns for b in blocks)
    np.testing.assert_array_equal(np.concatenate([b.channels[0].as_values() for b in blocks]), np.arange(120))
    assert (sampler.counters.ticks, source.closed) == (120, 1)


def test_a_time_that_is_stored_is_not_stored_again() -> None:
    source = Source([row(0), row(0), row(20)], [row(20, 9.0), row(10, 9.0), row(40)])
    blocks, sampler = run(source)
    assert times_ms(blocks) == [0, 20, 40]
    assert sampler.counters.repeated == 3


def test_what_an_earlier_run_stored_is_handed_to_the_feed_and_not_taken_again() -> None:
    source = Source([row(0), row(20), row(40)])
    blocks, sampler = run(source, after={"press-1.one": T0 + 20 * MS})
    assert source.opened == [{"press-1.one": T0 + 20 * MS}]
    assert times_ms(blocks) == [40]
    assert sampler.counters.repeated == 2


def test_readings_far_apart_are_of_different_blocks() -> None:
    blocks, _ = run(Source([row(0), row(86_400_000)]))
    assert [b.size for b in blocks] == [1, 1]


def test_a_slow_feed_does_not_wait_for_a_full_block() -> None:
    source = Source([row(0)])
    blocks: list[Block] = []
    stop = threading.Event()
    thread = threading.Thread(target=FeedSampler(source, "hall-2", 0.5, blocks.append, stop, {}).run)
    thread.start()
    until(lambda: blocks)
    assert [b.size for b in blocks] == [1]
    stop.set()
    thread.join(PATIENCE_S)
    assert len(blocks) == 1


def test_trouble_and_failed_readings_are_named_and_trouble_goes() -> None:
    source = Source([row(0, 0.0, {0: Reason.REFUSED})])
    _, sampler = run(source)
    assert "could not be used since" in sampler.counters.failing["press-1.one"]
    source = Source()
    source.words = "no connection: refused"
    _, sampler = run(source)
    assert sampler.counters.failing == {"press-1.one": "no connection: refused"}
    source.words = ""
    _, sampler = run(source)
    assert sampler.counters.failing == {}


def test_a_fault_of_the_program_is_counted_and_taking_goes_on_where_it_was() -> None:
    source = Source([row(0)], [row(20)])
    source.fault_at = 2
    blocks, sampler = run(source)
    assert sampler.counters.faults == 1
    assert times_ms(blocks) == [0, 20]
    assert source.opened[1] == {"press-1.one": T0}


def test_the_spool_remembers_the_last_reading_of_a_source_in_the_blocks_own_transaction(tmp_path: Path) -> None:
    spool = Spool(tmp_path / "spool.db", "hall-2", 2**20)
    assert spool.last_of_sources() == {}
    blocks, _ = run(Source([row(0), row(20), row(40)]))
    spool.append(blocks)
    spool.close()
    again = Spool(tmp_path / "spool.db", "hall-2", 2**20)
    assert again.last_of_sources() == {"press-1.one": T0 + 40 * MS}
    (item,) = again.items(1, again.highest_seq, 10)
    stored = decode_upload(item.payload)
    assert isinstance(stored, Block)
    assert stored.boot_id == SOURCE_TIME
    again.close()


def test_once_shows_the_newest_reading_with_its_age_and_says_when_nothing_comes() -> None:
    lines, failed = read_all_once([Source([row(0, 0.5)])])
    assert failed == 0
    assert any("current        0.5000 A" in line for line in lines)
    assert any("read at 2023-11-14 22:13:20.000 UTC by the source, " in line and "s ago" in line for line in lines)
    silent = Source()
    silent.patience_s = 0.3
    lines, failed = read_all_once([silent])
    assert failed == 1
    assert "    nothing came in 0.3 s" in lines
