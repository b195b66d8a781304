"""A bar on a terminal that says how far a long task is; a plain line when it is done anywhere else."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from types import TracebackType
from typing import Self, TextIO

from asleft.cli.ink import Ink, ink_for

_WIDTH = 24
_EVERY_S = 0.1


@dataclass(slots=True)
class Progress:
    """Progress of a task of `total` units, on `stream` (stderr, so that it never mixes with the result).

    Of a task that cannot say how far it is (`total` 0) only the name is shown.

    Used as a context: the line ends when the task does, also when it is interrupted.
    """

    label: str
    total: float
    stream: TextIO
    now_s: Callable[[], float] = time.monotonic
    ink: Ink = field(init=False)
    _began_s: float = field(init=False)
    _shown_s: float = field(init=False, default=float("-inf"))
    _done: float = field(init=False, default=0.0)
    _width: int = field(init=False, default=0)

    def __post_init__(self) -> None:
        """Look at the stream and the clock."""
        self.ink = ink_for(self.stream)
        self._began_s = self.now_s()

    def __enter__(self) -> Self:
        self._show()
        return self

    def __exit__(self, kind: type[BaseException] | None, _error: object, _trace: TracebackType | None) -> None:
        took_s = self.now_s() - self._began_s
        if kind is None:
            self._line(f"{self.label}: done in {_duration(took_s)}", end="\n")
        elif self.stream.isatty():
            at = f" at {self._share():.0%}" if self.total > 0.0 else ""
            self._line(f"{self.label}: ended{at}", end="\n")

    def at(self, done: float) -> None:
        """Say how much is done."""
        self._done = min(max(done, 0.0), self.total)
        self._show()

    def _show(self) -> None:
        now_s = self.now_s()
        if not self.stream.isatty() or now_s - self._shown_s < _EVERY_S:
            return
        self._shown_s = now_s
        if not self.total > 0.0:
            self._line(f"{self.label} ...")
            return
        share = self._share()
        full = round(share * _WIDTH)
        bar = ("█" * full + "░" * (_WIDTH - full)) if self.ink.unicode else ("#" * full + "." * (_WIDTH - full))
        took_s = now_s - self._began_s
        left = f", {_duration(took_s * (1.0 / share - 1.0))} left" if share > 0.02 and took_s > 1.0 else ""
        self._line(f"{self.label}  {bar}  {share:4.0%}{left}")

    def _share(self) -> float:
        return self._done / self.total if self.total > 0.0 else 1.0

    def _line(self, text: str, end: str = "") -> None:
        terminal = self.stream.isatty()
        filled = text.ljust(self._width) if terminal else text
        self._width = len(text)
        self.stream.write(("\r" if terminal else "") + filled + end)
        self.stream.flush()


def _duration(seconds: float) -> str:
    if seconds < 90.0:
        return f"{seconds:.0f} s"
    return f"{seconds / 60.0:.0f} min" if seconds < 5400.0 else f"{seconds / 3600.0:.1f} h"
