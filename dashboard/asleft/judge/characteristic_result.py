"""The characteristic as a judgement carries it: plain values and their JSON."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class LevelResult:
    """One level of a branch. `uncertainty_bar` is expanded, for 95 %; commissioned: the recorded branch there."""

    current_a: float | None  # None where only the command is known
    command_pct: float
    pressure_bar: float
    uncertainty_bar: float
    n: int  # visits
    commissioned_bar: float | None
    departure_bar: float | None


@dataclass(frozen=True, slots=True)
class Departure:
    """Largest departure of a branch from the commissioned one, over the range seen in both."""

    bar: float
    uncertainty_bar: float
    command_pct: float
    current_a: float | None


@dataclass(frozen=True, slots=True)
class BranchResult:
    """One branch: its levels by ascending current, and how far it lies from the commissioned one."""

    levels: tuple[LevelResult, ...]
    largest_departure: Departure | None
    current_from_a: float | None
    current_to_a: float | None


@dataclass(frozen=True, slots=True)
class Figure:
    """A number with its expanded uncertainty and unit, or the reason why there is none and what bounds it."""

    value: float | None
    uncertainty: float | None
    unit: str
    basis: str
    reason: str = ""
    below: float | None = None
    above: float | None = None


@dataclass(frozen=True, slots=True)
class CharacteristicResult:
    """Pressure against current as seen now. `reason` says why there is nothing; empty if there is something."""

    reason: str
    compared_with: str  # "recorded at commissioning", "measured when left", or "" for nothing
    rising: BranchResult
    falling: BranchResult
    hysteresis: Figure
    dead_band: Figure
    linearity: tuple[Figure, ...]
    stick_slip_bar: float | None  # scatter between arrivals at a level beyond what reading it explains

    def as_json(self) -> dict[str, Any]:
        """As the published JSON has it: null where unknown."""
        return {
            "reason": self.reason or None,
            "compared_with": self.compared_with or None,
            "rising": _branch(self.rising),
            "falling": _branch(self.falling),
            "hysteresis": _figure(self.hysteresis),
            "dead_band": _figure(self.dead_band),
            "linearity": [_figure(figure) for figure in self.linearity],
            "stick_slip": _finite(self.stick_slip_bar),
        }


def _branch(branch: BranchResult) -> dict[str, Any]:
    worst = branch.largest_departure
    return {
        "levels": [
            {
                "current": _finite(level.current_a),
                "command": _finite(level.command_pct),
                "pressure": _finite(level.pressure_bar),
                "uncertainty": _finite(level.uncertainty_bar),
                "n": level.n,
                "commissioned": _finite(level.commissioned_bar),
                "departure": _finite(level.departure_bar),
            }
            for level in branch.levels
        ],
        "largest_departure": None
        if worst is None
        else {
            "pressure": _finite(worst.bar),
            "uncertainty": _finite(worst.uncertainty_bar),
            "command": _finite(worst.command_pct),
            "current": _finite(worst.current_a),
        },
        "current_from": _finite(branch.current_from_a),
        "current_to": _finite(branch.current_to_a),
    }


def _figure(figure: Figure) -> dict[str, Any]:
    bound = {
        name: value
        for name, value in (("below", figure.below), ("above", figure.above))
        if value is not None and math.isfinite(value)
    }
    return {
        "value": _finite(figure.value),
        "uncertainty": _finite(figure.uncertainty),
        "unit": figure.unit,
        "basis": figure.basis,
        "reason": figure.reason or None,
        "bound": bound or None,
    }


def _finite(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else float(value)
