"""What moved since the valve was left: one quantity's change, and the currents it is measured by."""

from __future__ import annotations

from asleft.judge.finding.context import FindingContext
from asleft.judge.finding.shapes import size_values
from asleft.judge.finding.signatures import Values
from asleft.judge.types import QuantityResult, Verdict

#: A measured as-left may lie off the entered one by this share of the tolerance.
_AGREES = 0.5


def reference_of(result: QuantityResult) -> tuple[float, bool] | None:
    """What a change is counted from, and whether it was measured: so where that agrees with the sheet, else entered.

    A measured as-left that lies off the entered one by more than half a tolerance was learnt from a valve that was
    not as the sheet says; what has moved since the sheet shows against the sheet alone.
    """
    entered, measured = result.as_left, result.as_left_measured
    if measured is None or entered is None:
        return None if entered is None else (entered, False)
    off = measured - entered
    limit = result.tolerance_above if off > 0.0 else result.tolerance_below
    return (entered, False) if limit is not None and abs(off) > _AGREES * limit else (measured, True)


def moved_by(result: QuantityResult | None) -> tuple[float, float] | None:
    """Change of a quantity since it was left and its expanded uncertainty; None where it was not observed."""
    if result is None or result.verdict is Verdict.NOT_OBSERVED or result.as_found is None:
        return None
    left = reference_of(result)
    if left is None:
        return None
    unsure = result.change_uncertainty if left[1] and result.change_uncertainty is not None else result.uncertainty
    return result.as_found - left[0], unsure or 0.0


def values_of(result: QuantityResult | None) -> Values | None:
    """Signs that the change of a quantity may have ("as left", +, -); None where it or its tolerance is not known."""
    change = moved_by(result)
    if result is None or change is None or result.tolerance_below is None or result.tolerance_above is None:
        return None
    return size_values(change[0], change[1], result.tolerance_below, result.tolerance_above)


def ends_of(context: FindingContext) -> tuple[float, float] | None:
    """Currents at zero and full as left, measured where that agrees with the sheet."""
    values = []
    for name in ("current_at_zero", "current_at_full"):
        result = context.results.get(name)
        left = reference_of(result) if result is not None else None
        value = left[0] if left is not None else context.sheet.as_left.get(name)
        if value is None:
            return None
        values.append(value)
    return values[0], values[1]
