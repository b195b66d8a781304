"""Declared work in progress as judging needs it: by valve, in unix seconds, read on from where it stood."""

from __future__ import annotations

from asleft.store.work import WorkEvent, WorkReader, fold_work


class Declarations:
    """What has been declared so far. The log only grows, so each look reads what is new in it."""

    def __init__(self, reader: WorkReader) -> None:
        self._reader = reader
        self._events: dict[str, list[WorkEvent]] = {}
        self._last = 0
        self._of: dict[str, tuple[tuple[float, float], ...]] = {}

    def read_on(self) -> None:
        """Take in what was added since."""
        new = self._reader.work_events(self._last)
        for event in new:
            self._events.setdefault(event.valve, []).append(event)
            self._last = event.number
        for valve in {event.valve for event in new}:
            self._of[valve] = tuple(
                (work.from_ns / 1e9, work.until_ns / 1e9) for work in fold_work(self._events[valve])
            )

    def of(self, valve: str, since_s: float = float("-inf")) -> tuple[tuple[float, float], ...]:
        """The stretches of a valve that end after a time: from and until (unix s), by their beginning."""
        return tuple(stretch for stretch in self._of.get(valve, ()) if stretch[1] > since_s)
