"""What every feed keeps: names, counts, why nothing comes, its thread, and marks where nothing came."""

from __future__ import annotations

import logging
import random
import threading
import time
from collections.abc import Callable, Mapping, Sequence

from asleft.instruments.backoff import Backoff
from asleft.instruments.feed import FeedCounts
from asleft.instruments.protocol import ValveForm
from asleft.instruments.rows import RowJoiner
from asleft.wire.block import Reason

logger = logging.getLogger(__name__)

S = 1_000_000_000
_MARK_EVERY_NS = S
_CLOCK_APART_NS = 5 * S


class FeedBase:
    """One source of readings that have times, less what is its own; see `asleft.instruments.feed.Feed`.

    What a feed keeps is written by the thread that hears its source and read by the one that takes: under `_lock`.
    """

    def __init__(
        self, name: str, valves: Sequence[ValveForm], counts: FeedCounts, joiners: Sequence[RowJoiner] = ()
    ) -> None:
        """`joiners`: one a valve, in the order of `valves`, where rows are put together from single values."""
        self._name = name
        self._forms = tuple(valves)
        self.counts = counts
        """What was not stored."""
        self._joiners = list(joiners)
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._away = "no connection yet"
        self._ahead_ns = 0  # the source's clock ahead of ours
        self._marked_ns = [0] * len(self._forms)

    @property
    def name(self) -> str:
        """What the settings call it."""
        return self._name

    @property
    def valves(self) -> tuple[ValveForm, ...]:
        """The valves it serves."""
        return self._forms

    def _go_on_after(self, after_ns: Mapping[str, int]) -> None:
        """Have the joiners take nothing that is stored already."""
        for form, joiner in zip(self._forms, self._joiners, strict=True):
            joiner.last_ns = after_ns.get(form.valve) or joiner.last_ns

    def _start(self, work: Callable[[Backoff], None], words: Callable[[Exception], str]) -> None:
        """Work on a thread of its own until `_stop` is set; again, each time later, when it has returned or raised.

        `work` resets its pause where it gets on; `words` says why it did not.
        """
        self._stop.clear()
        self._thread = threading.Thread(target=self._keep_at, args=(work, words), name=self.name, daemon=True)
        self._thread.start()

    def _keep_at(self, work: Callable[[Backoff], None], words: Callable[[Exception], str]) -> None:
        backoff = Backoff(0.5, 30.0, random.random)
        while not self._stop.is_set():
            try:
                work(backoff)
            except Exception as error:  # noqa: BLE001 - whatever a source does, it is tried again
                self._lost(words(error))
            self._stop.wait(backoff.next_s())

    def _end(self, within_s: float) -> None:
        self._stop.set()
        if self._thread is not None:
            self._thread.join(within_s)
            self._thread = None

    def _mark(self, index: int, reason: Reason) -> None:
        """A row that says why there is none, by the source's clock; at most one a second."""
        at_ns = time.time_ns() + self._ahead_ns
        if at_ns - self._marked_ns[index] >= _MARK_EVERY_NS:
            self._joiners[index].mark(at_ns, reason)
            self._marked_ns[index] = at_ns

    def _clock(self, index: int) -> tuple[float, str]:
        """What there is to say of the source's clock; 0 and "" where it is right.

        For how long (s) values of a valve are not taken because it was put back; and how far it is apart from ours,
        as "7 s behind".
        """
        back_ns = (self._joiners[index].last_ns or 0) - time.time_ns() - self._ahead_ns
        way = "ahead of" if self._ahead_ns > 0 else "behind"
        return (
            back_ns / S if back_ns > _CLOCK_APART_NS else 0.0,
            f"{abs(self._ahead_ns) / S:.0f} s {way}" if abs(self._ahead_ns) > _CLOCK_APART_NS else "",
        )

    def _lost(self, why: str) -> None:
        """Nothing comes, and why; told once."""
        if why != self._away:
            logger.warning("%s: %s", self.name, why)
        self._away = why
