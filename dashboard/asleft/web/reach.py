"""Whether the two stores can be reached: what fails is noted once, asked again in the background, known to all pages.

While a store is away its callers are refused at once instead of each waiting for it, so that the dashboard keeps
answering and can say what is wrong. One thread repeats the call that failed until it succeeds.
"""

from __future__ import annotations

import logging
import sqlite3
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from asleft.store.protocols import StoreUnavailable
from asleft.store.schema import SchemaError
from sqlalchemy.exc import DatabaseError, DBAPIError, InterfaceError, InternalError, OperationalError, SQLAlchemyError
from sqlalchemy.exc import TimeoutError as PoolTimeout

log = logging.getLogger(__name__)
RETRY_S = 2.0


class Place(StrEnum):
    """The two stores."""

    SAMPLES = "samples"
    RECORDS = "records"


#: What says that a database cannot be reached or read, and not that a statement of ours is wrong.
TROUBLE: tuple[type[Exception], ...] = (
    *(OperationalError, InterfaceError, InternalError, DatabaseError, PoolTimeout),
    *(sqlite3.Error, SchemaError, OSError),
)
_OURS = ("IntegrityError", "DataError", "ProgrammingError", "NotSupportedError")


class Unreachable(Exception):  # noqa: N818 - reads as what it says
    """A store cannot be reached: which, since when (unix ns), and what it says."""

    def __init__(self, place: Place, since_ns: int, why: str) -> None:
        self.place, self.since_ns, self.why = place, since_ns, why
        super().__init__(f"{place.value} cannot be reached: {why}")


@dataclass
class Reach:
    """What is known of the stores' being there. `clock_ns` is unix ns; `retry_s`: how often a lost one is asked."""

    clock_ns: Callable[[], int]
    retry_s: float = RETRY_S
    _away: dict[Place, Unreachable] = field(default_factory=dict)
    _failed: set[str] = field(default_factory=set)  # methods of the sample store
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def away(self) -> list[Unreachable]:
        """The stores that cannot be reached now, the one lost first first."""
        with self._lock:
            return sorted(self._away.values(), key=lambda one: one.since_ns)

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
    """A store whose every method is called under `Reach.asking`; otherwise it is the store."""

    def __init__(self, store: object, place: Place, reach: Reach) -> None:
        self._store, self._place, self._reach = store, place, reach

    def __getattr__(self, name: str) -> Any:  # noqa: ANN401 - as the store has it
        found = getattr(self._store, name)
        if not callable(found) or name == "close":
            return found

        def call(*given: object, **named: object) -> object:
            def again() -> object:
                return getattr(self._store, name)(*given, **named)

            with self._reach.asking(self._place, again, name):
                return found(*given, **named)

        return call


def is_away(error: Exception) -> bool:
    """Whether it means that a store is not there, rather than that a statement is wrong."""
    return type(error).__name__ not in _OURS


def place_of(error: Exception, asked: Place) -> Place:
    """Which store it is: samples in InfluxDB keep their index in the records database."""
    return Place.RECORDS if isinstance(error, SQLAlchemyError) else asked


def plain(error: Exception) -> str:
    """What the store says, on one line, without the statement that was asked."""
    cause: BaseException = error.orig if isinstance(error, DBAPIError) and error.orig is not None else error
    text = " ".join(str(cause).split()) or type(cause).__name__
    if isinstance(cause, OSError) and not isinstance(cause, StoreUnavailable) and cause.strerror:
        text = f"{cause.strerror}{f': {cause.filename}' if cause.filename else ''}"
    return text[:300]
