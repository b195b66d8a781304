"""Reading samples from InfluxDB; where blocks stand is in the records store."""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Iterator, Mapping
from itertools import groupby, islice
from typing import Any

from asleft.store.influx.block_index import BlockIndex, Key
from asleft.store.influx.block_pages import Page, windows
from asleft.store.influx.buckets import Buckets
from asleft.store.influx.place import InfluxPlace
from asleft.store.influx.query import Answer, BucketMissing, Influxql, StatementRefused, quoted
from asleft.store.influx.rows import Layouts, block_of, burst_of, ref_of, stored_row
from asleft.store.joining import Piece, channels_of, joined, pieces
from asleft.store.overview import overview_of, stretch_ns
from asleft.store.packing import layout_from
from asleft.store.protocols import BlockRef, Overview, StoredSamples, StoreUnavailable, StreamMark
from asleft.wire.block import Block, Burst
from sqlalchemy import Engine

HOUR_NS = 3_600 * 1_000_000_000
_LATEST_NS = 2**63 - 2
_REF = "seq, to_ns"


class InfluxReader:
    """`SampleReader` over one InfluxDB and its block index. Reads raise `StoreUnavailable` while it is down."""

    def __init__(self, place: InfluxPlace, engine: Engine) -> None:
        self._place = place
        self._engine = engine
        self._index = BlockIndex(engine)
        self._influxql = Influxql(place)
        self._buckets = Buckets(self._influxql)
        self._size_bytes = 0

    def valves(self) -> list[str]:
        """Ids of all valves that have samples, sorted."""
        return self._index.valves()

    def marks(self) -> list[StreamMark]:
        """All streams."""
        return self._index.marks()

    def span(self, valve: str) -> tuple[int, int] | None:
        """First and last sample time (ns) of a valve, None if there is none."""
        return self._index.span(valve)

    def feeds(self) -> Mapping[str, str]:
        """Valve -> the agent that its newest samples came from."""
        return self._index.feeds()

    def all_spans(self) -> Mapping[str, tuple[int, int]]:
        """`span` of every valve that has samples, of one moment."""
        return self._index.all_spans()

    def check(self) -> None:
        """Raise `StoreUnavailable` unless the server answers; the records are looked at on their own."""
        self._influxql.ping()

    def samples(self, valve: str, from_ns: int, to_ns: int) -> StoredSamples:
        """Raw readings with from_ns <= time < to_ns, oldest first; a channel is NaN where it was not recorded."""
        return joined(valve, self._pieces(valve, from_ns, to_ns), from_ns, to_ns)

    def channels(self, valve: str, from_ns: int, to_ns: int) -> list[tuple[str, str]]:
        """Channels and units that were recorded from_ns <= time < to_ns, about; one of several units comes twice."""
        longest_ns, _ = self._index.spans(valve, from_ns, to_ns)
        found = self._records(
            f'SELECT DISTINCT("layout") AS layout FROM "block" WHERE valve = {quoted(valve)} '
            f"AND time >= {from_ns - longest_ns} AND time < {min(to_ns, _LATEST_NS)}"
        )
        return channels_of(layout_from(record["layout"]) for record in found)

    def bursts(self, valve: str, from_ns: int, to_ns: int) -> list[Burst]:
        """Fast bursts that start in the span, oldest first."""
        where = f"valve = {quoted(valve)} AND time >= {from_ns} AND time < {min(to_ns, _LATEST_NS)}"
        found = self._records(f'SELECT * FROM "burst" WHERE {where} ORDER BY time')
        return [burst_of(record) for record in sorted(found, key=lambda one: (one["time"], one["seq"], _place(one)))]

    def overview(self, valve: str, channel: str, from_ns: int, to_ns: int, points: int) -> Overview:
        """At most about `points` stretches over the span, from stored per-block figures, never from raw rows.

        A block counts where it starts. Stretches without readings are absent. Raises `ValueError` for points < 1.
        """
        width_ns = stretch_ns(from_ns, to_ns, points)
        if to_ns <= from_ns:
            return overview_of([], from_ns)
        found = self._ask(
            self._place.overview_bucket,
            'SELECT MIN("minimum") AS low, SUM("total") AS total, SUM("count") AS readings, MAX("maximum") AS high '
            f'FROM "figure" WHERE valve = {quoted(valve)} AND channel = {quoted(channel)} '
            f"AND time >= {from_ns} AND time < {min(to_ns, _LATEST_NS)} GROUP BY time({width_ns}ns) fill(none)",
        )
        rows = [
            (at, low, total / readings, high)
            for series in found
            for at, low, total, readings, high in series.rows
            if readings
        ]
        return overview_of(rows, from_ns)

    def blocks_after(
        self, valve: str, cursor: Mapping[str, int], limit: int, from_ns: int | None = None
    ) -> list[tuple[BlockRef, Block]]:
        """Up to `limit` blocks of a valve not yet in `cursor` (stream -> last judged seq), in time order.

        Within a stream they come by seq and end at its mark: what lies beyond a hole waits until the hole is filled
        or declared. With `from_ns`, blocks that end earlier are left out.
        """
        found = self._waiting(valve, cursor, limit, from_ns, "*")
        bursts = self._bursts_of([record for _, record in found], valve)
        return [
            (ref, block_of(valve, record, bursts.get((record["agent"], ref.stream, ref.seq), [])))
            for ref, record in found
        ]

    def refs_after(
        self, valve: str, cursor: Mapping[str, int], limit: int, from_ns: int | None = None
    ) -> list[BlockRef]:
        """Where the blocks stand that `blocks_after` would give, in the same order, without reading them."""
        return [ref for ref, _ in self._waiting(valve, cursor, limit, from_ns, _REF)]

    def size_bytes(self) -> int:
        """Bytes on the server's disk, as it last told; 0 where it does not tell (InfluxDB 3)."""
        buckets = (self._place.bucket, self._place.overview_bucket)
        try:
            stored = self._influxql.ask("", "SHOW STATS FOR 'shard'")
        except StatementRefused:
            told = self._buckets.disk_bytes(buckets)
            self._size_bytes = self._size_bytes if told is None else told
            return self._size_bytes
        except StoreUnavailable:
            return self._size_bytes
        self._size_bytes = sum(
            record.get("diskBytes") or 0
            for series in stored
            for record in series.records()
            if record.get("database") in buckets
        )
        return self._size_bytes

    def close(self) -> None:
        """Release the connections."""
        self._influxql.close()
        self._engine.dispose()

    # ------------------------------------------------------------------------------------------- details

    def _records(self, statement: str) -> list[dict[str, Any]]:
        return [record for series in self._ask(self._place.bucket, statement) for record in series.records()]

    def _ask(self, bucket: str, statement: str) -> list[Answer]:
        """Of a bucket that is missing nothing is known, unless we have stored something: then it is an outage."""
        try:
            return self._influxql.ask(bucket, statement)
        except BucketMissing:
            if self._index.valves():
                raise
            return []

    def _pieces(self, valve: str, from_ns: int, to_ns: int) -> Iterator[Piece]:
        longest_ns, spans = self._index.spans(valve, from_ns, to_ns)
        layouts = Layouts()
        for start, end in windows(spans, from_ns - longest_ns, to_ns, HOUR_NS):
            found = self._records(
                f'SELECT * FROM "block" WHERE valve = {quoted(valve)} AND time >= {start} AND time < {end}'
            )
            yield from pieces((stored_row(one, layouts) for one in found if one["to_ns"] >= from_ns), layouts.layout)

    def _waiting(
        self, valve: str, cursor: Mapping[str, int], limit: int, from_ns: int | None, columns: str
    ) -> list[tuple[BlockRef, dict[str, Any]]]:
        """Streams merged by time; within a stream in the order of its seqs, even where its clock was put back."""
        streams = [
            self._of_stream(valve, key, (cursor.get(key[1], 0), mark), longest_ns, pages, limit, from_ns, columns)
            for key, mark, longest_ns, pages in self._index.waiting(valve, cursor, limit, from_ns)
        ]
        return list(islice(heapq.merge(*streams, key=lambda found: found[0].from_ns), limit))

    def _of_stream(
        self,
        valve: str,
        key: Key,
        seqs: tuple[int, int],
        longest_ns: int,
        pages: Iterable[Page],
        limit: int,
        from_ns: int | None,
        columns: str,
    ) -> Iterator[tuple[BlockRef, dict[str, Any]]]:
        left = limit
        for group in _page_groups(pages):
            found: list[dict[str, Any]] = []
            for lap, first_ns, last_ns in group:
                start_ns = first_ns if from_ns is None else max(first_ns, from_ns - longest_ns)
                where = (
                    f"valve = {quoted(valve)} AND agent = {quoted(key[0])} AND stream = {quoted(key[1])} "
                    f"AND lap = '{lap}' AND time >= {start_ns} AND time <= {last_ns} "
                    f"AND seq > {seqs[0]} AND seq <= {seqs[1]}"
                    + ("" if from_ns is None else f" AND to_ns >= {from_ns}")
                )
                found += self._records(f'SELECT {columns} FROM "block" WHERE {where} ORDER BY time LIMIT {left}')
            found.sort(key=lambda one: int(one["seq"]))
            for record in found[:left]:
                record["stream"] = key[1]
                yield ref_of(valve, record), record
            left -= len(found[:left])
            if left <= 0:
                return

    def _bursts_of(self, records: list[dict[str, Any]], valve: str) -> dict[tuple[str, str, int], list[Burst]]:
        """Bursts by agent, stream and seq of the block they came in."""
        holding = [record for record in records if record.get("bursts")]
        if not holding:
            return {}
        first = min(record["bursts_from_ns"] for record in holding)
        last = max(record["bursts_to_ns"] for record in holding)
        found = self._records(
            f'SELECT * FROM "burst" WHERE valve = {quoted(valve)} AND time >= {first} AND time <= {last}'
        )
        out: dict[tuple[str, str, int], list[Burst]] = {}
        for record in sorted(found, key=_place):
            out.setdefault((record["agent"], record["stream"], record["seq"]), []).append(burst_of(record))
        return out


def _page_groups(pages: Iterable[Page]) -> Iterator[list[tuple[int, int, int]]]:
    """Lap, first and last time of what may be read in one go: pages one after the other while they lie in one lap.

    A page in several laps is a group of its own: its blocks have to be sorted by their numbers.
    """
    run: list[tuple[int, int, int]] = []
    for _, members in groupby(
        sorted(pages, key=lambda page: (page.page, page.first_seq)), key=lambda page: page.page
    ):
        group = [(page.lap, page.from_ns, page.to_ns) for page in members]
        if len(group) == 1 and len(run) == 1 and run[0][0] == group[0][0] and run[0][2] <= group[0][1]:
            run = [(run[0][0], run[0][1], group[0][2])]
            continue
        if run:
            yield run
        run = group
    if run:
        yield run


def _place(record: Mapping[str, Any]) -> int:
    return int(record["place"])
