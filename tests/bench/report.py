"""What a part of the judge's benchmark gives back: lines of a table, and the goals it was measured against."""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Goal:
    """One aim: a measured value, its interval (95 %, None where it has none) and the limits it should keep."""

    name: str
    value: float
    at_least: float = -float("inf")
    at_most: float = float("inf")
    interval: tuple[float, float] | None = None
    unit: str = ""

    @property
    def held(self) -> bool:
        """Whether the value itself keeps the limits."""
        return self.at_least <= self.value <= self.at_most

    def line(self) -> str:
        """One printed line."""
        limits = [f">= {self.at_least:g}"] if self.at_least > -float("inf") else []
        limits += [f"<= {self.at_most:g}"] if self.at_most < float("inf") else []
        interval = f" ({self.interval[0]:.4g} to {self.interval[1]:.4g})" if self.interval else ""
        word = "held  " if self.held else "MISSED"
        return f"{word}  {self.name}: {self.value:.4g}{interval} {self.unit}".rstrip() + f"  [{' and '.join(limits)}]"


@dataclass(slots=True)
class Report:
    """A part's table and goals."""

    title: str
    lines: list[str] = field(default_factory=list)
    goals: list[Goal] = field(default_factory=list)

    def text(self) -> str:
        """All of it, to print."""
        return "\n".join([self.title, "-" * len(self.title), *self.lines, "", *(goal.line() for goal in self.goals)])


def main(run: Callable[[bool, int], Report]) -> None:
    """The command line of one part."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--full", action="store_true", help="the published size; without it a few seconds")
    parser.add_argument("--workers", type=int, default=1, help="processes to share the work")
    arguments = parser.parse_args()
    began = time.monotonic()
    report = run(arguments.full, arguments.workers)
    print(report.text())
    print(f"({time.monotonic() - began:.0f} s)")
