"""Why readings do not fit, and what all looks for another reading of a column share."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from asleft.judge.fit.levels import Agreement, Levels, PressureAgreement, current_agreement, pressure_agreement
from asleft.judge.fit.points import Whole
from asleft.judge.types import FloatArray
from asleft.sheet.model import Sheet

#: Current: far off as the sheet says, and agreeing in another way (shares of span; the second while moving).
FAR, _AGREE, AGREE_MOVING = 0.15, 0.06, 0.12
LEAST_SPREAD, LEAST_SPREAD_UNIT = 0.2, 0.08
BEYOND = 0.05  # outside by this share of the range
#: A pressure may agree in another unit when its ratio to the sheet is beyond these.
HIGH_RATIO, LOW_RATIO = 2.0, 0.4
AGREES_NEARLY = 0.9
_LARGEST_FAULT = 6.5  # tolerances
_WHOLE = 0.99
WANTED = "{ scale = (value of one count), offset = (value at count 0) }"


@dataclass(frozen=True, slots=True)
class Misfit:
    """Why the readings do not fit: a code word, what is seen, and what to write where.

    `keys`: what the map's [column] should say, channel to the text of its value. `sheet_keys`: what the sheet's
    [signal] should say instead, empty where the sheet is not to be changed.
    """

    cause: str
    evidence: str
    keys: Mapping[str, str]
    sheet_keys: str = ""
    note: str = ""


def demand_of(sheet: Sheet, command: FloatArray) -> FloatArray:
    """Demand (1: full) of a command as the sheet reads it."""
    return (command - sheet.signal.at_zero) / (sheet.signal.at_full - sheet.signal.at_zero)


def as_it_is(sheet: Sheet, levels: Levels) -> tuple[Agreement, PressureAgreement | None]:
    """How well the readings agree as the sheet says."""
    demand = demand_of(sheet, levels.command)
    current = current_agreement(sheet, demand, levels.current, levels.weight)
    return current, pressure_agreement(sheet, demand, levels)


def agreement_limit(levels: Levels) -> float:
    """How far a current may be off (share of span) and still agree."""
    return _AGREE if levels.at_rest else AGREE_MOVING


def agrees(
    sheet: Sheet, levels: Levels, demand: FloatArray, current: FloatArray, limit: float, spread: float = LEAST_SPREAD
) -> Agreement | None:
    """How a current agrees with a demand at levels far enough apart; None where it does not."""
    found = current_agreement(sheet, demand, current, levels.weight)
    return found if found.most <= limit and found.spread >= spread and found.levels >= 2 else None


def has_current(levels: Levels) -> bool:
    """Whether the current is read at any level."""
    return bool(np.isfinite(levels.current).any())


def out_of_range(demand: FloatArray, weight: FloatArray) -> float:
    """Share of the weight of a command outside its range."""
    return float(weight[np.abs(demand - 0.5) > 0.5 + BEYOND].sum() / weight.sum())


def range_words(sheet: Sheet, levels: Levels, name: str) -> str:
    """From where to where a channel reads, in the sheet's unit."""
    values = getattr(levels, name)
    unit = {"command": sheet.signal.unit, "current": "A", "pressure": "bar"}[name]
    return f"{number(float(np.nanmin(values)))} to {number(float(np.nanmax(values)))} {unit}"


def signal_words(sheet: Sheet) -> str:
    """From where to where the sheet has the command."""
    return f"{number(sheet.signal.at_zero)} to {number(sheet.signal.at_full)} {sheet.signal.unit}"


def is_whole(whole: Mapping[str, Whole], name: str) -> bool:
    """Whether a channel reads whole numbers alone, as counts are."""
    known = whole.get(name)
    return known is not None and known.seen >= 20 and known.whole >= _WHOLE * known.seen


def straightness(x: FloatArray, y: FloatArray, weight: FloatArray) -> float:
    """Correlation, squared and with its sign, of level means; 0 where nothing moves."""
    if x.size < 2:
        return 0.0
    dx, dy = x - np.average(x, weights=weight), y - np.average(y, weights=weight)
    spread = float(np.sum(weight * dx**2) * np.sum(weight * dy**2))
    both = float(np.sum(weight * dx * dy))
    return math.copysign(both**2 / spread, both) if spread > 0.0 else 0.0


def number(value: float) -> str:
    """Four significant digits, thousands not in exponents: "14.5", "1000", "0.3125"."""
    text = f"{value:.4g}"
    return f"{value:.0f}" if "e+" in text else text


def faults_reach(sheet: Sheet) -> float:
    """How far a fault of the largest size takes a current, share of span: some tolerances of the sheet's own."""
    tolerances = [sheet.tolerance[n] for n in ("current_at_zero", "current_at_full") if n in sheet.tolerance]
    widest = max((max(t.below, t.above) for t in tolerances), default=0.0)
    return _LARGEST_FAULT * widest / (sheet.as_left["current_at_full"] - sheet.as_left["current_at_zero"])
