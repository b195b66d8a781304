"""A table as CSV text (RFC 4180): comma, CR LF, quotes where needed, numbers with a point, no text that calculates.

A spreadsheet takes a cell that begins with = + - or @ for a formula, whatever quotes it stands in. Text that begins
with one of them gets an apostrophe before it, which spreadsheets take for "this is text". Numbers stay as they are.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
import numpy.typing as npt
from asleft.web.when import PlantTime

Cell = str | float | int | None
Int64Array = npt.NDArray[np.int64]

_DANGEROUS = ("=", "+", "-", "@", "\t", "\r", "\n")
_ROWS_A_PIECE = 500


@dataclass(frozen=True)
class Csv:
    """A table to be written: the name of its file without ending, its columns, its rows, of any number."""

    name: str
    columns: tuple[str, ...]
    rows: Iterable[Sequence[Cell]]


def text_of(table: Csv) -> Iterator[str]:
    """The file, in pieces of some hundred rows; the first piece has the line of columns."""
    paper = io.StringIO(newline="")
    writer = csv.writer(paper, lineterminator="\r\n")
    writer.writerow(table.columns)
    for count, row in enumerate(table.rows, 1):
        writer.writerow([shown(cell) for cell in row])
        if count % _ROWS_A_PIECE == 0:
            yield _taken(paper)
    yield _taken(paper)


def shown(cell: Cell) -> str:
    """One cell: six significant digits, nothing for what is not known, text made harmless."""
    if cell is None:
        return ""
    if isinstance(cell, str):
        return f"'{cell}" if cell.startswith(_DANGEROUS) else cell
    if isinstance(cell, float):
        return f"{cell:.6g}" if math.isfinite(cell) else ""
    return str(cell)


def utc(at_ns: int | None) -> str:
    """ISO 8601 in UTC to the millisecond, as in "2026-11-24T15:02:07.000Z"; empty for None."""
    if at_ns is None:
        return ""
    return f"{datetime.fromtimestamp(at_ns // 10**9, UTC):%Y-%m-%dT%H:%M:%S}.{at_ns // 10**6 % 1000:03d}Z"


def plant(at_ns: int | None, time: PlantTime) -> str:
    """The same moment by the plant's clock with its distance to UTC, as in "2026-11-24T16:02:07.000+01:00"."""
    if at_ns is None:
        return ""
    local = time.local(at_ns // 10**9 * 10**9)
    offset = f"{local:%z}"
    return f"{local:%Y-%m-%dT%H:%M:%S}.{at_ns // 10**6 % 1000:03d}{offset[:3]}:{offset[3:5]}"


def both(at_ns: int | None, time: PlantTime) -> tuple[str, str]:
    """`utc` and `plant`, the two columns that every time takes."""
    return utc(at_ns), plant(at_ns, time)


def utc_all(time_ns: Int64Array) -> list[str]:
    """`utc` of many moments, shape (n,)."""
    return [f"{text}Z" for text in _iso(time_ns // 10**6)]


def plant_all(time_ns: Int64Array, time: PlantTime) -> list[str]:
    """`plant` of many moments, shape (n,)."""
    if time_ns.size == 0:
        return []
    slots, which = np.unique(time_ns // (900 * 10**9), return_inverse=True)
    ends = [plant(int(slot) * 900 * 10**9, time)[-6:] for slot in slots]
    shift_ms = np.array([_minutes(end) * 60_000 for end in ends], dtype=np.int64)
    texts = _iso(time_ns // 10**6 + shift_ms[which])
    return [f"{text}{ends[index]}" for text, index in zip(texts, which.tolist(), strict=True)]


def _iso(time_ms: Int64Array) -> list[str]:
    return [str(text) for text in np.datetime_as_string(time_ms.astype("datetime64[ms]"), unit="ms").tolist()]


def _minutes(offset: str) -> int:
    return (-1 if offset[0] == "-" else 1) * (int(offset[1:3]) * 60 + int(offset[4:6]))


def _taken(paper: io.StringIO) -> str:
    text = paper.getvalue()
    paper.seek(0)
    paper.truncate()
    return text
