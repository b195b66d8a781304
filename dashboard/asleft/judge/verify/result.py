"""What a verification says, as plain values. Their JSON is in `verify.published`."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from asleft.judge.types import Judgement, Verdict
from asleft.judge.verify.traces import Trace


class Outcome(StrEnum):
    """Of a verification as a whole."""

    AS_LEFT = "as-left"  # complete, and all that was observed is in
    NOT_AS_LEFT = "not-as-left"  # something is out
    UNDECIDED = "undecided"  # complete, none out, something undecided
    INCOMPLETE = "incomplete"  # something is missing


@dataclass(frozen=True, slots=True)
class Graded:
    """One number against what the sheet wants of it. `uncertainty` is expanded, for 95 %."""

    wanted: float | None
    found: float | None
    uncertainty: float | None
    below: float | None  # tolerance
    above: float | None
    verdict: Verdict
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Step:
    """One level of the graded sweep. `way`: "up" or "down"."""

    way: str
    command_pct: float
    at_s: float
    current: Graded  # A
    pressure: Graded  # bar


@dataclass(frozen=True, slots=True)
class RampStep:
    """One step of the command that a ramp held back; `ramp` is in s over the full span.

    `stayed_s`: how long the command stayed where it went. `seen_pct`: how much of the way 0-100 % the ramp could go
    meanwhile. `readings_pct`: how much of the readings of the current came while it went.
    """

    way: str
    from_pct: float
    to_pct: float
    at_s: float
    ramp: Graded
    stayed_s: float
    seen_pct: float
    readings_pct: float

    @property
    def whole(self) -> bool:
        """Whether the ramp could go all the way that the command went."""
        return self.seen_pct >= abs(self.to_pct - self.from_pct) - 2.0


@dataclass(frozen=True, slots=True)
class Range:
    """Smallest, mean and largest value of a channel over the stretch."""

    channel: str
    unit: str
    low: float
    mean: float
    high: float


@dataclass(frozen=True, slots=True)
class Sweep:
    """The graded sweep: when, and how fast each way (% of the range per second)."""

    from_s: float
    top_s: float
    to_s: float
    up_pct_s: float
    down_pct_s: float


@dataclass(frozen=True, slots=True)
class Check:
    """A stretch of recorded data as a verification of the sheet."""

    valve: str
    sheet_revision: int
    from_s: float
    to_s: float
    conditioning: int  # full cycles before the graded sweep
    cycles: int  # all full cycles
    sweep: Sweep | None
    progress: str  # of what is under way, a sentence or nothing
    steps: tuple[Step, ...]
    ramps: tuple[RampStep, ...]
    traces: tuple[Trace, ...]
    judgement: Judgement
    missing: tuple[str, ...]
    conditions: tuple[Range, ...]
    outcome: Outcome
