"""Marks, gaps and places of blocks in the records store, for a sample store that knows no transactions.

`load` reads what a commit needs, the commit works on it in memory, the samples are written, and only then `keep`
writes it back in one transaction. A stream has one recorder; should another have taken it over in between, `keep`
refuses, and nothing is acknowledged: of several recorders each names the holds under which it writes.
"""

from __future__ import annotations

from bisect import bisect_right, insort
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from asleft.store import tables
from asleft.store.engine import insert_replacing, reading, writing
from asleft.store.influx.block_pages import Lap, Page, Places, merged
from asleft.store.lease_types import Hold
from asleft.store.leases import check_holds
from asleft.store.marks import Run
from asleft.store.protocols import StoreUnavailable, StreamMark
from asleft.store.streams import StreamRow
from sqlalchemy import Connection, Engine, Table, func, select

Key = tuple[str, str]
"""Agent and stream."""


class IndexedStream:
    """`StreamTable` in memory; `added` are the numbers that the commit is about to store.

    Only gaps that begin at `from_seq` or beyond are here: a stream may have very many, and a commit does not need
    those that lie below all that it is about.
    """

    def __init__(self, gaps: Iterable[tuple[int, int, str]], above: Iterable[int], from_seq: int = 0) -> None:
        self.from_seq = from_seq
        self.gaps = sorted(gaps)
        self.above = set(above)
        self.added: set[int] = set()
        self.gaps_changed = False

    def gap_at(self, seq: int) -> tuple[int, int, str] | None:
        """The last gap that begins at or below a number: first, last, why."""
        at = bisect_right(self.gaps, seq, key=lambda gap: gap[0])
        return self.gaps[at - 1] if at else None

    def remove_gap(self, first: int) -> None:
        """Forget the gap that begins there."""
        self.gaps = [gap for gap in self.gaps if gap[0] != first]
        self.gaps_changed = True

    def add_gaps(self, runs: Iterable[Run], why: str) -> None:
        """Keep further gaps, of numbers that are in none."""
        for first, last in runs:
            insort(self.gaps, (first, last, why))
            self.gaps_changed = True

    def gaps_above(self, seq: int) -> list[Run]:
        """Gaps that begin above a number, ascending."""
        return [(first, last) for first, last, _ in self.gaps if first > seq]

    def stored_above(self, seq: int) -> set[int]:
        """Numbers of stored blocks above a number, those that the commit adds among them."""
        return {number for number in self.above | self.added if number > seq}


@dataclass(slots=True)
class Work:
    """What a commit works on."""

    rows: dict[Key, StreamRow] = field(default_factory=dict)
    streams: dict[Key, IndexedStream] = field(default_factory=dict)
    before: dict[Key, int | None] = field(default_factory=dict)  # mark as stored, None for a new stream
    places: dict[tuple[str, Key], Places] = field(default_factory=dict)


class BlockIndex:
    """Reads and writes the tables `sample_*`."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine

    def marks(self) -> list[StreamMark]:
        """All streams."""
        table = tables.sample_stream
        with reading(self._engine) as connection:
            rows = connection.execute(select(table).order_by(table.c.agent, table.c.stream))
            return [StreamMark(*row) for row in rows]

    def load(self, lowest: Mapping[Key, int], valves: Iterable[tuple[str, Key]]) -> Work:
        """Streams and places as they stand. `lowest`: the least number of each stream that the commit is about."""
        work = Work()
        table = tables.sample_gap
        with reading(self._engine) as connection:
            for key, seq in lowest.items():
                row = connection.execute(_of(tables.sample_stream, key)).first()
                from_seq = min(seq, 0 if row is None else row.mark)
                # Gaps are disjoint, so of those that begin before it only the last may reach it.
                begun = select(func.max(table.c.first)).where(*_mine(table, key), table.c.first <= from_seq)
                from_seq = connection.scalar(begun) or from_seq
                rows = connection.execute(_of(table, key).where(table.c.first >= from_seq))
                gaps = [(gap.first, gap.last, gap.why) for gap in rows]
                above = [one.seq for one in connection.execute(_of(tables.sample_above, key))]
                work.streams[key] = IndexedStream(gaps, above, from_seq)
                work.before[key] = None if row is None else row.mark
                counts = (0, 0, 0) if row is None else (row.mark, row.declared_gap, row.duplicates)
                work.rows[key] = StreamRow(work.streams[key], *key, *counts)
            for valve, key in valves:
                statement = _of(tables.sample_lap, key).where(tables.sample_lap.c.valve == valve)
                laps = [
                    Lap(one.lap, one.last_seq, one.to_ns, one.longest_ns) for one in connection.execute(statement)
                ]
                work.places[valve, key] = Places(laps)
        return work

    def keep(self, work: Work, marks: Sequence[StreamMark], holds: Sequence[Hold] = ()) -> None:
        """Write everything back, durably.

        Raises `LeaseLost` if one of `holds` has gone, `StoreUnavailable` if a stream has moved meanwhile.
        """
        with writing(self._engine) as connection:
            check_holds(connection, holds)
            for mark in marks:
                key = (mark.agent, mark.stream)
                self._keep_stream(connection, mark, work.before[key], work.streams[key])
            for (valve, key), places in work.places.items():
                _keep_places(connection, valve, key, places)

    def forget_before(self, cut_ns: int) -> int:
        """Forget pages whose readings all lie before a time, as the server has; how many."""
        table = tables.sample_page
        with reading(self._engine) as connection:
            if connection.execute(select(table.c.page).where(table.c.to_ns < cut_ns).limit(1)).first() is None:
                return 0
        with writing(self._engine) as connection:
            return connection.execute(table.delete().where(table.c.to_ns < cut_ns)).rowcount

    # ----------------------------------------------------------------------------------------- for readers

    def valves(self) -> list[str]:
        """Ids of all valves that have samples, sorted."""
        with reading(self._engine) as connection:
            return list(connection.scalars(select(tables.sample_page.c.valve).distinct().order_by("valve")))

    def span(self, valve: str) -> tuple[int, int] | None:
        """First and last sample time (ns)."""
        table = tables.sample_page
        with reading(self._engine) as connection:
            first, last = connection.execute(
                select(func.min(table.c.from_ns), func.max(table.c.to_ns)).where(table.c.valve == valve)
            ).one()
        return None if first is None else (first, last)

    def feeds(self) -> Mapping[str, str]:
        """Valve -> the agent that its newest samples came from."""
        table = tables.sample_lap
        newest = select(table.c.valve, table.c.agent, func.max(table.c.to_ns).label("at_ns"))
        with reading(self._engine) as connection:
            rows = connection.execute(newest.group_by(table.c.valve, table.c.agent).order_by("at_ns"))
            return {row.valve: row.agent for row in rows}

    def all_spans(self) -> Mapping[str, tuple[int, int]]:
        """First and last sample time (ns) of every valve that has samples."""
        table = tables.sample_page
        ends = select(table.c.valve, func.min(table.c.from_ns), func.max(table.c.to_ns)).group_by(table.c.valve)
        with reading(self._engine) as connection:
            return {valve: (first, last) for valve, first, last in connection.execute(ends)}

    def spans(self, valve: str, from_ns: int, to_ns: int) -> tuple[int, list[tuple[int, int]]]:
        """The longest block of a valve (ns), and the spans of its pages that touch from_ns <= time < to_ns."""
        laps, pages = tables.sample_lap, tables.sample_page
        with reading(self._engine) as connection:
            longest_ns = connection.scalar(select(func.max(laps.c.longest_ns)).where(laps.c.valve == valve))
            rows = connection.execute(
                select(pages.c.from_ns, pages.c.to_ns)
                .where(pages.c.valve == valve, pages.c.from_ns < to_ns, pages.c.to_ns >= from_ns)
                .order_by(pages.c.from_ns)
            )
            return longest_ns or 0, [(row.from_ns, row.to_ns) for row in rows]

    def waiting(
        self, valve: str, cursor: Mapping[str, int], limit: int, from_ns: int | None
    ) -> list[tuple[Key, int, int, list[Page]]]:
        """Of every stream with blocks of a valve: key, mark, longest block (ns), and pages by number.

        Pages up to the cursor are left out, with `from_ns` also those that end earlier; there are enough of them for
        `limit` blocks: all but the first and the last have at least one each.
        """
        pages, streams, laps = tables.sample_page, tables.sample_stream, tables.sample_lap
        with reading(self._engine) as connection:
            longest = dict[Key, int]()
            for row in connection.execute(select(laps).where(laps.c.valve == valve)):
                key = (row.agent, row.stream)
                longest[key] = max(longest.get(key, 0), row.longest_ns)
            found: list[tuple[Key, int, int, list[Page]]] = []
            for key in sorted(longest):
                mark = connection.scalar(_of(streams, key).with_only_columns(streams.c.mark)) or 0
                statement = _of(pages, key).where(
                    pages.c.valve == valve, pages.c.first_seq <= mark, pages.c.last_seq > cursor.get(key[1], 0)
                )
                if from_ns is not None:
                    statement = statement.where(pages.c.to_ns >= from_ns)
                rows = connection.execute(statement.order_by(pages.c.first_seq).limit(limit + 2))
                found.append((key, mark, longest[key], [_page(row) for row in rows]))
            return found

    def _keep_stream(
        self, connection: Connection, mark: StreamMark, before: int | None, stream: IndexedStream
    ) -> None:
        key = (mark.agent, mark.stream)
        table = tables.sample_stream
        row = connection.execute(_of(table, key)).first()
        if (None if row is None else row.mark) != before:
            raise StoreUnavailable(f"stream {mark.stream} of {mark.agent} was written by another recorder meanwhile")
        last_at_ns = mark.last_at_ns if row is None else max(mark.last_at_ns, row.last_at_ns)
        insert_replacing(
            connection,
            table,
            [
                {
                    "agent": mark.agent,
                    "stream": mark.stream,
                    "mark": mark.mark,
                    "declared_gap": mark.declared_gap,
                    "duplicates": mark.duplicates,
                    "last_at_ns": last_at_ns,
                }
            ],
        )
        if stream.gaps_changed:
            gaps = tables.sample_gap
            connection.execute(gaps.delete().where(*_mine(gaps, key), gaps.c.first >= stream.from_seq))
            _insert(connection, gaps, key, [{"first": a, "last": b, "why": why} for a, b, why in stream.gaps])
        above = tables.sample_above
        if stream.above:
            connection.execute(above.delete().where(*_mine(above, key), above.c.seq <= mark.mark))
        new = sorted(seq for seq in stream.added if seq > mark.mark)
        _insert(connection, above, key, [{"seq": seq} for seq in new])


def _keep_places(connection: Connection, valve: str, key: Key, places: Places) -> None:
    agent, stream = key
    who: dict[str, Any] = {"valve": valve, "agent": agent, "stream": stream}
    insert_replacing(
        connection,
        tables.sample_lap,
        [
            who | {"lap": lap.lap, "last_seq": lap.last_seq, "to_ns": lap.to_ns, "longest_ns": lap.longest_ns}
            for lap in places.laps.values()
        ],
    )
    table = tables.sample_page
    rows = []
    for added in places.pages.values():
        held = connection.execute(
            _of(table, key).where(table.c.valve == valve, table.c.page == added.page, table.c.lap == added.lap)
        ).first()
        page = added if held is None else merged(_page(held), added)
        rows.append(
            who
            | {"page": page.page, "lap": page.lap, "first_seq": page.first_seq, "last_seq": page.last_seq}
            | {"from_ns": page.from_ns, "to_ns": page.to_ns}
        )
    insert_replacing(connection, table, rows)


def _page(row: Any) -> Page:  # noqa: ANN401 - a row of any select of the whole table
    return Page(row.page, row.lap, row.first_seq, row.last_seq, row.from_ns, row.to_ns)


def _of(table: Table, key: Key) -> Any:  # noqa: ANN401 - a select, whose type names its columns
    return select(table).where(*_mine(table, key))


def _mine(table: Table, key: Key) -> tuple[Any, Any]:
    return table.c.agent == key[0], table.c.stream == key[1]


def _insert(connection: Connection, table: Table, key: Key, rows: list[dict[str, Any]]) -> None:
    if rows:
        connection.execute(table.insert(), [{"agent": key[0], "stream": key[1]} | row for row in rows])
