"""What a store must do. Adapters are interchangeable: one contract suite (`tests/store`) holds for all of them.

Two stores, because they grow and fail differently: samples (huge, append-only, one writer) and records (small,
transactional, several writers).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt
from asleft.alarms.events import AlarmEvent
from asleft.judge.types import ChartPoint, StateInterval
from asleft.store.actor import Actor
from asleft.store.fleet import FleetJudged, FleetSpans
from asleft.store.lease_types import Hold
from asleft.wire.block import Block, Burst, Gap

FloatArray = npt.NDArray[np.float64]
Int64Array = npt.NDArray[np.int64]


# ---------------------------------------------------------------------------------------------- samples


@dataclass(frozen=True, slots=True)
class StreamMark:
    """What is stored of one agent's stream."""

    agent: str
    stream: str
    mark: int  # contiguous high-water mark: every seq up to it is stored or declared
    declared_gap: int  # seqs at or below the mark that were declared lost
    duplicates: int  # redeliveries seen, kept as a figure for the health page
    last_at_ns: int  # when the recorder last heard of the stream

    @property
    def stored(self) -> int:
        """Blocks stored, from counters (retention may have removed rows since)."""
        return self.mark - self.declared_gap


@dataclass(eq=False, frozen=True, slots=True)
class StoredSamples:
    """Raw readings of one valve, oldest first: `time_ns` shape (n,), channels shape (n,) with NaN where missing."""

    valve: str
    time_ns: Int64Array
    channels: Mapping[str, FloatArray]
    units: Mapping[str, str]


@dataclass(eq=False, frozen=True, slots=True)
class Overview:
    """Minimum, mean and maximum of one channel per stretch: every array has shape (n,)."""

    time_ns: Int64Array  # start of the stretch
    minimum: FloatArray
    mean: FloatArray
    maximum: FloatArray


@dataclass(frozen=True, slots=True)
class BlockRef:
    """Where a block stands: enough to judge each block exactly once."""

    valve: str
    stream: str
    seq: int
    from_ns: int
    to_ns: int


class StoreUnavailable(OSError):  # noqa: N818 - reads as what it says
    """The store cannot be reached, or is not set up as it should be: nothing is lost, try again."""


class BlocksRefused(ValueError):  # noqa: N818 - reads as what it says
    """The store will never take these blocks, and nothing of the call counts as stored. `refused`: which, and why."""

    def __init__(self, refused: Sequence[tuple[Block, str]]) -> None:
        self.refused = tuple(refused)
        block, why = self.refused[0]
        super().__init__(
            f"{len(self.refused)} blocks are refused, the first of {block.valve}, seq {block.seq}: {why}"
        )


class SampleReader(FleetSpans, Protocol):
    """Read side, used by recorder and web."""

    def valves(self) -> list[str]:
        """Ids of all valves that have samples, sorted."""
        ...

    def marks(self) -> list[StreamMark]:
        """All streams."""
        ...

    def feeds(self) -> Mapping[str, str]:
        """Valve -> the agent that its newest samples came from."""
        ...

    def span(self, valve: str) -> tuple[int, int] | None:
        """First and last sample time (ns) of a valve, None if there is none."""
        ...

    def samples(self, valve: str, from_ns: int, to_ns: int) -> StoredSamples:
        """Raw readings with from_ns <= time < to_ns."""
        ...

    def channels(self, valve: str, from_ns: int, to_ns: int) -> list[tuple[str, str]]:
        """Channels and units that were recorded from_ns <= time < to_ns, about; one of several units comes twice."""
        ...

    def bursts(self, valve: str, from_ns: int, to_ns: int) -> list[Burst]:
        """Fast bursts that start in the span, oldest first."""
        ...

    def overview(self, valve: str, channel: str, from_ns: int, to_ns: int, points: int) -> Overview:
        """At most about `points` stretches over the span, from stored per-block figures, never from raw rows."""
        ...

    def blocks_after(
        self, valve: str, cursor: Mapping[str, int], limit: int, from_ns: int | None = None
    ) -> list[tuple[BlockRef, Block]]:
        """Up to `limit` blocks of a valve not yet in `cursor` (stream -> last judged seq), in time order.

        A stream absent from the cursor counts from its beginning. Within a stream blocks come by seq, and end at its
        mark: what lies beyond a hole waits until the hole is filled or declared. With `from_ns`, blocks that end
        earlier are left out.
        """
        ...

    def refs_after(
        self, valve: str, cursor: Mapping[str, int], limit: int, from_ns: int | None = None
    ) -> list[BlockRef]:
        """Where the blocks stand that `blocks_after` would give, in the same order, without reading them."""
        ...

    def size_bytes(self) -> int:
        """Bytes on disk."""
        ...

    def check(self) -> None:
        """Raise what reading raises while the store cannot be reached; quick, and reads next to nothing."""
        ...

    def close(self) -> None:
        """Release the file or connection."""
        ...


class SampleStore(SampleReader, Protocol):
    """Write side: one instance, in the recorder."""

    def commit(self, blocks: Sequence[Block], gaps: Sequence[Gap], now_ns: int) -> list[StreamMark]:
        """Store what has arrived, durably, in one transaction; the marks of every stream touched.

        Insert-or-ignore on (stream, seq); advances contiguous marks; stores declared gaps. Returns only when a power
        cut could no longer undo it.
        """
        ...

    def prove(self) -> None:
        """Store something that nobody reads. Raises `OSError` or `sqlite3.Error` if nothing can be stored."""
        ...

    def maintain(self, now_ns: int) -> bool:
        """Do a little of the store's own upkeep (some ms); whether more of it waits. Readers notice nothing."""
        ...

    def about(self) -> Mapping[str, Any]:
        """What the health page says of the store: `where`, `keeps_raw`, `keeps_overview` in words, and more."""
        ...


# ---------------------------------------------------------------------------------------------- records


@dataclass(frozen=True, slots=True)
class SheetRecord:
    """One revision of one valve's sheet, as it was entered. Rows are never changed."""

    valve: str
    number: int
    at_ns: int  # in force from
    by: str
    why: str
    toml: str
    entered_at_ns: int


@dataclass(frozen=True, slots=True)
class JudgeStep:
    """Everything one judge step changes, committed in one transaction."""

    valve: str
    cursor: Mapping[str, int]  # stream -> judged seq
    judge_version: int
    sheet_number: int
    at_ns: int  # time of the newest sample judged
    state: str  # serialised judge state (JSON)
    judgement: Mapping[str, Any]  # `judge.published.Judgement` as plain values
    intervals: Sequence[StateInterval] = ()
    points: Sequence[ChartPoint] = ()
    alarm_events: Sequence[AlarmEvent] = ()


@dataclass(frozen=True, slots=True)
class JudgeCursor:
    """Where judging of a valve stands."""

    valve: str
    cursor: Mapping[str, int]
    judge_version: int
    sheet_number: int
    at_ns: int
    state: str


@dataclass(frozen=True, slots=True)
class Backfill:
    """History on its way: blocks of `valve` later than `until_ns` wait unjudged until it is complete."""

    valve: str
    until_ns: int
    done: int
    total: int
    complete: bool


@dataclass(frozen=True, slots=True)
class ClockChange:
    """From block `first_seq` of a stream on, its true times are its raw ones plus `offset_ns`, until the next change.

    Raw times are stored as they came and never changed.
    """

    agent: str
    stream: str
    first_seq: int
    offset_ns: int
    why: str  # what was wrong with the agent's clock; empty where it is right
    at_ns: int  # when it was found, by the recorder's clock


@dataclass(frozen=True, slots=True)
class Health:
    """A process's latest word about itself."""

    source: str  # "recorder", "agent/<name>", "web", ...
    at_ns: int
    details: Mapping[str, Any] = field(default_factory=dict)


class SheetExists(Exception):  # noqa: N818 - reads as what it says
    """That revision of that valve is already on record with other contents."""


class AlarmEventConflict(Exception):  # noqa: N818 - reads as what it says
    """That event of that alarm is on record with other contents: somebody was faster; read again and retry."""


class RecordStore(FleetJudged, Protocol):
    """Sheets, judged results, alarms and health. Several processes may use one at a time."""

    def put_sheet(self, record: SheetRecord, filed_by: Actor | None = None) -> bool:
        """Append a revision; False if the identical one is already there. Raises `SheetExists`.

        With `filed_by` the audit trail gets its line in the same transaction.
        """
        ...

    def sheets(self, valve: str) -> list[SheetRecord]:
        """All revisions of a valve, by number."""
        ...

    def effective_sheet(self, valve: str, at_ns: int) -> SheetRecord | None:
        """Newest revision with at_ns <= the given time (by `at`, then number)."""
        ...

    def effective_sheets(self, at_ns: int) -> Mapping[str, SheetRecord]:
        """`effective_sheet` of every valve that has one."""
        ...

    def sheet_valves(self) -> list[str]:
        """Ids of valves that have a sheet, sorted."""
        ...

    def judge_cursor(self, valve: str) -> JudgeCursor | None:
        """Where judging stands; None before the first step."""
        ...

    def commit_step(self, step: JudgeStep, hold: Hold | None = None) -> None:
        """One transaction, all or nothing. A step that does not move the cursor forward changes nothing.

        Forward: no stream goes back or is missing, at least one advances. Intervals join a touching one (at most 1 s
        apart) of the same state and basis, and never overlap earlier ones; points are unique on (valve, quantity,
        at), the latest counts. Raises `AlarmEventConflict`, and changes nothing, if an alarm event is taken;
        `LeaseLost` if it is judged under a hold, and that has gone.
        """
        ...

    def reset_judging(self, valve: str, from_ns: int | None = None, hold: Hold | None = None) -> None:
        """Forget what was judged from `from_ns` on (None: ever), so that those blocks are judged again.

        Judgements, intervals and points from then on go; sheets and alarm events stay. The cursor is gone afterwards,
        or, with `from_ns`, holds nothing but the time before which there is nothing to do (`at_ns`, no state).
        Raises `LeaseLost` if `hold` has gone.
        """
        ...

    def judgement(self, valve: str) -> Mapping[str, Any] | None:
        """Latest judgement (JSON form)."""
        ...

    def judgement_at(self, valve: str, at_ns: int) -> Mapping[str, Any] | None:
        """The last judgement of an hour that ended at or before the time: what a page of yesterday showed."""
        ...

    def intervals(self, valve: str, from_ns: int, to_ns: int) -> list[StateInterval]:
        """Machine states overlapping the span, oldest first, neighbours of one state joined."""
        ...

    def points(self, valve: str, quantity: str, from_ns: int, to_ns: int) -> list[ChartPoint]:
        """History of one quantity, oldest first."""
        ...

    def append_alarm_events(self, events: Iterable[AlarmEvent]) -> None:
        """Append; (alarm, seq) is unique, an identical repetition is ignored.

        Raises `AlarmEventConflict` and appends nothing if one of them is on record with other contents.
        """
        ...

    def alarm_events(self, valve: str | None = None, since_ns: int = 0) -> list[AlarmEvent]:
        """The log, in order of time and seq."""
        ...

    def alarm_events_lately(self, since_ns: int) -> list[AlarmEvent]:
        """All events of the alarms that something happened to since then, or that still wait for somebody.

        Waiting: the condition has not returned, or nobody has acknowledged it. In order of time and seq.
        """
        ...

    def put_backfill(self, backfill: Backfill) -> None:
        """Insert or replace the row of its valve."""
        ...

    def backfills(self) -> list[Backfill]:
        """All, by valve."""
        ...

    def put_clock_changes(self, changes: Iterable[ClockChange], holds: Iterable[Hold] = ()) -> None:
        """Insert or replace by (agent, stream, first_seq). Raises `LeaseLost` if one of `holds` has gone."""
        ...

    def clock_changes(self) -> list[ClockChange]:
        """All, by agent, stream and first_seq."""
        ...

    def put_health(self, health: Health) -> None:
        """Insert or replace the row of its source."""
        ...

    def health(self) -> list[Health]:
        """All, by source."""
        ...

    def check(self) -> None:
        """Raise what reading raises while the store cannot be reached; quick, and reads next to nothing."""
        ...

    def close(self) -> None:
        """Release connections."""
        ...
