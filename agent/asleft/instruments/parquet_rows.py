"""Rows of a folder of Parquet files that somebody else adds to. One that is being written waits until it is whole."""

from __future__ import annotations

import time
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
from asleft.instruments.table_feed import Row, RowError
from asleft.instruments.table_settings import TableValve

Mark = tuple[int, int]
_UNFINISHED_S = 60.0


class ParquetRows:
    """See `asleft.instruments.table_feed.RowSource`, which it implements."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._ends: dict[tuple[Path, str], tuple[Mark, int]] = {}  # file, time column -> newest time in it

    def now_ns(self) -> int:
        """Our own clock."""
        return time.time_ns()

    def rows(self, valve: TableValve, after_ns: int, until_ns: int, limit: int) -> list[Row]:
        """Rows between two times, from all files that hold such."""
        try:
            files = sorted(path for path in self._folder.rglob("*.parquet") if not path.name.startswith((".", "_")))
        except OSError as error:
            raise RowError(f"{self._folder}: cannot be read: {error.strerror}") from error
        if not self._folder.is_dir():
            raise RowError(f"{self._folder}: no folder")
        found: list[Row] = []
        for path in files:
            found += self._of_file(path, valve, after_ns, until_ns, limit)
        return sorted(found, key=lambda row: row[0])[:limit]

    def close(self) -> None:
        """Nothing is kept open."""

    def _of_file(self, path: Path, valve: TableValve, after_ns: int, until_ns: int, limit: int) -> list[Row]:
        try:
            found = path.stat()
            mark = (found.st_size, found.st_mtime_ns)
            known = self._ends.get((path, valve.time_column))
            if known is not None and known[0] == mark and known[1] <= after_ns:
                return []
            there = pq.read_schema(path).names
        except FileNotFoundError:
            return []
        except (pa.ArrowException, OSError) as error:
            if time.time() - found.st_mtime < _UNFINISHED_S:
                return []  # it is being written
            raise RowError(f"{path}: cannot be read: {' '.join(str(error).split())[:200]}") from error
        names = [valve.time_column, *dict.fromkeys(one.column for one in valve.columns)]
        missing = [name for name in names if name not in there]
        if missing:
            raise RowError(f"{path}: no column {missing[0]!r}; there are {', '.join(there)}")
        try:
            table = pq.read_table(path, columns=names, partitioning=None)
        except (pa.ArrowException, OSError) as error:
            raise RowError(f"{path}: cannot be read: {' '.join(str(error).split())[:200]}") from error
        times = table.column(valve.time_column)
        if not pa.types.is_timestamp(times.type) or times.type.tz is None:
            raise RowError(f"{path}: column {valve.time_column!r} is {times.type}, a timestamp with a zone is needed")
        ns = pc.cast(pc.cast(times, pa.timestamp("ns", times.type.tz)), pa.int64())
        newest = pc.max(ns).as_py()
        self._ends[path, valve.time_column] = (mark, newest if newest is not None else 0)
        wanted = pc.and_(pc.greater(ns, after_ns), pc.less_equal(ns, until_ns))
        chosen = table.select(names[1:]).append_column("", ns).filter(wanted)
        chosen = chosen.take(pc.sort_indices(chosen.column(""))).slice(0, limit)
        cells = [chosen.column(one.column).to_pylist() for one in valve.columns]
        return list(zip(chosen.column("").to_pylist(), zip(*cells, strict=True), strict=True))
