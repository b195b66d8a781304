"""Where blocks stand in a store that finds them by time only. Pure.

A *lap* is one pass of an agent's clock over a stretch of time. Within a lap of a valve's stream the blocks lie one
after the other in time as well as in number; where the clock was put back, blocks go to another lap, whose points
have another tag. So no reading ever overwrites an older one, whatever the clock does. A lap is used again once the
clock is past it, so that there are no more laps than times the clock has been over the same hour.

A *page* is a run of `PAGE` numbers of a valve's stream in one lap: its first and last number and time lead from a
number, which the store cannot look for, to a time, which it can.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

PAGE = 4096
"""Numbers in one page."""


@dataclass(slots=True)
class Lap:
    """How far one lap goes."""

    lap: int
    last_seq: int
    to_ns: int
    longest_ns: int  # of any of its blocks


@dataclass(slots=True)
class Page:
    """What of a page is stored: `from_ns` of its earliest, `to_ns` of its latest reading."""

    page: int
    lap: int
    first_seq: int
    last_seq: int
    from_ns: int
    to_ns: int


class Places:
    """Of one valve's blocks of one stream: laps as stored, and what a commit adds to laps and pages."""

    def __init__(self, laps: Iterable[Lap]) -> None:
        self.laps = {lap.lap: lap for lap in laps}
        self.pages: dict[tuple[int, int], Page] = {}
        """Pages by (page, lap), holding only what has been placed since."""

    def place(self, seq: int, from_ns: int, to_ns: int) -> int:
        """The lap of a further block. Blocks of a commit are to be placed in the order of their numbers.

        A block whose number is below others' (it fills a hole) goes to the lap that has passed it, so that it comes
        out between its neighbours.
        """
        number = self._lap_for(seq, from_ns)
        lap = self.laps.get(number)
        length_ns = to_ns - from_ns
        if lap is None:
            self.laps[number] = Lap(number, seq, to_ns, length_ns)
        else:
            lap.last_seq = max(lap.last_seq, seq)
            lap.to_ns = max(lap.to_ns, to_ns)
            lap.longest_ns = max(lap.longest_ns, length_ns)
        key = (seq // PAGE, number)
        added = Page(seq // PAGE, number, seq, seq, from_ns, to_ns)
        self.pages[key] = merged(self.pages[key], added) if key in self.pages else added
        return number

    def _lap_for(self, seq: int, from_ns: int) -> int:
        if not self.laps:
            return 0
        latest = max(self.laps.values(), key=lambda lap: lap.last_seq)
        if seq < latest.last_seq:
            return min((lap for lap in self.laps.values() if lap.last_seq > seq), key=lambda lap: lap.last_seq).lap
        if from_ns > latest.to_ns:
            return latest.lap
        free = [lap.lap for lap in self.laps.values() if from_ns > lap.to_ns]
        return min(free) if free else max(self.laps) + 1


def merged(one: Page, other: Page) -> Page:
    """Two parts of one page together."""
    return Page(
        one.page,
        one.lap,
        min(one.first_seq, other.first_seq),
        max(one.last_seq, other.last_seq),
        min(one.from_ns, other.from_ns),
        max(one.to_ns, other.to_ns),
    )


def windows(spans: Iterable[tuple[int, int]], from_ns: int, to_ns: int, width_ns: int) -> list[tuple[int, int]]:
    """Disjoint windows from <= time < to of at most `width_ns` that hold all of the spans (both ends included)."""
    out: list[tuple[int, int]] = []
    for first, last in sorted(spans):
        start, end = max(first, from_ns, out[-1][1] if out else from_ns), min(last + 1, to_ns)
        while start < end:
            out.append((start, min(start + width_ns, end)))
            start = out[-1][1]
    return out
