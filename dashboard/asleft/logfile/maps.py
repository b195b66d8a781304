"""A map written out, so that the second file of a logger needs no recognition."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping

from asleft.sheet.logmap import CHANNELS, Column, LogMap

_HEAD = """\
# How to read this logger's files. Written by asleft log; check it, then give it as --map FILE, or put it under [log]
# in the valve's sheet (with [log.column] for [column]).
"""


def map_text(log_map: LogMap, comments: Mapping[str, str], unsure: Iterable[str] = (), *, head: bool = True) -> str:
    """A map as TOML. `comments`: channel -> what speaks for it; `unsure`: sentences that stand above all."""
    lines = [_HEAD if head else "", *(f"# NOT SURE: {sentence}\n" for sentence in unsure)]
    for key, value, usual in (
        ("separator", log_map.separator, None),
        ("decimal_comma", log_map.decimal_comma, False),
        ("header_lines", log_map.header_lines, 0),
        ("header", log_map.has_header, True),
        ("unit_lines", log_map.unit_lines, 0),
        ("encoding", log_map.encoding, "utf-8"),
        ("table", log_map.table, None),
        ("name_column", log_map.tall and log_map.tall[0], None),
        ("value_column", log_map.tall and log_map.tall[1], None),
        ("time_format", log_map.time_format, None),
        ("zone", log_map.zone, "UTC"),
    ):
        if value != usual:
            lines.append(f"{key} = {_toml(value)}\n")
    lines.append("[column]\n")
    lines += [
        f"{channel} = {_column(log_map.columns[channel])}{_comment(comments.get(channel, ''))}\n"
        for channel in CHANNELS
        if channel in log_map.mapped
    ]
    return "".join(lines)


def _column(column: Column) -> str:
    plain = column.unit is None and column.scale == 1.0 and column.offset == 0.0
    if plain:
        return str(column.number) if column.number is not None else _toml(column.header)
    parts = [f"number = {column.number}" if column.number is not None else f"header = {_toml(column.header)}"]
    if column.unit is not None:
        parts.append(f"unit = {_toml(column.unit.symbol)}")
    if column.scale != 1.0:
        parts.append(f"scale = {column.scale!r}")
    if column.offset != 0.0:
        parts.append(f"offset = {column.offset!r}")
    return "{ " + ", ".join(parts) + " }"


def _comment(text: str) -> str:
    return f"   # {' '.join(text.split())}" if text else ""


def _toml(value: object) -> str:
    # A JSON string is a TOML basic string; numbers and booleans are written alike.
    return json.dumps(value, ensure_ascii=False)
