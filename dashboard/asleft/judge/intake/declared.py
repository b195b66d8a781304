"""Work in progress that a person has declared: the stretches in which nothing is judged but evidence of danger.

Within them samples are counted and shown as *work in progress*, and that is all: they become no dwell, stroke,
dither, zero or habit of production. What was judged before stays as it was, and judging goes on after them as after a
gap: the first stroke is set aside. The machine's own state goes on being followed, because what a person declares
does not make unasked current or pressure harmless.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from asleft.judge.types import FastBurst

Declared = Sequence[tuple[float, float]]
"""From and until (unix s), in order: from <= time < until."""

BASIS = "declared by a person"


def declared_at(at_s: float | None, declared: Declared) -> bool:
    """Whether a time lies in a declared stretch; None (no time yet) does not."""
    return at_s is not None and any(from_s <= at_s < until_s for from_s, until_s in declared)


def next_edge(at_s: float, declared: Declared) -> float:
    """The next beginning or end of a stretch after a time (unix s), infinite without one."""
    return min((edge for stretch in declared for edge in stretch if edge > at_s), default=float("inf"))


def bursts_outside(bursts: Iterable[FastBurst], declared: Declared) -> tuple[FastBurst, ...]:
    """Bursts that begin outside every declared stretch."""
    return tuple(burst for burst in bursts if not declared_at(burst.start_s, declared))
