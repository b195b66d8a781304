"""The characteristic as a judgement carries it: plain values."""

from __future__ import annotations

from dataclasses import dataclass


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
