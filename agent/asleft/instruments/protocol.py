"""What every instrument offers, whatever its family.

An instrument is one device, or the part of one that need not wait for the rest; it may serve several valves. All its
slow readings are taken by one thread (which may serve others too), its bursts by another, so the two must not share a
connection.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol, runtime_checkable

from asleft.instruments.steps import Steps
from asleft.wire.block import Burst, Reason


@dataclass(frozen=True, slots=True)
class ChannelForm:
    """How the numbers of one channel are to be understood.

    With `as_counts` a number is a converter count (-32768..32767, whole) and value = offset + scale * number; it then
    travels as int16, which compresses best. Without, a number is already the value in `unit`.
    """

    name: str
    unit: str
    as_counts: bool = False
    scale: float = 1.0
    offset: float = 0.0

    def value(self, number: float) -> float:
        """Engineering value of one number of this channel."""
        return self.offset + self.scale * number if self.as_counts else number


@dataclass(frozen=True, slots=True)
class ValveForm:
    """One valve of an instrument: its id, its channels, and whether the instrument buffers bursts of it."""

    valve: str
    channels: tuple[ChannelForm, ...]
    has_bursts: bool = False


@dataclass(frozen=True, slots=True)
class Reading:
    """All channels of one valve, read once. A reading that failed is still a reading.

    `numbers` has one entry per channel, in the channel's form; `failed` names the channels (by index) whose number
    means nothing, and why.
    """

    numbers: Sequence[float]
    failed: Mapping[int, Reason] = field(default_factory=dict)
    replied_ns: int = 0
    """When the last of it came (monotonic, ns); 0: when it was handed on."""

    @classmethod
    def all_failed(cls, channels: int, reason: Reason) -> Reading:
        """A reading of which nothing came."""
        return cls((0.0,) * channels, dict.fromkeys(range(channels), reason))


class Instrument(Protocol):
    """One device.

    The reading methods never raise for a device that is absent, silent or refuses: the reason is in the reading.
    """

    @property
    def name(self) -> str:
        """For messages: what the settings call it."""
        ...

    @property
    def valves(self) -> tuple[ValveForm, ...]:
        """The valves it serves; their order gives the index for the reading methods."""
        ...

    def open(self) -> None:
        """Get ready; a device that does not answer yet is no error, reading tries again."""
        ...

    def read_once(self, index: int) -> Reading | None:
        """All channels of one valve, now; None where it has nothing newer than what it gave last."""
        ...

    def read_bursts(self, index: int) -> list[Burst]:
        """Bursts of one valve that are new since the last call; at most a few. Called from another thread."""
        ...

    def close(self) -> None:
        """Let go of connections and files. May be called twice."""
        ...


@runtime_checkable
class InSteps(Instrument, Protocol):
    """An instrument whose readings can be waited for side by side with those of others, on one thread."""

    @property
    def never_blocks(self) -> bool:
        """Whether its steps wait for nothing themselves."""
        ...

    def reading(self, index: int) -> Steps[Reading]:
        """What `read_once` gives, in steps."""
        ...
