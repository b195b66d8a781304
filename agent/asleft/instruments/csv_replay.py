"""A recorded log played back as an instrument, at the pace it was recorded."""

from __future__ import annotations

import bisect
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from asleft.instruments.csv_parse import Log, parse_log
from asleft.instruments.protocol import ChannelForm, Reading, ValveForm
from asleft.wire.block import Burst, Reason
from asleft.wire.settings import LONGEST_PATH, Section
from asleft.wire.topics import ID_WANTED, valid_valve


@dataclass(frozen=True, slots=True)
class CsvSettings:
    """A log to replay."""

    name: str
    """What messages call it; the file name when absent."""
    file: Path
    """The log, with one header line."""
    valve: str
    """Id of the valve it is replayed as."""
    time_column: str
    """Header of the time column; "time" when absent."""
    separator: str
    """Between cells; a comma when absent."""
    loop: bool
    """Begin again at the end; false when absent: the readings then fail as not answered."""
    columns: tuple[tuple[str, ChannelForm], ...]
    """Header of each column to publish, and the channel it becomes."""


def read_csv_settings(table: Section) -> CsvSettings:
    """Settings from the file; faults go into the table's list, and then the value must not be used."""
    file = Path(table.text("file", most=LONGEST_PATH, check=bool, needed="the name of the log's file") or "")
    columns = []
    for column in table.sections("channel"):
        name = column.text("name", check=bool, needed="the name of the channel") or ""
        columns.append((column.text("column") or name, ChannelForm(name, column.text("unit") or "1")))
        column.close()
    tab = table.raw("separator") == "\t"
    settings = CsvSettings(
        name=table.text("name") or file.name,
        file=file,
        valve=table.text("valve", check=valid_valve, wanted=ID_WANTED, needed="the id it is replayed as") or "",
        time_column=table.text("time_column") or "time",
        separator="\t" if tab else table.text("separator", most=1, check=bool, wanted="must be one character") or ",",
        loop=table.flag("loop") or False,
        columns=tuple(columns),
    )
    table.close()
    return settings


class CsvReplay:
    """See `asleft.instruments.protocol.Instrument`, which it implements."""

    def __init__(self, settings: CsvSettings, clock: Callable[[], float] = time.monotonic) -> None:
        self._settings = settings
        self._clock = clock
        self._form = ValveForm(settings.valve, tuple(form for _, form in settings.columns))
        self._log: Log | None = None
        self._began_s = 0.0
        self._given = (0, -1)  # round and row of what was given last

    @property
    def name(self) -> str:
        """What the settings call it."""
        return self._settings.name

    @property
    def valves(self) -> tuple[ValveForm, ...]:
        """The one valve it is replayed as."""
        return (self._form,)

    def open(self) -> None:
        """Read the log and start its time. Raises `OSError` or `CsvError`."""
        settings = self._settings
        with settings.file.open(encoding="utf-8-sig", newline="") as lines:
            self._log = parse_log(
                lines, settings.time_column, [name for name, _ in settings.columns], settings.separator
            )
        self._began_s = self._clock()
        self._given = (0, -1)

    def read_once(self, index: int) -> Reading | None:
        """The row that is due: the newest at or before the time since `open`. None where it was given already."""
        log = self._log
        if log is None:
            return Reading.all_failed(len(self._form.channels), Reason.NOT_CONNECTED)
        elapsed_s, rounds = self._clock() - self._began_s, 0.0
        if elapsed_s > log.times_s[-1]:
            if not self._settings.loop:
                return Reading.all_failed(len(self._form.channels), Reason.NO_ANSWER)
            rounds, elapsed_s = divmod(elapsed_s, self._loop_s(log))
        due = round(rounds), bisect.bisect_right(log.times_s, elapsed_s) - 1
        if due == self._given:
            return None
        self._given = due
        return log.readings[due[1]]

    def read_bursts(self, index: int) -> list[Burst]:
        """A slow log holds none."""
        return []

    def close(self) -> None:
        """Forget the log."""
        self._log = None

    @staticmethod
    def _loop_s(log: Log) -> float:
        """Length of one round: the last row lasts as long as the rows do on average."""
        steps = len(log.times_s) - 1
        return log.times_s[-1] * (1 + 1 / steps) if steps else 1.0
