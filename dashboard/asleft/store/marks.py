"""Arithmetic of sequence numbers: which are held, which are declared lost, how far nothing is missing. Pure.

A *run* is (first, last), both included. Runs of a list are disjoint and ascending.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

Run = tuple[int, int]


def as_runs(seqs: Iterable[int]) -> list[Run]:
    """Sequence numbers, in any order, as runs."""
    runs: list[Run] = []
    for seq in sorted(seqs):
        if runs and seq <= runs[-1][1] + 1:
            runs[-1] = (runs[-1][0], max(seq, runs[-1][1]))
        else:
            runs.append((seq, seq))
    return runs


def subtract(run: Run, taken: Sequence[Run]) -> list[Run]:
    """What of `run` is in none of the `taken` runs (disjoint, ascending)."""
    left: list[Run] = []
    first, last = run
    for taken_first, taken_last in taken:
        if taken_last < first:
            continue
        if taken_first > last:
            break
        if taken_first > first:
            left.append((first, taken_first - 1))
        first = taken_last + 1
    if first <= last:
        left.append((first, last))
    return left


def advance(mark: int, held: Iterable[Run]) -> int:
    """The highest mark such that every number above `mark` and up to it lies in a `held` run (ascending)."""
    for first, last in held:
        if first > mark + 1:
            break
        mark = max(mark, last)
    return mark


def count_upto(mark: int, runs: Iterable[Run]) -> int:
    """How many numbers of the runs are at or below `mark`."""
    return sum(min(last, mark) - first + 1 for first, last in runs if first <= mark)
