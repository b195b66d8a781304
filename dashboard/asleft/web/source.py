"""Where the pages get everything from: the two stores, the plant's time, and sheets read once."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from threading import Lock
from typing import Any

from asleft.alarms.figures import called
from asleft.alarms.states import WAITS, fold_all
from asleft.sheet.model import Sheet
from asleft.sheet.reader import read_sheet
from asleft.store.outbox import NoOutbox, OutboxReader
from asleft.store.protocols import Backfill, RecordStore, SampleReader, SheetRecord
from asleft.store.work import NoWork, WorkReader
from asleft.web.when import PlantTime

WAITING_FOR_NS = 3 * 10**9
"""How long the number of waiting alarms is kept."""
YESTERDAY_FOR_NS = 60 * 10**9
"""How long what was said a day ago is kept: it comes by the hour."""
DAY_NS = 86_400 * 10**9


@dataclass(frozen=True, slots=True)
class Fleet:
    """All valves as they stand, each store asked the same few times however many there are. Keys are valves."""

    valves: list[str]
    sheets: Mapping[str, Sheet]  # in force now
    judgements: Mapping[str, Mapping[str, Any]]
    yesterday: Mapping[str, Mapping[str, Any]]  # what was said a day ago, at most `YESTERDAY_FOR_NS` older
    spans: Mapping[str, tuple[int, int]]
    backfills: Mapping[str, Backfill]


@dataclass
class Source:
    """Read access for the pages. `clock_ns` is unix ns; the pages ask no other clock."""

    samples: SampleReader
    records: RecordStore
    time: PlantTime
    clock_ns: Callable[[], int]
    work: WorkReader = field(default_factory=NoWork)
    outbox: OutboxReader = field(default_factory=NoOutbox)
    _sheets: dict[tuple[str, int, str], Sheet] = field(default_factory=dict, repr=False)
    _lock: Lock = field(default_factory=Lock, repr=False)
    _waiting: tuple[int, int] = (0, 0)  # alarms that wait for somebody, as of (unix ns)
    _yesterday: tuple[int, Mapping[str, Mapping[str, Any]]] | None = None

    def now_ns(self) -> int:
        """The present, unix ns."""
        return self.clock_ns()

    def valves(self) -> list[str]:
        """All valves with samples or a sheet, sorted."""
        return sorted({*self.samples.valves(), *self.records.sheet_valves()})

    def fleet(self) -> Fleet:
        """Everything that a page of all valves shows."""
        now_ns = self.now_ns()
        spans = self.samples.all_spans()
        records = self.records.sheets_in_force(now_ns)
        return Fleet(
            valves=sorted({*spans, *self.records.sheet_valves()}),
            sheets={valve: self.parsed(record) for valve, record in records.items()},
            judgements=self.records.judgements(),
            yesterday=self._said_yesterday(now_ns),
            spans=spans,
            backfills={backfill.valve: backfill for backfill in self.records.backfills()},
        )

    def _said_yesterday(self, now_ns: int) -> Mapping[str, Mapping[str, Any]]:
        kept = self._yesterday
        if kept is None or abs(now_ns - kept[0]) > YESTERDAY_FOR_NS:
            self._yesterday = kept = (now_ns, self.records.judgements_at(now_ns - DAY_NS))
        return kept[1]

    def waiting_alarms(self) -> int:
        """How many alarms nobody has acknowledged, a few seconds old at most: every page shows it."""
        now_ns = self.now_ns()
        count, at_ns = self._waiting
        if abs(now_ns - at_ns) > WAITING_FOR_NS:
            events = self.records.alarm_events_lately(now_ns)
            views = [view for view in fold_all(events, now_ns) if called(view, now_ns)]
            count = sum(view.state in WAITS for view in views)
            self._waiting = (count, now_ns)
        return count

    def sheet(self, valve: str, at_ns: int) -> Sheet | None:
        """The sheet in force for a valve; None if it has none."""
        record = self.records.sheet_in_force(valve, at_ns)
        return None if record is None else self.parsed(record)

    def parsed(self, record: SheetRecord) -> Sheet:
        """A stored revision as values, kept: stored revisions never change."""
        key = (record.valve, record.number, record.toml)
        with self._lock:
            sheet = self._sheets.get(key)
            if sheet is None:
                sheet = read_sheet(record.toml, source=f"{record.valve}, revision {record.number}")
                self._sheets[key] = sheet
        return sheet
