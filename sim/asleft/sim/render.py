"""Turns a script of segments into one value per simulation step."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from asleft.sim.segments import Segment

FloatArray = npt.NDArray[np.float64]
Int8Array = npt.NDArray[np.int8]


@dataclass(eq=False, frozen=True, slots=True)
class Tracks:
    """One row per lane, one column per step: demand 0..1, load (bar), and the discrete channels."""

    command: FloatArray
    load_bar: FloatArray
    enable: Int8Array
    pump: Int8Array
    mode: Int8Array
    state: Int8Array

    @classmethod
    def empty(cls, lanes: int, steps: int) -> Tracks:
        """Room for `lanes` x `steps`."""
        shape = (lanes, steps)
        return cls(
            np.empty(shape),
            np.empty(shape),
            np.empty(shape, np.int8),
            np.empty(shape, np.int8),
            np.empty(shape, np.int8),
            np.empty(shape, np.int8),
        )


class Renderer:
    """Writes one lane's segments into tracks, step after step, without end."""

    def __init__(self, segments: Iterator[Segment], start_s: float, step_s: float) -> None:
        self._segments = segments
        self._start_s = start_s
        self._step_s = step_s
        self._from = 0  # step at which the current segment began
        self._until = 0  # step at which it ends
        self._segment: Segment | None = None

    def _advance(self) -> Segment:
        """Take the next segment that is at least one step long."""
        while True:
            segment = next(self._segments)
            until = round((segment.until_s - self._start_s) / self._step_s)
            if until > self._until:
                self._from, self._until, self._segment = self._until, until, segment
                return segment

    def write(self, lane: int, first: int, tracks: Tracks) -> None:
        """Fill row `lane` of `tracks`, whose column 0 is step `first`; steps must be asked for in order."""
        last = first + tracks.command.shape[1]
        at = first
        segment = self._segment
        while at < last:
            if segment is None or at >= self._until:
                segment = self._advance()
                continue
            until = min(last, self._until)
            here = slice(at - first, until - first)
            tracks.command[lane, here] = self._line(segment.command0, segment.command1, at, until)
            tracks.load_bar[lane, here] = self._line(segment.load0, segment.load1, at, until)
            tracks.enable[lane, here] = segment.enable
            tracks.pump[lane, here] = segment.pump
            tracks.mode[lane, here] = segment.mode
            tracks.state[lane, here] = segment.state
            at = until

    def _line(self, first: float, last: float, at: int, until: int) -> FloatArray | float:
        """Values at the ends of steps `at`..`until` of the straight line through the current segment."""
        if first == last:
            return last
        share = (np.arange(at, until) - self._from + 1.0) / (self._until - self._from)
        return np.asarray(first + (last - first) * share)
