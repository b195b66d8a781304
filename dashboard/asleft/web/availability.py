"""Whether the two stores can be reached: what fails is noted once, asked again in the background, known to all pages.

While a store is away its callers are refused at once instead of each waiting for it, so that the dashboard keeps
answering and can say what is wrong. One thread repeats the call that failed until it succeeds.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from asleft.store.trouble import TROUBLE, is_away, plain
from sqlalchemy.exc import SQLAlchemyError

log = logging.getLogger(__name__)
RETRY_S = 2.0
WATCH_S = 5.0
"""How often a store is looked at, whether a page asks it or not."""


class Place(StrEnum):
    """The two stores."""

    SAMPLES = "samples"
    RECORDS = "records"


class Unreachable(Exception):  # noqa: N818 - reads as what it says
    """A store cannot be reached: which, since when (unix ns), and what it says."""

    def __init__(self, place: Place, since_ns: int, why: str) -> None:
        self.place, self.since_ns, self.why = place, since_ns, why
        super().__init__(f"{place.value} cannot be reached: {why}")


@dataclass
class Availability:
    """What is known of the stores' being there. `clock_ns` is unix ns; `retry_s`: how often a lost one is asked."""

    clock_ns: Callable[[], int]
    retry_s: float = RETRY_S
    checks: Mapping[Place, Callable[[], object]] = field(default_factory=dict)
    """What raises while a store is away; see `look`."""
    _away: dict[Place, Unreachable] = field(default_factory=dict)
    _failed: set[str] = field(default_factory=set)  # methods of the sample store
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def away(self) -> list[Unreachable]:
        """The stores that cannot be reached now, the one lost first first."""
        with self._lock:
            return sorted(self._away.values(), key=lambda one: one.since_ns)

    def look(self, place: Place) -> None:
        """Ask a store whether it is there, so that its loss is known before a page needs it."""
        with self._lock:
            away = place in self._away
        check = self.checks.get(place)
        if away or check is None:
            return  # a lost one is asked by a thread of its own
        with suppress(Exception), self.asking(place, check, "check"):
            check()

    def watch(self, every_s: float = WATCH_S) -> threading.Event:
        """Look at every store again and again, until what is returned is set; one that hangs delays no other."""
        stop = threading.Event()

        def at(place: Place) -> None:
            while not stop.is_set():
                self.look(place)
                stop.wait(every_s)

        for place in self.checks:
            threading.Thread(target=at, args=(place,), name=f"watches {place.value}", daemon=True).start()
        return stop

    @contextmanager
    def asking(self, place: Place, again: Callable[[], object], name: str = "") -> Iterator[None]:
        """Round a call to a store, of the method `name`. `again` is what to repeat until it is back, should it fail.

        Raises `Unreachable`: it fails now, or is known to be away and not asked at all. Of samples only the methods
        that failed are not asked: where an InfluxDB is away, its index in the records database still answers.
        """
        with self._lock:
            known = self._away.get(place)
            refused = known is not None and (place is Place.RECORDS or name in self._failed)
        if known is not None and refused:
            raise known
        try:
            yield
        except TROUBLE as error:
            if not is_away(error):
                raise
            raise self._lost(place_of(error, place), plain(error), again, name) from error

    def _lost(self, place: Place, why: str, again: Callable[[], object], name: str) -> Unreachable:
        with self._lock:
            self._failed.add(name)
            known = self._away.get(place)
            if known is not None:
                return known
            lost = self._away[place] = Unreachable(place, self.clock_ns(), why)
        log.warning("%s cannot be reached: %s", place.value, why)
        threading.Thread(target=self._wait, args=(place, again), name=f"waits for {place.value}", daemon=True).start()
        return lost

    def _wait(self, place: Place, again: Callable[[], object]) -> None:
        pause = threading.Event()
        while True:
            pause.wait(self.retry_s)
            try:
                again()
            except Exception as error:  # noqa: BLE001 - whatever else it says, it answers: who asks next hears it
                if isinstance(error, TROUBLE) and is_away(error):
                    continue
            with self._lock:
                self._away.pop(place, None)
                self._failed.clear()
            log.warning("%s can be reached again", place.value)
            return


class Watched:
    """A store whose every method is called under `Availability.asking`; otherwise it is the store."""

    def __init__(self, store: object, place: Place, availability: Availability) -> None:
        self._store, self._place, self._availability = store, place, availability

    def __getattr__(self, name: str) -> Any:  # noqa: ANN401 - as the store has it
        found = getattr(self._store, name)
        if not callable(found) or name == "close":
            return found

        def call(*given: object, **named: object) -> object:
            def again() -> object:
                return getattr(self._store, name)(*given, **named)

            with self._availability.asking(self._place, again, name):
                return found(*given, **named)

        return call


def place_of(error: Exception, asked: Place) -> Place:
    """Which store it is: samples in InfluxDB keep their index in the records database."""
    return Place.RECORDS if isinstance(error, SQLAlchemyError) else asked


HEADER = "X-Asleft-Away"
"""Carries the line for the head of an open page, percent-encoded; the pages' scripts show it."""
