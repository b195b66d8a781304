"""The block: about one second of readings of one valve, and what may go wrong with them.

These are the values the codec (`asleft.wire.codec`) turns into bytes and back. They hold engineering units;
how an instrument's registers became engineering units is the edge's business and stays there.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
Int16Array = npt.NDArray[np.int16]
Int32Array = npt.NDArray[np.int32]

#: Channel names the plant side knows, with the unit each is published in. Others are stored and shown, not judged.
CHANNEL_UNITS: Mapping[str, str] = {
    "command": "mA or V",  # the unit of the valve's command signal
    "current": "A",
    "pressure": "bar",  # gauge pressure
    "supply": "V",
    "coil_voltage": "V",
    "enable": "1",  # 0 or 1
    "pump_running": "1",  # 0 or 1
    "mode": "1",  # a small integer; the sheet says what it means
    "oil_temperature": "degC",
}


SOURCE_TIME = "source-time"
"""Boot id of a block whose times are a source's: they are not to be compared with the agent's clocks."""


class Reason(StrEnum):
    """Why a reading is missing or not to be trusted."""

    NO_ANSWER = "no-answer"  # the instrument did not reply in time
    REFUSED = "refused"  # the instrument replied with an error
    NOT_CONNECTED = "not-connected"
    NOT_FINITE = "not-finite"  # a reply that is no number
    OUT_OF_RANGE = "out-of-range"  # cannot be represented in the channel's counts
    MISSED_TICK = "missed-tick"  # the schedule could not keep up; nothing was read
    TORN = "torn"  # the instrument changed it while it was being read
    UNKNOWN = "unknown"  # a reason that a newer agent knows and this reader does not


@dataclass(frozen=True, slots=True)
class Mark:
    """A run of readings of one channel that failed: `count` of them from index `first`, for `reason`."""

    first: int
    count: int
    reason: Reason


@dataclass(eq=False, frozen=True, slots=True)
class Channel:
    """One channel's readings in a block.

    Either `values` (float64, NaN where a reading failed; travels as float32), or converter `counts` (int16) with
    `scale` and `offset`: value = offset + scale * count. `marks` name the failed readings and why.
    """

    name: str
    unit: str
    values: FloatArray | None = None
    counts: Int16Array | None = None
    scale: float = 1.0
    offset: float = 0.0
    marks: tuple[Mark, ...] = ()

    def as_values(self) -> FloatArray:
        """Readings in engineering units, shape (n,), NaN where a reading failed."""
        if self.counts is not None:
            out = self.offset + self.scale * self.counts.astype(np.float64)
        elif self.values is not None:
            out = self.values.astype(np.float64, copy=True)
        else:
            raise ValueError(f"channel {self.name!r} has neither values nor counts")
        for mark in self.marks:
            out[mark.first : mark.first + mark.count] = np.nan
        return out


@dataclass(eq=False, frozen=True, slots=True)
class Burst:
    """A fast, evenly sampled stretch of one channel (dither needs it), buffered by the instrument itself."""

    channel: str
    unit: str
    start_ns: int  # wall clock, UTC, of the first reading
    rate_hz: float
    values: FloatArray  # travels as float32
    sequence: int = 0  # the instrument's own count of bursts


@dataclass(eq=False, frozen=True, slots=True)
class Block:
    """About one second of one valve, as one agent read it.

    `offsets_us` are the times of the readings in microseconds after `wall_ns`, shape (n,), shared by all channels.
    Durations come from the monotonic clock; `wall_ns` and `monotonic_ns` were read together at the first reading.
    With boot id `SOURCE_TIME` both are the source's own time of the first reading.
    """

    agent: str
    valve: str
    stream: str  # UUID of the spool file that numbered it
    seq: int  # 1, 2, 3, ... within the stream
    boot_id: str
    wall_ns: int
    monotonic_ns: int
    clock_synchronised: bool | None  # None: the machine does not say
    offsets_us: Int32Array
    channels: tuple[Channel, ...]
    bursts: tuple[Burst, ...] = ()

    @property
    def size(self) -> int:
        """Number of sample times in the block."""
        return int(self.offsets_us.size)

    def times_s(self) -> FloatArray:
        """Sample times as unix seconds UTC, shape (n,)."""
        return self.wall_ns / 1e9 + self.offsets_us.astype(np.float64) / 1e6


@dataclass(frozen=True, slots=True)
class Sent:
    """An agent's clocks as it sent a block or gap, read together."""

    wall_ns: int
    monotonic_ns: int
    boot_id: str
    echo_ns: int = 0  # `Ack.at_ns` of the recorder's last word heard; 0: none yet
    held_ns: int = 0  # how long ago it was heard


@dataclass(frozen=True, slots=True)
class Gap:
    """Blocks `first`..`last` of a stream that an agent had to give up, declared instead of silently missing."""

    agent: str
    stream: str
    first: int
    last: int
    why: str


@dataclass(frozen=True, slots=True)
class Ack:
    """What the recorder has stored of one agent's stream: everything up to and including `mark`."""

    agent: str
    stream: str
    mark: int
    fresh: bool  # sent on (re)connection: may lower the agent's idea of the mark
    at_ns: int = 0  # the recorder's monotonic clock as it said this; 0: not told


@dataclass(frozen=True, slots=True)
class AgentState:
    """An agent's retained word about itself; `online=False` is also its last will."""

    agent: str
    online: bool
    stream: str
    highest_seq: int  # generated so far
    acknowledged: int
    at_ns: int
    version: str = ""
    details: Mapping[str, str] = field(default_factory=dict)
