"""What is remembered of each valve between rounds of judging; all of it can be had again from the stores."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from asleft.judge.types import ChartPoint, StateInterval
from asleft.recorder.judge_port import Taken
from asleft.store.protocols import ClockChange, JudgeCursor, SheetRecord


@dataclass(slots=True)
class Failure:
    """What went wrong with a valve, how often in a row, and when it is tried again."""

    count: int
    message: str
    at_ns: int
    retry_s: float


@dataclass(frozen=True, slots=True)
class Pending:
    """Readings taken in beyond the last step on record, not judged yet: they are judged, and committed, together.

    After a crash, or where another process went on from that step, they are taken in again.
    """

    base: JudgeCursor  # the step on record
    cursor: JudgeCursor  # how far it is, under the text of the base's state
    record: SheetRecord
    clock: ClockChange | None  # that makes the times of the newest readings wrong
    state: Any
    intervals: tuple[StateInterval, ...] = ()
    points: tuple[ChartPoint, ...] = ()

    def further(self, cursor: JudgeCursor, clock: ClockChange | None, taken: Taken) -> Pending:
        """With what came of further readings."""
        intervals, points = (*self.intervals, *taken.intervals), (*self.points, *taken.points)
        return replace(self, cursor=cursor, clock=clock, state=taken.state, intervals=intervals, points=points)


@dataclass(slots=True)
class Progress:
    """How far judging of one valve is, and what stood in its way."""

    state: tuple[str, Any] | None = None  # text as stored, and the object it stands for
    at: JudgeCursor | None = None  # of the last step that was committed here
    pending: Pending | None = None
    clock: ClockChange | None = None  # as the last judgement has it
    newest: tuple[str, int] | None = None  # last waiting block, and since when it is the last
    newest_s: float = 0.0
    waiting: int = 0
    held: int = 0
    late: int = 0
    ahead: int = 0
    steps: int = 0
    judged_ns: int | None = None
    failure: Failure | None = None
