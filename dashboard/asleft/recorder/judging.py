"""Has every stored block judged exactly once, valve by valve, in the order of time.

For each valve: the sheet in force, the blocks that wait, one call of the judge. It takes the readings in and says
whether anything came that must be told now; most of what is told rests on minutes of readings, and waits for half a
minute (`judge.steps.looks`). Then one transaction has everything that came since the last one. What a crash leaves
out of it is taken in again. A judge that fails on one valve is logged, counted and tried again later, and the other
valves go on.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, field, replace
from typing import Any

from asleft.alarms.gone import gone_words
from asleft.alarms.raising import alarm_events
from asleft.alarms.states import AlarmView, fold_all
from asleft.judge.published import judgement_json
from asleft.recorder.clock_correction import Corrections, with_clock
from asleft.recorder.effective_sheet import check_units, effective_sheet
from asleft.recorder.judge_port import Judge
from asleft.recorder.misread import misread_since_ns
from asleft.recorder.progress import Failure, Pending, Progress
from asleft.recorder.stretches import MOST_BLOCKS, least_of, moved, next_call, samples_of
from asleft.recorder.working import Declarations
from asleft.sheet.faults import SheetError
from asleft.sheet.model import Sheet
from asleft.store.lease_types import Hold, LeaseLost
from asleft.store.protocols import (
    AlarmEventConflict,
    BlockRef,
    ClockChange,
    JudgeCursor,
    JudgeStep,
    RecordStore,
    SampleReader,
    SheetRecord,
    StoreUnavailable,
)
from asleft.store.work import NoWork, WorkReader
from asleft.wire.block import Block
from sqlalchemy.exc import InterfaceError, InternalError, OperationalError
from sqlalchemy.exc import TimeoutError as PoolTimeout

log = logging.getLogger(__name__)

AWAY = (OperationalError, InterfaceError, InternalError, PoolTimeout, StoreUnavailable)
"""What stores raise while they cannot be reached."""

AHEAD_NS = 86_400_000_000_000
"""Readings dated further ahead of our own clock than a day are not judged, because everything true would then lie in
their past. A box whose clock is minutes wrong, or set to local time, is judged all the same."""
STILL_S = 3.0
"""When nothing has been added for so long, what is there is judged."""
RETRY_FIRST_S, RETRY_LONGEST_S = 5.0, 300.0
_BEFORE_S = 86_400.0  # declared work that ended longer ago than this touches no reading that still waits
_NEW_SHARE = 0.1
"""Of a call in the mean time of calls: few of them judge all, most only take readings in."""
SHEETS_FOR_S = 1.0
"""How long sheets, holds and the list of valves, once read, are taken as they are."""


@dataclass(slots=True)
class _Setting:
    """Sheets, holds and valves as last read."""

    read_s: float = float("-inf")
    sheets: dict[str, list[SheetRecord]] = field(default_factory=dict)
    held_until_ns: dict[str, int] = field(default_factory=dict)
    ours: Mapping[str, Hold] = field(default_factory=dict)  # by valve, where several recorders share them
    valves: Sequence[str] = ()  # with samples; ours, where several recorders share them


def _unshared(_valve: str) -> AbstractContextManager[bool]:
    """Every valve, where one process alone judges."""
    return nullcontext(True)


class Judging:
    """Judges what waits. Several at work on one data folder share its valves by `claim`, call by call."""

    def __init__(
        self,
        samples: SampleReader,
        records: RecordStore,
        judge: Judge,
        judge_version: int,
        read_sheet: Callable[[SheetRecord], Sheet],
        *,
        ours: Callable[[], Mapping[str, Hold]] | None = None,
        work: WorkReader | None = None,
        claim: Callable[[str], AbstractContextManager[bool]] = _unshared,
        helping: bool = False,
        wall_ns: Callable[[], int] = time.time_ns,
        monotonic_s: Callable[[], float] = time.monotonic,
    ) -> None:
        """`ours`: the valves to judge, each under which hold, where several recorders share them; else all.

        `work`: where people declare work in progress; without it none is. `claim`: takes a valve for one call, where
        several processes judge one folder; False if another has it. `helping`: take only valves that are far behind.
        """
        self._ours = ours
        self._samples, self._records = samples, records
        self._judge, self._version, self._read_sheet = judge, judge_version, read_sheet
        self._wall_ns, self._monotonic_s = wall_ns, monotonic_s
        self._setting = _Setting()
        self._claim, self._helping = claim, helping
        self._work = Declarations(NoWork() if work is None else work)
        self._sheets: dict[tuple[str, int], Sheet] = {}
        self.valves: dict[str, Progress] = {}
        """What happened to each valve that has samples."""
        self.step_s = 0.0
        """How long a call of the judge takes, on the mean of the last ones."""

    def round(self) -> bool:
        """Give every valve one call at most, so that none waits for another's history; whether any was made.

        Raises one of `AWAY` while a store cannot be reached.
        """
        self._refresh()
        moved = False
        for name in self._setting.valves:
            valve = self.valves.setdefault(name, Progress())
            if not self._setting.sheets.get(name):
                continue
            if valve.failure is not None and self._monotonic_s() < valve.failure.retry_s:
                continue
            try:
                with self._claim(name) as free:
                    moved |= free and self._advance(name, valve)
            except LeaseLost:
                log.info("%s is another recorder's to judge now", name)
                self._setting.read_s = float("-inf")
            except AlarmEventConflict as conflict:
                log.info("%s: %s; judging that step again", name, conflict)
            except AWAY:
                raise  # no fault of this valve: the store is away, for all of them
            except Exception as error:  # noqa: BLE001 - logged, counted, shown and tried again; others go on
                self._failed(name, valve, error)
            else:
                valve.failure = None
        return moved

    def without_sheet(self) -> list[str]:
        """Valves with samples and no sheet: stored, not judged."""
        return sorted(name for name in self.valves if not self._setting.sheets.get(name))

    def _refresh(self) -> None:
        now_s = self._monotonic_s()
        if now_s - self._setting.read_s < SHEETS_FOR_S:
            return
        self._work.read_on()
        sheets = {name: self._records.sheets(name) for name in self._records.sheet_valves()}
        holds = {one.valve: one.until_ns for one in self._records.backfills() if not one.complete}
        ours = {} if self._ours is None else self._ours()
        valves = self._samples.valves() if self._ours is None else sorted(ours)
        self._setting = _Setting(now_s, sheets, holds, ours, valves)
        if self._ours is not None:
            self.valves = {name: valve for name, valve in self.valves.items() if name in ours}

    def _failed(self, name: str, valve: Progress, error: Exception) -> None:
        count = 1 if valve.failure is None else valve.failure.count + 1
        wait_s = min(RETRY_FIRST_S * 2 ** (count - 1), RETRY_LONGEST_S)
        valve.failure = Failure(
            count, f"{type(error).__name__}: {error}", self._wall_ns(), self._monotonic_s() + wait_s
        )
        valve.state = valve.pending = None
        log.error("%s cannot be judged (attempt %d, next in %.0f s)", name, count, wait_s, exc_info=error)

    def _advance(self, name: str, valve: Progress) -> bool:
        sheets = self._setting.sheets[name]
        if self._nothing_new(name, valve, sheets):
            valve.waiting = valve.held = 0
            return self._nothing_follows(valve) and self._say(name, valve, sheets)
        base = self._cursor(name, sheets)
        pending = valve.pending = self._pending(valve.pending, base, sheets)
        cursor = base if pending is None else pending.cursor
        valve.judged_ns = cursor.at_ns if cursor.state else None
        begins_ns = max(cursor.at_ns, min(sheet.at_ns for sheet in sheets))
        from_ns = None if cursor.state else begins_ns
        refs = self._samples.refs_after(name, cursor.cursor, MOST_BLOCKS + 1, from_ns)
        if not refs:
            valve.waiting = valve.held = 0
            return self._nothing_follows(valve) and self._say(name, valve, sheets)
        # Read after the blocks: a correction is on record before the blocks it is for.
        corrections = Corrections(self._records.clock_changes())
        refs = corrections.refs(refs)
        refs, more, history = self._open(name, valve, refs)
        if not refs:
            return self._nothing_follows(valve) and self._say(name, valve, sheets)
        skipped = self._leading_unjudgeable(valve, refs, cursor)
        if skipped:
            if not self._say(name, valve, sheets):
                self._commit_skip(name, cursor, skipped)
            return True
        record = effective_sheet(sheets, refs[0].to_ns)
        if record is None:  # cannot be: blocks before the first sheet were left out
            raise ValueError(f"no sheet is in force at {refs[0].to_ns} ns")
        if pending is not None and pending.record != record:
            return self._say(name, valve, sheets)
        usable = self._usable(refs, sheets, record)
        run = next_call(
            usable,
            more_follows=more or len(usable) < len(refs),
            history=history,
            still=self._still(valve, refs),
            least_ns=least_of(len(self.valves), self.step_s),
        )
        if run == 0:
            return False
        taken = corrections.blocks(self._samples.blocks_after(name, cursor.cursor, run, from_ns))
        last, _ = taken[-1]
        began_s = self._monotonic_s()
        if self._take(name, valve, base, record, taken, corrections.wrong_since(last.stream, last.seq)):
            self._say(name, valve, sheets)
        self.step_s += _NEW_SHARE * (self._monotonic_s() - began_s - self.step_s)
        return True

    def _nothing_new(self, name: str, valve: Progress, sheets: Sequence[SheetRecord]) -> bool:
        """Whether no block has come since what is taken in, as far as can be told without reading a long cursor."""
        at = valve.at if valve.pending is None else valve.pending.cursor
        if at is None or not self._under(at, effective_sheet(sheets, at.at_ns)):
            return False
        return not self._samples.refs_after(name, at.cursor, 1)

    def _under(self, cursor: JudgeCursor, record: SheetRecord | None) -> bool:
        """Whether it was judged under this sheet by this judge; None: under none."""
        return record is None or (record.number, self._version) == (cursor.sheet_number, cursor.judge_version)

    def _pending(self, pending: Pending | None, base: JudgeCursor, sheets: Sequence[SheetRecord]) -> Pending | None:
        """What was taken in beyond the step on record, if it still goes on from that, under the sheet in force."""
        if pending is None or pending.base != base or effective_sheet(sheets, pending.cursor.at_ns) != pending.record:
            return None
        return pending

    def _cursor(self, name: str, sheets: Sequence[SheetRecord]) -> JudgeCursor:
        """Where judging stands, put back where a sheet was entered late or the judge has changed."""
        cursor = self._records.judge_cursor(name)
        if cursor is not None and cursor.state:
            record = effective_sheet(sheets, cursor.at_ns)
            if record is not None and not self._under(cursor, record):
                self._records.reset_judging(
                    name, self._again_from(name, record, cursor), self._setting.ours.get(name)
                )
                cursor = self._records.judge_cursor(name)
        return cursor or JudgeCursor(name, {}, self._version, 0, 0, "")

    def _again_from(self, name: str, record: SheetRecord, cursor: JudgeCursor) -> int:
        """From when a valve is judged anew (unix ns); what rests on readings that are no longer kept stays."""
        held = self._samples.span(name)
        first_ns = cursor.at_ns if held is None else held[0]
        if first_ns > record.at_ns:
            log.warning(
                "%s is judged again from the first reading that is kept, not from the start of sheet %d: its history "
                "before that stays as it was judged",
                *(name, record.number),
            )
        else:
            log.info("%s is judged again from the start of sheet %d", name, record.number)
        return max(record.at_ns, first_ns)

    def _open(self, name: str, valve: Progress, refs: list[BlockRef]) -> tuple[list[BlockRef], bool, bool]:
        """Blocks that may be judged now; whether more follow behind them; whether history is on its way."""
        until_ns = self._setting.held_until_ns.get(name)
        valve.waiting = len(refs)
        if until_ns is None:
            valve.held, more = 0, len(refs) > MOST_BLOCKS
            return [] if self._helping and not more else refs[:MOST_BLOCKS], more, False
        free = [ref for ref in refs if ref.from_ns < until_ns]
        valve.held = len(refs) - len(free)
        return free[:MOST_BLOCKS], len(free) > MOST_BLOCKS, True

    def _leading_unjudgeable(self, valve: Progress, refs: Sequence[BlockRef], cursor: JudgeCursor) -> list[BlockRef]:
        """Leading blocks that lie in the past of what has been judged, or beyond our own clock."""
        latest_ns = self._wall_ns() + AHEAD_NS
        skipped: list[BlockRef] = []
        for ref in refs:
            late = bool(cursor.state) and ref.to_ns <= cursor.at_ns
            if not late and ref.to_ns <= latest_ns:
                break
            valve.late += late
            valve.ahead += not late
            skipped.append(ref)
        return skipped

    def _usable(self, refs: Sequence[BlockRef], sheets: Sequence[SheetRecord], record: SheetRecord) -> list[BlockRef]:
        """Leading blocks under the same sheet and not ahead of our clock."""
        latest_ns = self._wall_ns() + AHEAD_NS
        for index, ref in enumerate(refs):
            if ref.to_ns > latest_ns or effective_sheet(sheets, ref.to_ns) != record:
                return list(refs[:index])
        return list(refs)

    def _still(self, valve: Progress, refs: Sequence[BlockRef]) -> bool:
        newest = (refs[-1].stream, refs[-1].seq)
        if newest != valve.newest:
            valve.newest, valve.newest_s = newest, self._monotonic_s()
        return self._nothing_follows(valve)

    def _nothing_follows(self, valve: Progress) -> bool:
        return self._monotonic_s() - valve.newest_s >= STILL_S

    def _take(
        self,
        name: str,
        valve: Progress,
        base: JudgeCursor,
        record: SheetRecord,
        taken: Sequence[tuple[BlockRef, Block]],
        clock: ClockChange | None,
    ) -> bool:
        """Take blocks in; whether the valve is to be judged now."""
        sheet, pending = self._sheet(record), valve.pending
        check_units(sheet, [block for _, block in taken])
        cursor = base if pending is None else pending.cursor
        goes_on = bool(cursor.state) and cursor.sheet_number == record.number
        samples = samples_of([block for _, block in taken], cursor.at_ns / 1e9 if cursor.state else None)
        now = replace(cursor, cursor=moved(cursor.cursor, [ref for ref, _ in taken]))
        if samples.time_s.size == 0:
            if pending is None:
                self._commit_skip(name, cursor, [ref for ref, _ in taken])
            else:
                valve.pending = replace(pending, cursor=now)
            return False
        samples = replace(samples, work=self._work.of(name, float(samples.time_s[0]) - _BEFORE_S))
        if pending is None:
            state = self._state(valve, cursor.state) if goes_on else self._judge.begin(sheet)
            pending = Pending(base, cursor, record, clock, state)
        outcome = self._judge.advance(sheet, pending.state, samples)
        now = replace(now, at_ns=max(ref.to_ns for ref, _ in taken))
        valve.pending = pending.further(now, clock, outcome)
        valve.judged_ns = now.at_ns
        valve.waiting = max(0, valve.waiting - len(taken))
        return outcome.due or clock != valve.clock or not goes_on

    def _say(self, name: str, valve: Progress, sheets: Sequence[SheetRecord]) -> bool:
        """Judge what was taken in, and commit it with all that comes of it; whether there was anything."""
        pending, valve.pending = valve.pending, None  # whatever fails here is taken in again from the step on record
        if pending is None:
            return False
        sheet, at_ns = self._sheet(pending.record), pending.cursor.at_ns
        said = self._judge.summarise(sheet, pending.state)
        judgement = with_clock(said, pending.clock)
        events = alarm_events(
            name,
            fold_all(self._records.alarm_events(name), at_ns),
            judgement.findings,
            judgement.current_state.value,
            at_ns,
            misread_since_ns=misread_since_ns(judgement.fit),
            measured=lambda view: gone_words(
                view.kind, judgement.quantities, self._called_under(sheets, view), sheet
            ),
        )
        text = self._judge.dumps(pending.state)
        self._records.commit_step(
            JudgeStep(
                valve=name,
                cursor=pending.cursor.cursor,
                judge_version=self._version,
                sheet_number=pending.record.number,
                at_ns=at_ns,
                state=text,
                judgement=judgement_json(judgement),
                intervals=pending.intervals,
                points=() if judgement.fit.fits is False else pending.points,  # of readings that mean something else
                alarm_events=events,
            ),
            self._setting.ours.get(name),
        )
        valve.state, valve.clock = (text, pending.state), pending.clock
        valve.at = replace(
            pending.cursor, judge_version=self._version, sheet_number=pending.record.number, state=text
        )
        valve.steps += 1
        return True

    def _called_under(self, sheets: Sequence[SheetRecord], view: AlarmView) -> Sheet | None:
        """The sheet by which an alarm was called: of those entered by then, that in force."""
        entered = [one for one in sheets if one.entered_at_ns <= view.called_ns]
        record = effective_sheet(entered or sheets, view.called_ns)
        try:
            return None if record is None else self._sheet(record)
        except SheetError:
            return None

    def _commit_skip(self, name: str, cursor: JudgeCursor, refs: Sequence[BlockRef]) -> None:
        """Pass blocks over: only the cursor moves."""
        self._records.commit_step(
            JudgeStep(
                valve=name,
                cursor=moved(cursor.cursor, refs),
                judge_version=cursor.judge_version,
                sheet_number=cursor.sheet_number,
                at_ns=cursor.at_ns,
                state=cursor.state,
                judgement={},
            ),
            self._setting.ours.get(name),
        )

    def _state(self, valve: Progress, text: str) -> Any:  # noqa: ANN401
        if valve.state is None or valve.state[0] != text:
            valve.state = (text, self._judge.loads(text))
        return valve.state[1]

    def _sheet(self, record: SheetRecord) -> Sheet:
        key = (record.valve, record.number)
        if key not in self._sheets:
            self._sheets[key] = self._read_sheet(record)
        return self._sheets[key]
