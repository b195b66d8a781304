"""What a part of the judge's benchmark gives back: lines of a table, and the goals it was measured against."""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from dataclasses import dataclass, field

from scipy.stats import beta


@dataclass(frozen=True, slots=True)
class Goal:
    """One aim: a measured value, its interval (95 %, None where it has none) and the limits it should keep.

    `timed`: it depends on how busy the machine is, so no test asserts it.
    """

    name: str
    value: float
    at_least: float = -float("inf")
    at_most: float = float("inf")
    interval: tuple[float, float] | None = None
    unit: str = ""
    timed: bool = False

    @property
    def held(self) -> bool:
        """Whether the value itself keeps the limits."""
        return self.at_least <= self.value <= self.at_most

    @property
    def ruled_out(self) -> bool:
        """Whether chance does not excuse the value: all of its interval lies outside the limits."""
        low, high = self.interval or (self.value, self.value)
        return not (self.held or (high >= self.at_least and low <= self.at_most))

    def line(self, *, small: bool = False) -> str:
        """One printed line; in a small run a value is open as long as its interval reaches into the limits."""
        limits = [f">= {self.at_least:g}"] if self.at_least > -float("inf") else []
        limits += [f"<= {self.at_most:g}"] if self.at_most < float("inf") else []
        interval = f" ({self.interval[0]:.4g} to {self.interval[1]:.4g})" if self.interval else ""
        word = "held  " if self.held else "MISSED" if self.ruled_out or not small else "open  "
        return f"{word}  {self.name}: {self.value:.4g}{interval} {self.unit}".rstrip() + f"  [{' and '.join(limits)}]"


@dataclass(slots=True)
class Report:
    """A part's table and goals.

    `small`: a run of seconds, in which a goal counts as missed only where its interval rules it out. `logs`: how many
    simulated logs were judged.
    """

    title: str
    lines: list[str] = field(default_factory=list)
    goals: list[Goal] = field(default_factory=list)
    small: bool = False
    logs: int = 0

    def text(self) -> str:
        """All of it, to print."""
        goals = (goal.line(small=self.small) for goal in self.goals)
        return "\n".join([self.title, "-" * len(self.title), *self.lines, "", *goals])

    def missed(self) -> list[Goal]:
        """The goals that are not reached."""
        return [goal for goal in self.goals if (goal.ruled_out if self.small else not goal.held)]


def share_interval(hits: int, of: int) -> tuple[float, float]:
    """95 % interval of a share (Clopper and Pearson 1934); anything where nothing was tried."""
    low = float(beta.ppf(0.025, hits, of - hits + 1)) if hits > 0 else 0.0
    high = float(beta.ppf(0.975, hits + 1, of - hits)) if hits < of else 1.0
    return low, high


def main(run: Callable[[bool, int], Report]) -> None:
    """The command line of one part."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--full", action="store_true", help="the published size; without it a few seconds")
    parser.add_argument("--workers", type=int, default=1, help="processes to share the work")
    arguments = parser.parse_args()
    began = time.monotonic()
    report = run(arguments.full, arguments.workers)
    report.small = not arguments.full
    print(report.text())
    print(f"({time.monotonic() - began:.0f} s)")
