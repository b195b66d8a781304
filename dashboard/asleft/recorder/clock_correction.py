"""Blocks at their true times: what is on record of agents' clocks, applied to places and readings. Pure."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import replace

from asleft.catalogue.finding_kinds import FINDING_KINDS
from asleft.judge.types import Finding, Judgement
from asleft.store.protocols import BlockRef, ClockChange
from asleft.wire.block import Block

CLOCK_WRONG = "clock-wrong"


class Corrections:
    """Corrections by stream. Streams are UUIDs, so their agent need not be known."""

    def __init__(self, changes: Iterable[ClockChange]) -> None:
        self._changes: dict[str, list[ClockChange]] = {}
        for change in changes:
            self._changes.setdefault(change.stream, []).append(change)
        for rows in self._changes.values():
            rows.sort(key=lambda row: row.first_seq)

    def at(self, stream: str, seq: int) -> ClockChange | None:
        """The correction of a block; None where its clock was never found wrong before."""
        rows = self._changes.get(stream)
        if not rows:
            return None
        index = bisect_right(rows, seq, key=lambda row: row.first_seq)
        return rows[index - 1] if index else None

    def refs(self, refs: Sequence[BlockRef]) -> list[BlockRef]:
        """Places of blocks at their true times."""
        if not self._changes:
            return list(refs)
        return [self._ref(ref) for ref in refs]

    def blocks(self, taken: Sequence[tuple[BlockRef, Block]]) -> list[tuple[BlockRef, Block]]:
        """Blocks at their true times, bursts included."""
        if not self._changes:
            return list(taken)
        return [(self._ref(ref), self._block(block)) for ref, block in taken]

    def wrong_since(self, stream: str, seq: int) -> ClockChange | None:
        """The change with which the clock of a block went wrong, with the present words; None where it is right."""
        now = self.at(stream, seq)
        if now is None or not now.why:
            return None
        rows = self._changes[stream]
        index = rows.index(now)
        while index and rows[index - 1].why:
            index -= 1
        return replace(now, first_seq=rows[index].first_seq, at_ns=rows[index].at_ns)

    def _ref(self, ref: BlockRef) -> BlockRef:
        change = self.at(ref.stream, ref.seq)
        if change is None or not change.offset_ns:
            return ref
        return replace(ref, from_ns=ref.from_ns + change.offset_ns, to_ns=ref.to_ns + change.offset_ns)

    def _block(self, block: Block) -> Block:
        change = self.at(block.stream, block.seq)
        if change is None or not change.offset_ns:
            return block
        bursts = tuple(replace(burst, start_ns=burst.start_ns + change.offset_ns) for burst in block.bursts)
        return replace(block, wall_ns=block.wall_ns + change.offset_ns, bursts=bursts)


def with_clock(judgement: Judgement, change: ClockChange | None) -> Judgement:
    """The judgement, and the finding that the agent's clock is wrong where it is."""
    if change is None:
        return judgement
    fault = FINDING_KINDS[CLOCK_WRONG]
    evidence = (
        f"The clock of agent {change.agent} is wrong: {change.why}. Times are corrected by "
        f"{change.offset_ns / 1e9:+.1f} s; readings are kept as they came."
    )
    finding = Finding(CLOCK_WRONG, fault.part, fault.alternatives, change.at_ns / 1e9, fault.severity, evidence)
    alone = judgement.fit.fits is not False and not any(one.consequence_of is None for one in judgement.findings)
    return replace(
        judgement,
        findings=(*judgement.findings, finding),
        # It speaks of the readings: the verdict on the machine stays, and this stands beside it.
        sentence=f"{judgement.sentence} {evidence}" if alone else judgement.sentence,
    )
