"""The sample store over InfluxDB: written synchronously, then marked in the records store, then acknowledged.

There is no transaction over both. A crash between the two leaves points without a mark; the agent sends those
blocks again, and the same points overwrite themselves.
"""

from __future__ import annotations

import threading
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from asleft.store.influx.block_index import Key, Work
from asleft.store.influx.lines import ReadyBlock, Serialiser, ready
from asleft.store.influx.place import InfluxPlace
from asleft.store.influx.reader import InfluxReader
from asleft.store.influx.retention import Keeping
from asleft.store.influx.writer import Writer
from asleft.store.lease_types import HeldLeases, Hold
from asleft.store.lock import FolderLock
from asleft.store.migrate import migrated_engine
from asleft.store.protocols import BlocksRefused, SampleReader, SampleStore, StoreUnavailable, StreamMark
from asleft.store.retention import Retention
from asleft.store.streams import check_gaps
from asleft.wire.block import Block, Gap
from sqlalchemy import Engine
from sqlalchemy.exc import SQLAlchemyError


def open_influx(
    place: InfluxPlace,
    records: Path | str,
    data_dir: Path,
    retention: Retention | None = None,
    held_leases: HeldLeases | None = None,
) -> SampleStore:
    """The store for writing; `records` names the records store. InfluxDB need not answer yet.

    With `held_leases`, others write there too: a commit for agents that are not held is refused (`LeaseLost`).

    Raises `FolderInUse` if another recorder works in the data folder, `MigrationError` for a newer records store.
    """
    data_dir.mkdir(parents=True, exist_ok=True)
    lock = FolderLock(data_dir)
    try:
        return InfluxSamples(place, migrated_engine(records), lock, retention or Retention(), held_leases)
    except BaseException:
        lock.release()
        raise


def open_influx_reader(place: InfluxPlace, records: Path | str) -> SampleReader:
    """The store for reading. Use it from any number of threads."""
    return InfluxReader(place, migrated_engine(records))


class InfluxSamples(InfluxReader):
    """`SampleStore` over one InfluxDB."""

    def __init__(
        self,
        place: InfluxPlace,
        engine: Engine,
        lock: FolderLock,
        retention: Retention,
        held_leases: HeldLeases | None = None,
    ) -> None:
        super().__init__(place, engine)
        self._held_leases = held_leases
        self._lock_file = lock
        self._one_commit = threading.Lock()
        self._serialiser = Serialiser()
        self._writer = Writer(place)
        self._keeping = Keeping(place, self._influxql, self._buckets, self._index, retention)

    def commit(self, blocks: Sequence[Block], gaps: Sequence[Gap], now_ns: int) -> list[StreamMark]:
        """Write what has arrived, then mark it; the marks of every stream touched.

        Raises `ValueError` for a block or gap that breaks the contract, `BlocksRefused` for blocks that the server
        will never take, `StoreUnavailable` while it or the records store is out of order, `LeaseLost` for agents that
        are another recorder's; nothing of the call counts as stored then.
        """
        prepared = [ready(block) for block in blocks]
        check_gaps(gaps)
        with self._one_commit:
            self._keeping.prepare()
            try:
                return self._commit(prepared, gaps, now_ns)
            except SQLAlchemyError as error:
                raise StoreUnavailable(f"the records store failed: {error}") from error

    def prove(self) -> None:
        """Write a point of our own to each bucket. Raises `StoreUnavailable` if the server does not take them."""
        with self._one_commit:
            self._keeping.prepare()
            self._writer.prove()

    def maintain(self, now_ns: int) -> bool:
        """Look after retention, at most every few minutes; False: there is nothing more to do now."""
        with self._one_commit:
            self._keeping.maintain(now_ns)
        return False

    def about(self) -> dict[str, Any]:
        """What the health page says of the store."""
        return {"where": str(self._place), **self._keeping.about()}

    def close(self) -> None:
        """Release connections, and let another process write."""
        with self._one_commit:
            self._writer.close()
            super().close()
            self._lock_file.release()

    def _commit(self, prepared: Sequence[ReadyBlock], gaps: Sequence[Gap], now_ns: int) -> list[StreamMark]:
        lowest: dict[Key, int] = {}
        for agent, stream, seq in (
            *((one.block.agent, one.block.stream, one.block.seq) for one in prepared),
            *((gap.agent, gap.stream, gap.first) for gap in gaps),
        ):
            lowest[agent, stream] = min(seq, lowest.get((agent, stream), seq))
        valves = dict.fromkeys((one.block.valve, (one.block.agent, one.block.stream)) for one in prepared)
        holds: Sequence[Hold] = ()
        if self._held_leases is not None:  # before anything is read: what is read later holds good under these
            holds = self._held_leases.holds({agent for agent, _ in lowest})
        work = self._index.load(lowest, valves)
        self._write(work, _wanted(work, prepared))
        for gap in gaps:
            work.rows[gap.agent, gap.stream].declare(gap)
        marks = [row.finish(now_ns) for row in work.rows.values()]
        self._index.keep(work, marks, holds)
        return marks

    def _write(self, work: Work, wanted: Sequence[ReadyBlock]) -> None:
        lines = []
        for one in wanted:
            places = work.places[one.block.valve, (one.block.agent, one.block.stream)]
            lines.append(self._serialiser.lines(one, places.place(one.block.seq, one.from_ns, one.to_ns)))
        refused = self._writer.write(lines)
        if refused:
            raise BlocksRefused([(wanted[one.number].block, one.why) for one in refused])


def _wanted(work: Work, prepared: Sequence[ReadyBlock]) -> list[ReadyBlock]:
    """What is not stored yet, in the order of numbers; the others are counted as sent twice."""
    wanted: list[ReadyBlock] = []
    for one in prepared:
        key = (one.block.agent, one.block.stream)
        row, stream = work.rows[key], work.streams[key]
        if not row.takes(one.block.seq) or one.block.seq in stream.above | stream.added:
            row.duplicates += 1
            continue
        stream.added.add(one.block.seq)
        wanted.append(one)
    return sorted(wanted, key=lambda one: one.block.seq)
