"""What people say of a file beforehand, on the command line or in answer to a question."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, tzinfo

from asleft.sheet.logmap import LogMap
from asleft.sheet.model import Signal


@dataclass(frozen=True, slots=True)
class Given:
    """What is known of the files beforehand. A map says all; without one the rest is recognised.

    `zone` is of times that carry none; it goes before the map's. `local_zone` is that of the machine, for files
    without a map that name none either. `start`: when the recording began, for times that only count from then.
    `signal` is the sheet's command signal: with it a command in percent or counts can be converted, and a command in
    the other unit is refused.
    """

    log_map: LogMap | None = None
    zone: tzinfo | None = None
    zone_name: str | None = None
    local_zone: str = "UTC"
    start: datetime | None = None
    signal: Signal | None = None
    columns: Mapping[str, str] = field(default_factory=dict)  # channel -> header, or number from 1
    units: Mapping[str, str] = field(default_factory=dict)  # channel -> symbol; of time a word of TIME_WORDS
    order: str | None = None  # of dates: a value of `moments.ORDERS`
    decimal: str | None = None  # "comma" or "point"
    separator: str | None = None
    encoding: str | None = None
    table: str | None = None
    group: str | None = None  # which of several valves in one file
    shunt_ohm: float | None = None
    transmitter: tuple[float, float] | None = None  # pressure at 4 and at 20 mA, in the unit given for it
    shift_s: float | None = None  # added to the times of all files but the first, where files are joined
    counts: tuple[float, float] | None = None  # numbers at 0 and at 100 % command


@dataclass(frozen=True, slots=True)
class Choice:
    """One answer to a question: what it is called, and the options that give it on the command line."""

    label: str
    options: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Question:
    """What must be known before a file can be read. Without choices, `example` shows how to give it."""

    about: str
    text: str
    choices: tuple[Choice, ...] = ()
    example: tuple[str, ...] = ()
