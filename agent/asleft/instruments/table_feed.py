"""Rows of a table that somebody else fills, as a feed: read once, or followed by a watermark on their time.

Rows are read in the order of their times, each once: those after the last one that was passed on, up to `late_s` ago.
What is written later than that, with a time before the last one read, is not seen. The watermark moves by rows alone:
a database that stood still for an hour and then gets that hour's rows loses none of them.
"""

from __future__ import annotations

import logging
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from contextlib import closing
from datetime import UTC, datetime
from typing import Protocol

from asleft.instruments.backoff import Backoff
from asleft.instruments.feed import FeedCounts, TimedReading
from asleft.instruments.feed_base import FeedBase, S
from asleft.instruments.json_values import number_of
from asleft.instruments.protocol import Reading
from asleft.instruments.table_settings import TableSettings, TableValve
from asleft.wire.block import Reason

logger = logging.getLogger(__name__)

MOST_ROWS_PER_S = 5000
"""Old rows are read no faster than this for all valves together: the recorder must keep up, or the spool fills."""
_BATCH = 2500
_SILENT_S = 60.0
_JOIN_S = 10.0

Row = tuple[int, Sequence[object]]
"""Time (ns since 1970 UTC) and the values of a valve's columns, in their order, as they came."""


class RowError(Exception):
    """Rows cannot be read; the text says why, without the secret."""


class RowSource(Protocol):
    """What a kind of table offers. For one thread."""

    def now_ns(self) -> int:
        """The clock that `late_s` is counted by. Raises `RowError`."""
        ...

    def rows(self, valve: TableValve, after_ns: int, until_ns: int, limit: int) -> list[Row]:
        """Rows with after < time <= until in the order of their times, the first `limit`. Raises `RowError`."""
        ...

    def close(self) -> None:
        """Let go of connections. May be called twice."""
        ...


def reading_of(values: Sequence[object], valve: TableValve) -> Reading:
    """A row as a reading. An empty cell, a text or a list is no number."""
    numbers: list[float] = []
    failed: dict[int, Reason] = {}
    for index, (value, column) in enumerate(zip(values, valve.columns, strict=True)):
        number = number_of(value, column.scale, column.offset)
        if isinstance(number, Reason):
            failed[index], number = number, 0.0
        numbers.append(number)
    return Reading(numbers, failed)


class TableFeed(FeedBase):
    """See `asleft.instruments.feed.Feed`, which it implements. Queries are made on a thread of its own."""

    def __init__(self, settings: TableSettings, connect: Callable[[], RowSource]) -> None:
        """`connect` makes the source when the thread starts; it need not be there yet."""
        super().__init__(settings.name, [valve.form() for valve in settings.valves], FeedCounts())
        self._settings = settings
        self._connect = connect
        self._after_ns = [0] * len(self._forms)
        self._found: list[deque[TimedReading]] = [deque() for _ in self._forms]
        self._away = "not read yet"
        self._now_ns = 0

    @property
    def patience_s(self) -> float:
        """How long the first reading may take."""
        return self._settings.timeout_s + self._settings.late_s + 2 * self._settings.every_s

    def open(self, after_ns: Mapping[str, int]) -> None:
        """Start reading behind what is stored, else at `since`, else at what is new now."""
        begin_ns = self._settings.since_ns
        with self._lock:
            for index, form in enumerate(self._forms):
                self._found[index].clear()
                fresh_ns = time.time_ns() - round(self._settings.late_s * S) if begin_ns is None else begin_ns - 1000
                self._after_ns[index] = after_ns.get(form.valve) or fresh_ns
        self._start(self._read_all, self._words)

    def take(self, index: int) -> list[TimedReading]:
        """Rows that were read since the last call."""
        with self._lock:
            rows = list(self._found[index])
            self._found[index].clear()
        return rows

    def trouble(self, index: int) -> str:
        """Why nothing comes."""
        if self._away:
            return self._away
        silent_s = (self._now_ns - self._after_ns[index]) / S - self._settings.late_s
        if self._settings.follow and silent_s > _SILENT_S and not self._found[index]:
            at = datetime.fromtimestamp(self._after_ns[index] / S, UTC)
            return f"{self.name} has no row after {at:%Y-%m-%d %H:%M:%S} UTC"
        return ""

    def close(self) -> None:
        """End the thread."""
        self._end(_JOIN_S)

    def _read_all(self, backoff: Backoff) -> None:
        with closing(self._connect()) as source:
            self._read(source, backoff)

    def _words(self, error: Exception) -> str:
        if isinstance(error, RowError):
            return str(error)
        logger.error("reading rows of %s failed, trying again", self.name, exc_info=error)
        return f"{type(error).__name__}: {error}"

    def _read(self, source: RowSource, backoff: Backoff) -> None:
        """Look until stopped, or until all is read where nothing is to be followed."""
        while not self._stop.is_set():
            self._now_ns = source.now_ns()
            until_ns = self._now_ns - round(self._settings.late_s * S)
            counts = [self._look(source, index, until_ns) for index in range(len(self._forms))]
            if self._away:
                logger.info("%s: is read", self.name)
            self._away = ""
            backoff.reset()
            behind = max(counts) >= _BATCH
            if not behind and not self._settings.follow:
                logger.info("%s: read to its end", self.name)
                self._stop.set()
                return
            self._stop.wait(sum(counts) / MOST_ROWS_PER_S if behind else self._settings.every_s)

    def _look(self, source: RowSource, index: int, until_ns: int) -> int:
        valve = self._settings.valves[index]
        rows = source.rows(valve, self._after_ns[index], until_ns, _BATCH)
        with self._lock:
            for at_ns, values in rows:
                at_us_ns = at_ns // 1000 * 1000
                if at_us_ns <= self._after_ns[index]:
                    self.counts.repeated += 1
                    continue
                self._after_ns[index] = at_us_ns
                self._found[index].append(TimedReading(at_us_ns, reading_of(values, valve)))
        return len(rows)
