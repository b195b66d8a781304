"""Blocks that are not judged yet, in the order in which they are to be judged, whether merged into runs or not."""

from __future__ import annotations

import heapq
from collections.abc import Iterator, Mapping
from itertools import islice
from typing import NamedTuple

from asleft.store.rows import Opened, Waiting
from asleft.store.runs import RUN_SEQS, Head, unpack_heads


class _Span(NamedTuple):
    """Which blocks of one stream are asked for."""

    valve: int
    stream: int
    name: str
    after: int
    mark: int
    from_ns: int | None


def waiting_rows(
    opened: Opened, valve: str, cursor: Mapping[str, int], limit: int, from_ns: int | None
) -> list[Waiting]:
    """Streams merged by time; within a stream the order of its seqs is kept, even where its clock was put back."""
    found = opened.valve(valve)
    if found is None:
        return []
    number, longest_ns = found
    streams: list[Iterator[Waiting]] = []
    for stream, name, mark in opened.connection.execute("SELECT id, name, mark FROM stream ORDER BY id").fetchall():
        span = _Span(number, stream, name, cursor.get(name, 0), mark, from_ns)
        both = heapq.merge(_merged(opened, span), _single(opened, span, longest_ns, limit), key=lambda row: row.seq)
        streams.append(iter(list(islice(both, limit))))
    return list(islice(heapq.merge(*streams, key=lambda row: row.from_ns), limit))


def _single(opened: Opened, span: _Span, longest_ns: int, limit: int) -> list[Waiting]:
    """Blocks in rows of their own."""
    bound = "" if span.from_ns is None else "AND from_ns >= ? AND to_ns >= ? "
    times = () if span.from_ns is None else (span.from_ns - longest_ns, span.from_ns)
    rows = opened.connection.execute(
        "SELECT seq, from_ns, to_ns, id FROM block WHERE valve = ? AND stream = ? AND seq > ? AND seq <= ? "
        f"{bound}ORDER BY seq LIMIT ?",
        (span.valve, span.stream, span.after, span.mark, *times, limit),
    )
    return [Waiting(seq, first_ns, last_ns, row, None, span.name) for seq, first_ns, last_ns, row in rows]


def _merged(opened: Opened, span: _Span) -> Iterator[Waiting]:
    """Blocks in runs, by number. Runs may lie one inside the other: a late block fills a hole in a run of its own."""
    rows = opened.connection.execute(
        "SELECT id, first_seq, blocks, heads FROM run WHERE valve = ? AND stream = ? AND first_seq > ? "
        "AND last_seq > ? AND first_seq <= ? AND to_ns >= ? ORDER BY first_seq",
        (
            *(span.valve, span.stream, span.after - RUN_SEQS, span.after, span.mark),
            -(2**63) if span.from_ns is None else span.from_ns,
        ),
    )
    ahead: list[Waiting] = []
    for run, first_seq, blocks, heads in rows:
        while ahead and ahead[0].seq < first_seq:
            yield heapq.heappop(ahead)
        for place, row in enumerate(unpack_heads(blocks, heads).tolist()):
            head = Head(*row)
            if head.seq > span.after and (span.from_ns is None or head.to_ns >= span.from_ns):
                heapq.heappush(ahead, Waiting(head.seq, head.from_ns, head.to_ns, run, place, span.name))
    while ahead:
        yield heapq.heappop(ahead)
