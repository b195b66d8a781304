"""Settings of a valve that no sheet knows yet, from a recording alone: as found, to become as left.

The estimators begin where a sheet says that the valve was left. Here they begin with ramps of a usual length and with
pressures on a line over the current; what is found from there is the next beginning, until it no longer moves.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from asleft.judge.decide import Estimate
from asleft.judge.estimates import Found, NotObserved, estimate
from asleft.judge.judge import state_of_log
from asleft.judge.steps.points import seen_of
from asleft.judge.types import Samples
from asleft.sheet.as_left import LIMITS
from asleft.sheet.model import Sheet
from asleft.sheet.tolerances import default_tolerances

_ROUNDS = 4
_SETTLED = 0.25
"""Share of the expanded uncertainty by which a round may still move a value that is called settled."""
_RAMPS_S = (1.0, 5.0, 0.2)
"""Where searches for the ramps begin, one after the other until both are told: the middle, on a scale of ratios, of
what drivers offer (common practice), and towards its ends."""
_BINS = 20


@dataclass(frozen=True, slots=True)
class FirstSheet:
    """What a recording shows of a valve: a sheet with what was found as left, and why the rest is missing."""

    sheet: Sheet
    found: Mapping[str, Estimate]
    missing: Mapping[str, str]


def first_sheet(sheet: Sheet, samples: Samples) -> FirstSheet:
    """Fill `[as_left]` of a sheet that has signal, instruments and conditions from a whole recording.

    Never raises for poor data; what cannot be told is in `missing`, with why.
    """
    found: Mapping[str, Found] = {}
    kept: dict[str, Estimate] = {}
    for ramp_s in _RAMPS_S:
        another = _search(sheet, samples, {"ramp_up": ramp_s, "ramp_down": ramp_s})
        identified = _identified(another)
        if not found or len(identified) > len(kept):
            found, kept = another, identified
        if {"ramp_up", "ramp_down"} <= kept.keys() or "current" not in samples.channels:
            break
    missing = {name: _why(found.get(name), kept) for name in LIMITS if name not in kept}
    values = {name: _rounded(value) for name, value in kept.items()}
    return FirstSheet(_left_as(sheet, values), kept, missing)


def _search(sheet: Sheet, samples: Samples, left: Mapping[str, float]) -> Mapping[str, Found]:
    found: Mapping[str, Found] = {}
    for _ in range(_ROUNDS):
        begun = _left_as(sheet, left)
        state = state_of_log(begun, samples)
        found = estimate(begun, seen_of(state, state.dwells, state.strokes, state.bursts)).quantities
        identified = _identified(found)
        if all(_stands(value, left.get(name)) for name, value in identified.items()):
            break
        left = {**left, **{name: value.value for name, value in identified.items()}}
        left = {**_pressures(samples, left), **left}
    return found


def _identified(found: Mapping[str, Found]) -> dict[str, Estimate]:
    return {
        name: value for name, value in found.items() if isinstance(value, Estimate) and _is_identified(name, value)
    }


def proposed_tolerance(sheet: Sheet, quantity: str, expanded: float) -> float | None:
    """A tolerance (in the quantity's unit, either side) wider than the sheet's, where `expanded` U would fill that.

    None where the sheet's serves: four U and more wide, so that a valve in its middle is told in, not
    undecided (the test uncertainty ratio of 4:1 is common practice).
    """
    usual = sheet.tolerance[quantity]
    least = min(usual.below, usual.above)
    wanted = 4.0 * expanded
    return None if wanted <= least else _round_up(wanted)


def _left_as(sheet: Sheet, values: Mapping[str, float]) -> Sheet:
    as_left = {name: value for name, value in values.items() if name in LIMITS}
    return replace(sheet, as_left=as_left, tolerance=default_tolerances(as_left), characteristic=None)


def _pressures(samples: Samples, left: Mapping[str, float]) -> dict[str, float]:
    """Pressures to begin with: a line through the medians of pressure, current by current, at the currents found.

    Over the current and not over the command, behind which the current of a slow ramp lags. Empty without a rise.
    """
    current, pressure = (samples.channels.get(name) for name in ("current", "pressure"))
    ends = [left.get(f"current_at_{end}") for end in ("zero", "full")]
    if current is None or pressure is None or ends[0] is None or ends[1] is None or not ends[0] < ends[1]:
        return {}
    share = (current - ends[0]) / (ends[1] - ends[0])
    good = np.isfinite(share) & np.isfinite(pressure) & (share > -0.05) & (share < 1.05)
    at = np.clip(np.rint(share[good] * _BINS), 0, _BINS).astype(int)
    counts = np.bincount(at, minlength=_BINS + 1)
    filled = np.flatnonzero(counts)
    if filled.size < 2:
        return {}
    medians = [np.median(pressure[good][at == one]) for one in filled]
    slope, zero = np.polyfit(filled / _BINS, medians, 1, w=np.sqrt(counts[filled]))
    if not slope > max(0.0, -zero):
        return {}
    return {"pressure_at_zero": max(float(zero), 0.0), "pressure_at_full": float(zero + slope)}


def _is_identified(name: str, value: Estimate) -> bool:
    """Whether a value can stand on a sheet: within what a sheet takes, and known to better than itself."""
    if name not in LIMITS:
        return False
    low, high = LIMITS[name]
    return low <= value.value <= high and (value.expanded() < value.value or low <= 0.0)


def _stands(found: Estimate, before: float | None) -> bool:
    return before is not None and abs(found.value - before) <= _SETTLED * found.expanded()


def _why(found: Found | None, kept: Mapping[str, Estimate]) -> str:
    if isinstance(found, NotObserved):
        return found.reason
    if found is not None:
        return "what was found is less than its own uncertainty"
    return "the recording does not show it" if kept else "nothing was told from this recording"


def _rounded(found: Estimate) -> float:
    """To the digit that is a tenth of its uncertainty or less, as somebody would note it down."""
    expanded = found.expanded()
    if not 0.0 < expanded < math.inf:
        return found.value
    return round(found.value, 1 - math.floor(math.log10(expanded)))


def _round_up(value: float) -> float:
    """To two digits, upwards."""
    unit = 10.0 ** (math.floor(math.log10(value)) - 1)
    return float(f"{math.ceil(value / unit) * unit:.12g}")
