"""What a verification says, as plain values and their JSON."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from asleft.judge.types import Judgement, Verdict, iso
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

    def as_json(self) -> dict[str, Any]:
        """Null where unknown."""
        return {
            "wanted": _finite(self.wanted),
            "found": _finite(self.found),
            "uncertainty": _finite(self.uncertainty),
            "tolerance": None
            if self.below is None or self.above is None
            else [_finite(-self.below), _finite(self.above)],
            "verdict": self.verdict.value,
            "reason": self.reason,
        }


@dataclass(frozen=True, slots=True)
class Step:
    """One level of the graded sweep. `way`: "up" or "down"."""

    way: str
    command_pct: float
    at_s: float
    current: Graded  # A
    pressure: Graded  # bar

    def as_json(self) -> dict[str, Any]:
        """With units in the names."""
        return {
            "way": self.way,
            "command_pct": self.command_pct,
            "at": iso(self.at_s),
            "current_a": self.current.as_json(),
            "pressure_bar": self.pressure.as_json(),
        }


@dataclass(frozen=True, slots=True)
class RampStep:
    """One step of the command that a ramp held back; `ramp` is in s over the full span."""

    way: str
    from_pct: float
    to_pct: float
    at_s: float
    ramp: Graded

    def as_json(self) -> dict[str, Any]:
        """With units in the names."""
        return {
            "way": self.way,
            "from_pct": self.from_pct,
            "to_pct": self.to_pct,
            "at": iso(self.at_s),
            "ramp_s": self.ramp.as_json(),
        }


@dataclass(frozen=True, slots=True)
class Range:
    """Smallest, mean and largest value of a channel over the stretch."""

    channel: str
    unit: str
    low: float
    mean: float
    high: float

    def as_json(self) -> dict[str, Any]:
        """As it is."""
        return {"channel": self.channel, "unit": self.unit, "low": self.low, "mean": self.mean, "high": self.high}


@dataclass(frozen=True, slots=True)
class Sweep:
    """The graded sweep: when, and how fast each way (% of the range per second)."""

    from_s: float
    top_s: float
    to_s: float
    up_pct_s: float
    down_pct_s: float

    def as_json(self) -> dict[str, Any]:
        """Times ISO 8601 UTC."""
        return {
            "from": iso(self.from_s),
            "top": iso(self.top_s),
            "to": iso(self.to_s),
            "up_pct_s": self.up_pct_s,
            "down_pct_s": self.down_pct_s,
        }


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

    def as_json(self) -> dict[str, Any]:
        """As a record keeps it: numbers in stored units, null where unknown, times ISO 8601 UTC."""
        return {
            "from": iso(self.from_s),
            "to": iso(self.to_s),
            "outcome": self.outcome.value,
            "conditioning_cycles": self.conditioning,
            "sweep": None if self.sweep is None else self.sweep.as_json(),
            "steps": [step.as_json() for step in self.steps],
            "ramp_steps": [step.as_json() for step in self.ramps],
            "ramp_traces": [trace.as_json() for trace in self.traces],
            "quantities": [quantity.as_json() for quantity in self.judgement.quantities],
            "findings": [finding.as_json() for finding in self.judgement.findings],
            "characteristic": None
            if self.judgement.characteristic is None
            else self.judgement.characteristic.as_json(),
            "conditions": [one.as_json() for one in self.conditions],
            "missing": list(self.missing),
            "remarks": list(self.judgement.remarks),
        }


def _finite(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else float(value)
