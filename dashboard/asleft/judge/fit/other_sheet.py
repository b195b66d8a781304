"""A log that belongs to another sheet: of another valve, or from before this one was left.

Another valve differs in everything at once. Counted are the independent changes that what was found needs: currents
by one gain or one shift are one, else two; ramps by one factor one, else two; pressures along the sheet's
characteristic none, by one factor one, else two. Two faults at once need two, of at most some tolerances each.

Misses: a twin of the valve, set up alike; a log that shows too few quantities.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import UTC, datetime

import numpy as np
from asleft.judge.types import QuantityResult, Verdict
from asleft.judge.valve.curve import curve_of
from asleft.sheet.model import Sheet

#: Out by so many tolerances counts as changed.
_CHANGED = 2.0
#: Changes by one gain, one shift or one factor agree within this share of themselves.
_ALIKE = 0.15
#: So many independent changes are another valve's, if one current is further out than any fault takes it; one fewer
#: if both are, or one is far out; two are enough where both are far out by no one gain or shift, and where only
#: pressures are seen and one is far too high.
_MANY = 4
_BEYOND_A_FAULT, _FAR_OUT = 6.5, 12.5
#: A current at full that is too high by so much, over its whole span, is none that comes and goes.
_NO_FAULT = 25.0
#: A current whose span is less than this share of that of the sheet is lost, clipped or dead, not another valve's.
_ALIVE = 0.25
_ENDS = ("current_at_zero", "current_at_full")
_PRESSURE_NEAR = 0.06  # share of full: on the sheet's characteristic
#: Before this a log's times are seconds from its own beginning, not dates.
_DATED_S = datetime(2000, 1, 1, tzinfo=UTC).timestamp()
#: Zones left out and a sheet written up on the evening of the sweep: no more than a day.
_DAY_S = 86_400.0


def of_another_valve(sheet: Sheet, results: Mapping[str, QuantityResult], *, steady: bool) -> bool:
    """Whether everything that can be seen differs at once, by more than faults of the machine do.

    `steady`: whether one command gives one current, in a straight line; what comes and goes is a fault.
    """
    out = {name: used for name, result in results.items() if (used := _used(result)) is not None}
    changes = _currents(sheet, results, out) + _ramps(results, out) + _pressures(sheet, results, out)
    ends = [abs(out.get(name, 0.0)) for name in _ENDS]
    if not any(_seen(results, name) for name in _ENDS):
        high = max((out.get(name, 0.0) for name in ("pressure_at_zero", "pressure_at_full")), default=0.0)
        return changes >= _MANY - 2 and high > _FAR_OUT
    if not _alive(sheet, results):
        return False
    if changes >= _MANY:
        return max(ends) > _BEYOND_A_FAULT
    if changes == _MANY - 1 and out.get("current_at_full", 0.0) > _NO_FAULT:
        return True
    if not steady or changes < _MANY - 2:
        return False
    if changes == _MANY - 2:  # both currents, by no one gain or shift, each further than a fault takes it
        return min(ends) > _FAR_OUT
    return min(ends) > _BEYOND_A_FAULT or max(ends) > _FAR_OUT


def _seen(results: Mapping[str, QuantityResult], name: str) -> bool:
    return name in results and results[name].as_found is not None


def _alive(sheet: Sheet, results: Mapping[str, QuantityResult]) -> bool:
    """Whether a current still flows over a good part of its span."""
    if not all(_seen(results, name) for name in _ENDS):
        return False
    zero, full = (results[name].as_found or 0.0 for name in _ENDS)
    return full - zero > _ALIVE * (sheet.as_left["current_at_full"] - sheet.as_left["current_at_zero"])


def left_later_s(sheet: Sheet, to_s: float | None) -> float | None:
    """When the sheet was left (unix s), if that is more than a day after the end of the log; None if not."""
    at = sheet.revision.at
    if at is None or to_s is None or to_s < _DATED_S or at.timestamp() - to_s <= _DAY_S:
        return None
    return at.timestamp()


def _used(result: QuantityResult) -> float | None:
    """Tolerances away from as left where that is out and more than two; None where it is not."""
    used = result.tolerance_used_pct
    if result.verdict is not Verdict.OUT or used is None or abs(used) < 100.0 * _CHANGED:
        return None
    return used / 100.0


def _currents(sheet: Sheet, results: Mapping[str, QuantityResult], out: Mapping[str, float]) -> int:
    names = _ENDS
    moved = [name for name in names if name in out]
    if len(moved) < 2:
        return len(moved)
    now = [results[name].as_found or 0.0 for name in names]
    left = [sheet.as_left[name] for name in names]
    shift = [a - b for a, b in zip(now, left, strict=True)]
    gain = [a / b if b else math.inf for a, b in zip(now, left, strict=True)]
    return 1 if _alike(*shift) or _alike(gain[0] - 1.0, gain[1] - 1.0) else 2


def _ramps(results: Mapping[str, QuantityResult], out: Mapping[str, float]) -> int:
    names = [name for name in ("ramp_up", "ramp_down") if name in out]
    if len(names) < 2:
        return len(names)
    factors = [(results[name].as_found or 0.0) / (results[name].as_left or math.inf) for name in names]
    return 1 if all(factors) and _alike(math.log(factors[0]), math.log(factors[1])) else 2


def _pressures(sheet: Sheet, results: Mapping[str, QuantityResult], out: Mapping[str, float]) -> int:
    """Pressures that the currents as found do not explain along the sheet's characteristic."""
    curve, full = curve_of(sheet), sheet.as_left.get("pressure_at_full")
    names = [name for name in ("pressure_at_zero", "pressure_at_full") if name in out]
    if curve is None or full is None or not names:
        return 0
    factors = []
    for name in names:
        end = name.removeprefix("pressure")
        current = results.get(f"current{end}")
        at_a = current.as_found if current is not None and current.as_found is not None else None
        left_a = sheet.as_left.get(f"current{end}")
        if at_a is None and left_a is None:
            continue
        wanted = float(curve.pressure_at(np.array(at_a if at_a is not None else left_a)))
        found = results[name].as_found or 0.0
        if abs(found - wanted) > _PRESSURE_NEAR * full:
            factors.append(found / wanted if wanted else math.inf)
    return 1 if len(factors) == 2 and _alike(factors[0] - 1.0, factors[1] - 1.0) else len(factors)


def _alike(a: float, b: float) -> bool:
    return math.isfinite(a) and math.isfinite(b) and abs(a - b) <= _ALIKE * max(abs(a), abs(b))
