"""What moved since the valve was left: one quantity's change, and the currents it is measured by."""

from __future__ import annotations

from asleft.judge.finding.scene import Scene
from asleft.judge.finding.shapes import size_values
from asleft.judge.finding.signatures import Values
from asleft.judge.types import QuantityResult, Verdict


def moved_by(result: QuantityResult | None) -> tuple[float, float] | None:
    """Change of a quantity since it was left (measured if known, else entered) and its expanded uncertainty."""
    if result is None or result.verdict is Verdict.NOT_OBSERVED or result.as_found is None:
        return None
    left = result.as_left_measured if result.as_left_measured is not None else result.as_left
    if left is None:
        return None
    unsure = result.change_uncertainty if result.change_uncertainty is not None else result.uncertainty
    return result.as_found - left, unsure or 0.0


def values_of(result: QuantityResult | None) -> Values | None:
    """Signs that the change of a quantity may have ("as left", +, -); None where it or its tolerance is not known."""
    change = moved_by(result)
    if result is None or change is None or result.tolerance_below is None or result.tolerance_above is None:
        return None
    return size_values(change[0], change[1], result.tolerance_below, result.tolerance_above)


def ends_of(scene: Scene) -> tuple[float, float] | None:
    """Currents at zero and full as left, measured where known."""
    values = []
    for name in ("current_at_zero", "current_at_full"):
        result = scene.results.get(name)
        measured = result.as_left_measured if result is not None else None
        value = measured if measured is not None else scene.sheet.as_left.get(name)
        if value is None:
            return None
        values.append(value)
    return values[0], values[1]
