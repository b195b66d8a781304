"""Readings of one valve to blocks. Pure: times are arguments."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from asleft.instruments.protocol import ChannelForm, Reading, ValveForm
from asleft.wire.block import Block, Burst, Channel, Mark, Reason
from asleft.wire.limits import MAX_BURSTS

_COUNT_LIMITS = (-32768, 32767)
_LEAST_STEP_NS = 1000  # a block counts its times in microseconds


class BlockAssembler:
    """Collects `size` readings of one valve, then gives them as a block.

    The block has no stream and seq yet, the spool assigns them. Not safe for several threads.
    """

    def __init__(self, agent: str, boot_id: str, form: ValveForm, size: int) -> None:
        self._agent = agent
        self._boot_id = boot_id
        self._form = form
        self._size = size
        self._bursts: list[Burst] = []
        self._times_ns: list[int] = []
        self._rows: list[Sequence[float]] = []
        self._failed: list[tuple[int, Reading]] = []
        self._wall_ns = 0
        self._last_ns = -_LEAST_STEP_NS
        self._clock_synchronised: bool | None = None

    def add(
        self, wall_ns: int, monotonic_ns: int, reading: Reading, clock_synchronised: bool | None = None
    ) -> Block | None:
        """Take one reading with both clocks at its time; the block if it is now complete."""
        # A missed tick is timed as scheduled and may lie before the end of the reading that overran it. It goes right
        # behind it then: two rows of one time cannot be told apart by whoever reads them.
        behind_ns = max(0, self._last_ns + _LEAST_STEP_NS - monotonic_ns)
        wall_ns += behind_ns
        self._last_ns = monotonic_ns = monotonic_ns + behind_ns
        if not self._times_ns:
            self._wall_ns = wall_ns
            self._clock_synchronised = clock_synchronised
        if reading.failed:
            self._failed.append((len(self._rows), reading))
        self._times_ns.append(monotonic_ns)
        self._rows.append(reading.numbers)
        return self.flush() if len(self._rows) >= self._size else None

    def add_missed(self, wall_ns: int, monotonic_ns: int) -> Block | None:
        """Take a tick at which nothing was read."""
        return self.add(wall_ns, monotonic_ns, Reading.all_failed(len(self._form.channels), Reason.MISSED_TICK))

    def add_burst(self, burst: Burst) -> bool:
        """Let a burst travel with the block being filled; False if it has no room for more."""
        if len(self._bursts) >= MAX_BURSTS:
            return False
        self._bursts.append(burst)
        return True

    def lasts_ns(self, monotonic_ns: int) -> int:
        """For how long the block being filled has been begun by that time; 0 while it is empty."""
        return monotonic_ns - self._times_ns[0] if self._times_ns else 0

    def flush(self) -> Block | None:
        """The block as far as it got; None if it is empty. Bursts then wait for the next one."""
        if not self._rows:
            return None
        times_ns = np.array(self._times_ns, dtype=np.int64)
        offsets_us = ((times_ns - times_ns[0]) // 1000).astype(np.int32)
        numbers = np.array(self._rows, dtype=np.float64)
        block = Block(
            agent=self._agent,
            valve=self._form.valve,
            stream="",
            seq=0,
            boot_id=self._boot_id,
            wall_ns=self._wall_ns,
            monotonic_ns=self._times_ns[0],
            clock_synchronised=self._clock_synchronised,
            offsets_us=offsets_us,
            channels=tuple(
                _channel(form, numbers[:, index], self._reasons(index))
                for index, form in enumerate(self._form.channels)
            ),
            bursts=tuple(self._bursts),
        )
        self._bursts = []
        self._clear()
        return block

    def _reasons(self, channel: int) -> dict[int, Reason]:
        return {at: reading.failed[channel] for at, reading in self._failed if channel in reading.failed}

    def _clear(self) -> None:
        self._times_ns = []
        self._rows = []
        self._failed = []


def _channel(form: ChannelForm, numbers: np.ndarray, reasons: dict[int, Reason]) -> Channel:
    if not form.as_counts:
        values = numbers.copy()
        for at in np.flatnonzero(~np.isfinite(values)):
            reasons.setdefault(int(at), Reason.NOT_FINITE)
        values[list(reasons)] = np.nan
        return Channel(form.name, form.unit, values=values, marks=runs(reasons))
    low, high = _COUNT_LIMITS
    fits = (numbers >= low) & (numbers <= high)
    for at in np.flatnonzero(~fits):
        reasons.setdefault(int(at), Reason.OUT_OF_RANGE)
    counts = np.where(fits, numbers, 0).astype(np.int16)
    return Channel(form.name, form.unit, None, counts, form.scale, form.offset, runs(reasons))


def runs(reasons: dict[int, Reason]) -> tuple[Mark, ...]:
    """Neighbouring failures of one reason joined into marks, in order."""
    marks: list[Mark] = []
    for at in sorted(reasons):
        last = marks[-1] if marks else None
        if last is not None and last.first + last.count == at and last.reason is reasons[at]:
            marks[-1] = Mark(last.first, last.count + 1, last.reason)
        else:
            marks.append(Mark(at, 1, reasons[at]))
    return tuple(marks)
