"""The report of a logger's file, without a store: what is read from stores elsewhere comes from one recording."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, cast

import numpy as np
from asleft.judge.judge import StepOutcome, begin, step
from asleft.judge.published import judgement_json
from asleft.judge.types import ChartPoint, Judgement, Samples, StateInterval
from asleft.sheet.model import Sheet
from asleft.store.protocols import RecordStore, SampleReader, SheetRecord, StoredSamples
from asleft.web.csv_text import Csv
from asleft.web.report.state import FromFile, state_report
from asleft.web.source import Source
from asleft.web.stretch import Stretch
from asleft.web.valve import table as tables
from asleft.web.when import PlantTime
from asleft.wire.block import Burst

DATED_S = 315_532_800.0  # 1980: a logger that counts seconds has not counted so many
UNDATED = "The file's times carry no date: they are seconds, shown as if counted from 1 January 1970."


@dataclass(frozen=True)
class Recording:
    """A file that was judged. `about` says which it is, `readings` in short; `toml` is the sheet as it was read."""

    sheet: Sheet
    toml: str
    samples: Samples
    judgement: Judgement
    about: str
    notes: Sequence[str] = ()
    readings: str = ""

    @property
    def ends_ns(self) -> tuple[int, int]:
        """Time of the first and just after the last reading, unix ns."""
        first, last = float(self.samples.time_s[0]), float(self.samples.time_s[-1])
        return round(first * 1e9), round(last * 1e9) + 1

    def source(self, time: PlantTime) -> Source:
        """What the views read, as of the end of the file."""
        stores = _Stores(self)
        end = self.ends_ns[1]
        return Source(cast("SampleReader", stores), cast("RecordStore", stores), time, lambda: end)


def file_report(recording: Recording, time: PlantTime, made_ns: int, version: str, *, size: str = "a4") -> str:
    """The document of a recording."""
    begins, ends = recording.ends_ns
    undated = recording.samples.time_s[-1] < DATED_S
    told = FromFile(
        about=" ".join([recording.about, *([UNDATED] if undated else []), *(f"{note}." for note in recording.notes)]),
        seconds={name: hours * 3600 for name, hours in recording.judgement.state_hours.items()},
        made_ns=made_ns,
        readings=recording.readings,
    )
    stretch = Stretch(begins, ends)
    text = state_report(recording.source(time), recording.sheet.valve, stretch, version, size=size, told=told)
    return cast("str", text)  # a recording has its sheet


def file_table(recording: Recording, time: PlantTime) -> Csv:
    """The table of settings of a recording."""
    return tables.quantities(recording.source(time), recording.sheet.valve)


class _Stores:
    """Both stores, as far as a report reads them, over one recording."""

    def __init__(self, recording: Recording) -> None:
        self._r = recording
        self._valve = recording.sheet.valve
        self._json = judgement_json(recording.judgement)

    @cached_property
    def _outcome(self) -> StepOutcome:
        """Judged once more for its history, when somebody asks for that."""
        return step(self._r.sheet, begin(self._r.sheet, horizon_s=None), self._r.samples)

    def valves(self) -> list[str]:
        return [self._valve]

    def span(self, valve: str) -> tuple[int, int] | None:
        begins, ends = self._r.ends_ns
        return (begins, ends - 1) if valve == self._valve else None

    def samples(self, valve: str, from_ns: int, to_ns: int) -> StoredSamples:
        time_ns = np.round(self._r.samples.time_s * 1e9).astype(np.int64)
        cut = slice(*np.searchsorted(time_ns, [from_ns, to_ns]).tolist())
        channels = {name: values[cut] for name, values in self._r.samples.channels.items()}
        return StoredSamples(valve, time_ns[cut], channels, {"command": self._r.sheet.signal.unit})

    def bursts(self, valve: str, from_ns: int, to_ns: int) -> list[Burst]:
        return [
            Burst("current", "A", round(one.start_s * 1e9), one.rate_hz, one.current_a)
            for one in self._r.samples.bursts
            if from_ns <= one.start_s * 1e9 < to_ns
        ]

    def sheets(self, valve: str) -> list[SheetRecord]:
        return [one for one in [self.effective_sheet(valve, 0)] if one is not None]

    def sheet_valves(self) -> list[str]:
        return [self._valve]

    def effective_sheet(self, valve: str, at_ns: int) -> SheetRecord | None:
        revision = self._r.sheet.revision
        at_s = revision.at.timestamp() if revision.at is not None else 0.0
        why = revision.why or ""
        by = revision.by or ""
        return SheetRecord(valve, revision.number, round(at_s * 1e9), by, why, self._r.toml, round(at_s * 1e9))

    def judgement(self, valve: str) -> Mapping[str, Any] | None:
        return self._json

    def intervals(self, valve: str, from_ns: int, to_ns: int) -> list[StateInterval]:
        return [one for one in self._outcome.intervals if one.to_s * 1e9 > from_ns and one.from_s * 1e9 < to_ns]

    def points(self, valve: str, quantity: str, from_ns: int, to_ns: int) -> list[ChartPoint]:
        return [p for p in self._outcome.points if p.quantity == quantity and from_ns <= p.at_s * 1e9 < to_ns]

    def backfills(self) -> list[object]:
        return []

    def alarm_events(self, valve: str | None = None, since_ns: int = 0) -> list[object]:
        return []
