"""One stream inside a commit: which of its numbers are stored, which are declared lost, how far its mark may go."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Protocol

from asleft.store.marks import Run, advance, as_runs, count_upto, subtract
from asleft.store.protocols import StreamMark
from asleft.wire.block import Gap


def check_gaps(gaps: Iterable[Gap]) -> None:
    """Raise `ValueError` for a gap that is no run of numbers."""
    for gap in gaps:
        if not 1 <= gap.first <= gap.last:
            raise ValueError(f"gap of {gap.agent}, stream {gap.stream}: {gap.first}..{gap.last} is no run of seqs")


class StreamTable(Protocol):
    """What is kept of one stream beside its mark."""

    def gap_at(self, seq: int) -> tuple[int, int, str] | None:
        """The last gap that begins at or below a number: first, last, why."""
        ...

    def remove_gap(self, first: int) -> None:
        """Forget the gap that begins there."""
        ...

    def add_gaps(self, runs: Iterable[Run], why: str) -> None:
        """Keep further gaps, of numbers that are in none."""
        ...

    def gaps_above(self, seq: int) -> list[Run]:
        """Gaps that begin above a number, ascending."""
        ...

    def stored_above(self, seq: int) -> Iterable[int]:
        """Numbers of stored blocks above a number."""
        ...


@dataclass(slots=True)
class StreamRow:
    """One stream, being changed; whoever holds it writes it back after `finish`."""

    table: StreamTable
    agent: str
    name: str
    mark: int
    declared_gap: int
    duplicates: int

    def takes(self, seq: int) -> bool:
        """Whether a block of this number is wanted: above the mark, or declared lost and here after all.

        At or below the mark everything else has been stored, even if its row has been removed since.
        """
        row = self.table.gap_at(seq)
        if row is None or row[1] < seq:
            return seq > self.mark
        first, last, why = row
        self.table.remove_gap(first)
        self.table.add_gaps(subtract((first, last), [(seq, seq)]), why)
        if seq <= self.mark:
            self.declared_gap -= 1
        return True

    def declare(self, gap: Gap) -> None:
        """Keep what of a declared gap is neither stored nor declared already."""
        if gap.last <= self.mark:
            return
        run = (max(gap.first, self.mark + 1), gap.last)
        self.table.add_gaps(subtract(run, self._held()), gap.why)

    def finish(self, now_ns: int) -> StreamMark:
        """Advance the mark as far as nothing is missing, and return it."""
        mark = advance(self.mark, self._held())
        if mark > self.mark:
            self.declared_gap += count_upto(mark, self.table.gaps_above(self.mark))
            self.mark = mark
        return StreamMark(self.agent, self.name, self.mark, self.declared_gap, self.duplicates, now_ns)

    def _held(self) -> list[Run]:
        """Runs above the mark that are stored or declared, ascending."""
        return sorted(as_runs(self.table.stored_above(self.mark)) + self.table.gaps_above(self.mark))
