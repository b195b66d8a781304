"""Where the pages get everything from: the two stores, the plant's time, and sheets read once."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from threading import Lock
from typing import Any, TypeVar, cast

from asleft.alarms.figures import called
from asleft.alarms.grouping import Place, grouped
from asleft.alarms.states import WAITS, AlarmView, fold_all
from asleft.sheet.model import Sheet
from asleft.sheet.reader import read_sheet
from asleft.store.outbox import NoOutbox, OutboxReader
from asleft.store.protocols import Backfill, Health, RecordStore, SampleReader, SheetRecord
from asleft.store.trouble import SAMPLES_TROUBLE
from asleft.store.work import NoWork, WorkReader
from asleft.web.availability import Unreachable
from asleft.web.when import PlantTime

STANDING_FOR_NS = 3 * 10**9
"""How long it is kept which alarms stand."""
YESTERDAY_FOR_NS = 60 * 10**9
"""How long what was said a day ago is kept: it comes by the hour."""
PLACES_FOR_NS = 30 * 10**9
"""How long it is kept which agent sends which valve."""
DAY_NS = 86_400 * 10**9
MOST_KEPT = 256
"""So many answers are kept for a moment (`Source.kept`)."""
MOST_UNCHANGED = 16384
"""So many are kept until what they were made of changes (`Source.unchanged`)."""
MOST_WITHOUT_SHEET = 100
"""So many valves of which nobody has filed a sheet are listed on a page, those heard last; nothing judges them."""

_AWAY: tuple[type[Exception], ...] = (Unreachable, *SAMPLES_TROUBLE)

T = TypeVar("T")
V = TypeVar("V")


@dataclass(frozen=True, slots=True)
class Fleet:
    """All valves as they stand, each store asked the same few times however many there are. Keys are valves."""

    valves: list[str]
    sheets: Mapping[str, Sheet]  # in force now
    judgements: Mapping[str, Mapping[str, Any]]
    yesterday: Mapping[str, Mapping[str, Any]]  # what was said a day ago, at most `YESTERDAY_FOR_NS` older
    spans: Mapping[str, tuple[int, int]]
    backfills: Mapping[str, Backfill]
    unlisted: int = 0  # valves without a sheet, beyond the first `MOST_WITHOUT_SHEET`


def _not_known() -> None:
    return None


@dataclass
class Source:
    """Read access for the pages. `clock_ns` is unix ns; the pages ask no other clock."""

    samples: SampleReader
    records: RecordStore
    time: PlantTime
    clock_ns: Callable[[], int]
    work: WorkReader = field(default_factory=NoWork)
    outbox: OutboxReader = field(default_factory=NoOutbox)
    away: Callable[[], Sequence[Unreachable]] = tuple
    """The stores that cannot be reached now."""
    free_bytes: Callable[[], int | None] = _not_known
    """What the disk of the data folder has left, asked now; None where the data are on another server."""
    _sheets: dict[tuple[str, int, str], Sheet] = field(default_factory=dict, repr=False)
    _lock: Lock = field(default_factory=Lock, repr=False)
    _standing: tuple[int, Sequence[AlarmView]] | None = None
    _places: tuple[int, Mapping[str, Place]] | None = None
    _yesterday: tuple[int, Mapping[str, Mapping[str, Any]]] | None = None
    _kept: dict[object, tuple[int, object]] = field(default_factory=dict, repr=False)
    _unchanged: dict[object, tuple[object, object]] = field(default_factory=dict, repr=False)

    def now_ns(self) -> int:
        """The present, unix ns."""
        return self.clock_ns()

    def valves(self) -> list[str]:
        """All valves with samples or a sheet, sorted."""
        return sorted({*self.samples.valves(), *self.records.sheet_valves()})

    def fleet(self, *, everything: bool = False) -> Fleet:
        """What a page of all valves shows: those with a sheet, and the newest without; or `everything`."""
        now_ns = self.now_ns()
        spans = self.samples.all_spans()
        records = self.records.effective_sheets(now_ns)
        sheeted = set(self.records.sheet_valves())
        bare = sorted(spans.keys() - sheeted, key=lambda valve: (-spans[valve][1], valve))
        listed = bare if everything else bare[:MOST_WITHOUT_SHEET]
        return Fleet(
            valves=sorted({*sheeted, *listed}),
            sheets={valve: self.parsed(record) for valve, record in records.items()},
            judgements=self.records.judgements(),
            yesterday=self._said_yesterday(now_ns),
            spans=spans,
            backfills={backfill.valve: backfill for backfill in self.records.backfills()},
            unlisted=len(bare) - len(listed),
        )

    def _said_yesterday(self, now_ns: int) -> Mapping[str, Mapping[str, Any]]:
        kept = self._yesterday
        if kept is None or abs(now_ns - kept[0]) > YESTERDAY_FOR_NS:
            self._yesterday = kept = (now_ns, self.records.judgements_at(now_ns - DAY_NS))
        return kept[1]

    def alarms_standing(self) -> Sequence[AlarmView]:
        """Alarms whose condition is there or that nobody has acknowledged; a few seconds old at most."""
        now_ns = self.now_ns()
        kept = self._standing
        if kept is None or abs(now_ns - kept[0]) > STANDING_FOR_NS:
            events = self.records.alarm_events_lately(now_ns)
            views = [view for view in fold_all(events, now_ns) if view.active or view.state in WAITS]
            self._standing = kept = (now_ns, views)
        return kept[1]

    def waiting_alarms(self) -> int:
        """How many alarms nobody has acknowledged, those of one cause as one. Every page shows it."""
        now_ns = self.now_ns()
        views = [view for view in self.alarms_standing() if view.state in WAITS and called(view, now_ns)]
        return len(views) if len(views) < 2 else len(grouped(views, self.places()))

    def places(self) -> Mapping[str, Place]:
        """By valve the agent that sends its readings, and the instrument on which they fail if the agent says so.

        As last known while the samples cannot be reached: alarms must be seen all the same.
        """
        now_ns = self.now_ns()
        kept = self._places
        if kept is None or abs(now_ns - kept[0]) > PLACES_FOR_NS:
            try:
                found = _places(self.samples.feeds(), self.records.health())
            except _AWAY:
                found = {} if kept is None else kept[1]
            self._places = kept = (now_ns, found)
        return kept[1]

    def kept(self, key: object, lasts_ns: int, make: Callable[[], T]) -> T:
        """What `make` gives, made anew where that of `key` is older than `lasts_ns`."""
        now_ns = self.now_ns()
        with self._lock:
            known = self._kept.get(key)
        if known is not None and abs(now_ns - known[0]) < lasts_ns:
            return cast("T", known[1])
        made = make()
        self._keep(self._kept, key, (now_ns, made), MOST_KEPT)
        return made

    def unchanged(self, key: object, given: object, make: Callable[[], T]) -> T:
        """What `make` gave last for `key`, made anew where `given`, all that it is made of, is not equal."""
        known = self._unchanged.get(key)
        if known is not None and known[0] == given:
            return cast("T", known[1])
        made = make()
        self._keep(self._unchanged, key, (given, made), MOST_UNCHANGED)
        return made

    def _keep(self, known: dict[object, V], key: object, value: V, most: int) -> None:
        """Put it in as the newest; beyond `most` the oldest go."""
        with self._lock:
            known.pop(key, None)
            known[key] = value
            while len(known) > most:
                del known[next(iter(known))]

    def sheet(self, valve: str, at_ns: int) -> Sheet | None:
        """The sheet in force for a valve; None if it has none."""
        record = self.records.effective_sheet(valve, at_ns)
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


def _places(feeds: Mapping[str, str], health: Sequence[Health]) -> Mapping[str, Place]:
    places = {valve: Place(agent) for valve, agent in feeds.items()}
    for row in health:
        said = row.details.get("details")
        text = said.get("failing_on") if row.source.startswith("agent/") and isinstance(said, Mapping) else None
        agent = row.source.removeprefix("agent/")
        for valve, instrument in _failing_on(text):
            if places.get(valve, Place()).agent == agent:
                places[valve] = Place(agent, instrument)
    return places


def _failing_on(text: object) -> list[tuple[str, str]]:
    """Valves with the instrument on which they fail, as an agent tells it; nothing where that cannot be read."""
    found: object = None
    with suppress(ValueError, RecursionError):
        found = json.loads(text) if isinstance(text, str) else None
    if not isinstance(found, dict):
        return []
    return [
        (valve, instrument)
        for instrument, valves in found.items()
        if isinstance(valves, list)
        for valve in valves
        if isinstance(valve, str)
    ]
