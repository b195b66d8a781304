"""Values of single channels, each with its source's time, joined to rows of all channels of a valve. Pure.

Values of several channels that lie within `join_ns` are one row, at the time of the first. A channel without a value
in a row keeps the one it had: so works a source that reports only what changes. A row is passed on `settle_ns` after
its first value was heard, so that values that come in another order find their place. Between two rows further apart
than one and a half `every_ns` the values that held are written out at that pace: the source was asked, and nothing
had changed.
"""

from __future__ import annotations

import bisect
from collections.abc import Sequence
from dataclasses import dataclass

from asleft.instruments.feed import FeedCounts, TimedReading
from asleft.instruments.protocol import Reading
from asleft.wire.block import Reason

US = 1000
LONGEST_FILL_NS = 60_000_000_000
"""A pause longer than this is a hole, not a value that held: no source is silent for so long and well."""
_MOST_WAITING = 200_000


@dataclass(frozen=True, slots=True, order=True)
class _Value:
    at_ns: int
    order: int
    channel: int
    heard_ns: int
    number: float | Reason


class RowJoiner:
    """Rows of one valve. Times `at_ns` are the source's wall clock, `heard_ns` and `now_ns` our monotonic clock."""

    def __init__(
        self,
        channels: int,
        counts: FeedCounts,
        *,
        join_ns: int,
        settle_ns: int,
        every_ns: int = 0,
        hold_ns: Sequence[int | None] = (),
    ) -> None:
        """`every_ns` 0: nothing is written out between rows.

        `hold_ns`: for each channel, a value older than this no longer counts; None and () are no limit.
        """
        self._channels = channels
        self._counts = counts
        self._join_ns, self._settle_ns = max(join_ns, US), settle_ns
        self._hold_ns = hold_ns or (None,) * channels
        self._waiting: list[_Value] = []
        self._order = 0
        self._held: list[tuple[int, float | Reason] | None] = [None] * channels
        self._heard: list[int | None] = [None] * channels  # newest time heard of each channel
        self._rows: list[TimedReading] = []
        self.every_ns = every_ns
        """Pace of the rows between two that came; 0: none."""
        self.last_ns: int | None = None
        """Time of the newest row passed on, or of what was stored before."""
        self._begun_ns = 0  # values older than this were there before we looked
        self._going = False
        self._dark = False  # the newest row passed on is a mark: the hole that goes on is counted already

    def begin(self, at_ns: int) -> None:
        """Begin, or begin again after the source was away: what is older only says how things stood.

        A hole behind earlier rows is marked at both ends.
        """
        self._release(None)
        at_ns = at_ns // US * US
        if self.last_ns is not None and self.last_ns >= at_ns:
            return
        if self._going:
            self._mark_hole(at_ns)
        self.last_ns = self._begun_ns = at_ns - US
        self._going = True

    def add(self, channel: int, at_ns: int, number: float | Reason, heard_ns: int) -> None:
        """Take one value in, or the reason why it means nothing."""
        at_ns = at_ns // US * US
        if at_ns == self._heard[channel]:
            self._counts.repeated += 1
            return
        if self.last_ns is not None and at_ns <= self.last_ns:
            held = self._held[channel]
            if held is None or at_ns > held[0]:
                self._held[channel] = at_ns, number
            if at_ns > self._begun_ns:
                self._counts.late += 1
            self._heard[channel] = max(at_ns, self._heard[channel] or at_ns)
            return
        self._heard[channel] = max(at_ns, self._heard[channel] or at_ns)
        self._order += 1
        bisect.insort(self._waiting, _Value(at_ns, self._order, channel, heard_ns, number))
        if len(self._waiting) > _MOST_WAITING:
            self._release(heard_ns)

    def lost_before(self, channel: int, at_ns: int, heard_ns: int) -> None:
        """Values of a channel between the last heard and one at `at_ns` were lost: what it held then is not known."""
        self._counts.lost += 1
        since_ns = (self._heard[channel] or at_ns) + (self.every_ns or US)
        if self.last_ns is not None:
            since_ns = max(since_ns, self.last_ns + US)
        if since_ns < at_ns:
            self.add(channel, since_ns, Reason.NO_ANSWER, heard_ns)

    def hold(self, channel: int, number: float | Reason) -> None:
        """What a channel held before we looked: no reading of its own, and it replaces no newer value."""
        if self._held[channel] is None:
            self._held[channel] = 0, number

    def forget(self) -> None:
        """What held is no longer known; a value that is told again, with the time it had before, holds again."""
        self._held = [None] * self._channels
        self._heard = [None] * self._channels

    def mark(self, at_ns: int, reason: Reason) -> None:
        """Pass on a row of which nothing came, unless something newer has been passed on."""
        self._release(None)
        at_ns = at_ns // US * US
        if self.last_ns is None or at_ns > self.last_ns:
            self._counts.lost += self._going and not self._dark
            self._emit(at_ns, Reading.all_failed(self._channels, reason), dark=True)

    def take(self, now_ns: int, held_until_ns: int | None = None) -> list[TimedReading]:
        """Rows that have settled. Up to `held_until_ns` the source is known to have reported all that changed."""
        self._release(now_ns)
        if held_until_ns is not None and self.last_ns is not None and self._going:
            until_ns = min(held_until_ns, self._waiting[0].at_ns - US) if self._waiting else held_until_ns
            if until_ns - self.last_ns > LONGEST_FILL_NS:
                self.begin(until_ns)
            else:
                self._fill(until_ns)
        rows, self._rows = self._rows, []
        return rows

    def _release(self, now_ns: int | None) -> None:
        """Rows whose first value was heard long enough ago; all of them without a time."""
        while self._waiting and (now_ns is None or now_ns - self._waiting[0].heard_ns >= self._settle_ns):
            first_ns = self._waiting[0].at_ns
            taken: dict[int, _Value] = {}
            while self._waiting and self._waiting[0].at_ns < first_ns + self._join_ns:
                value = self._waiting[0]
                before = taken.get(value.channel)
                if before is not None and before.at_ns != value.at_ns:
                    break
                del self._waiting[0]
                self._counts.repeated += before is not None
                taken.setdefault(value.channel, value)
            if self.every_ns and self._going and self.last_ns is not None:
                if first_ns - self.last_ns > LONGEST_FILL_NS:
                    self._mark_hole(first_ns)
                else:
                    self._fill(first_ns - self.every_ns // 2)
            for channel, value in taken.items():
                self._held[channel] = value.at_ns, value.number
            self._emit(first_ns, self._reading(first_ns))
            self._going = True

    def _fill(self, until_ns: int) -> None:
        while self.every_ns and self.last_ns is not None and self.last_ns + self.every_ns <= until_ns:
            at_ns = (self.last_ns + self.every_ns) // US * US
            self._emit(at_ns, self._reading(at_ns))

    def _mark_hole(self, until_ns: int) -> None:
        step_ns = self.every_ns or US
        if self.last_ns is None or until_ns - self.last_ns <= 2 * step_ns:
            return
        self._counts.lost += not self._dark
        nothing = Reading.all_failed(self._channels, Reason.NO_ANSWER)
        for at_ns in (self.last_ns + step_ns, until_ns - step_ns):
            if at_ns > self.last_ns:
                self._emit(at_ns // US * US, nothing, dark=True)

    def _reading(self, at_ns: int) -> Reading:
        numbers: list[float] = []
        failed: dict[int, Reason] = {}
        for channel, held in enumerate(self._held):
            number: float | Reason = Reason.NO_ANSWER
            limit_ns = self._hold_ns[channel]
            if held is not None and (limit_ns is None or at_ns - held[0] <= limit_ns):
                number = held[1]
            if isinstance(number, Reason):
                failed[channel], number = number, 0.0
            numbers.append(number)
        return Reading(numbers, failed)

    def _emit(self, at_ns: int, reading: Reading, *, dark: bool = False) -> None:
        self._rows.append(TimedReading(at_ns, reading))
        self.last_ns, self._dark = at_ns, dark
