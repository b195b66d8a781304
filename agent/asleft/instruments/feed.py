"""What an instrument offers that is not asked for readings but has them come, each with a time of its own.

A feed is the other kind of instrument beside `asleft.instruments.protocol.Instrument`: a subscription, messages of a
broker, rows of a database. One thread takes from it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol, runtime_checkable

from asleft.instruments.protocol import Reading, ValveForm


@dataclass(frozen=True, slots=True)
class TimedReading:
    """All channels of one valve at `wall_ns`, ns since 1970 UTC in whole microseconds, by the source's clock."""

    wall_ns: int
    reading: Reading


@dataclass(slots=True)
class FeedCounts:
    """What came and was not stored, since the start. Written by the feed, read by others."""

    repeated: int = 0
    """Values that came again with the same time: no new readings."""
    late: int = 0
    """Values older than what had been passed on already."""
    malformed: int = 0
    """Messages or rows that could not be read; the readings they would have been are marked."""
    lost: int = 0
    """Times at which the source said that its queue had overflowed, or left a hole."""


@runtime_checkable
class Feed(Protocol):
    """One source of readings that have times.

    `take` never raises for a source that is absent or sends nonsense: that is in `trouble` and in marked readings.
    """

    @property
    def name(self) -> str:
        """For messages: what the settings call it."""
        ...

    @property
    def valves(self) -> tuple[ValveForm, ...]:
        """The valves it serves; their order gives the index for `take` and `trouble`."""
        ...

    @property
    def counts(self) -> FeedCounts:
        """What was not stored."""
        ...

    @property
    def patience_s(self) -> float:
        """How long the first reading may take after `open`."""
        ...

    def open(self, after_ns: Mapping[str, int]) -> None:
        """Get ready. `after_ns`: valve -> time of the last reading that is stored; nothing older is to come again.

        A source that does not answer yet is no error.
        """
        ...

    def take(self, index: int) -> list[TimedReading]:
        """Readings of one valve that are new since the last call, times rising; often none. Returns at once."""
        ...

    def trouble(self, index: int) -> str:
        """Why nothing comes for a valve, as a sentence without its end; empty if all is well."""
        ...

    def close(self) -> None:
        """Let go of connections. May be called twice."""
        ...
