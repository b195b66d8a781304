"""The sheet as a table: as left, as found, tolerance used, verdict, and why not."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, cast

from asleft.sheet.model import QUANTITY_UNITS, Sheet, Tolerance
from asleft.sheet.names import LABELS
from asleft.web import units
from asleft.web.views.valves import (
    Json,
    tolerance_sides,
)
from asleft.web.words import (
    VERDICT_WORDS,
)


@dataclass(frozen=True, slots=True)
class SheetLine:
    """One quantity of the sheet, ready to print."""

    quantity: str
    label: str
    as_left: str
    as_found: str
    uncertainty: str
    tolerance: str
    used: str
    verdict: str  # code
    verdict_words: str
    remark: str  # why not observed, the bound, or a qualification


def sheet_lines(judgement: Json | None, sheet: Sheet | None) -> list[SheetLine]:
    """The table as left | as found, worst first within nothing: always in the order every screen uses."""
    if judgement is None:
        return [] if sheet is None else [_entered_line(sheet, q) for q in QUANTITY_UNITS if q in sheet.as_left]
    by_id = {str(q["id"]): q for q in judgement.get("quantities", ())}
    return [_line(q, by_id[q]) for q in QUANTITY_UNITS if q in by_id]


def _line(quantity: str, found: Json) -> SheetLine:
    verdict = str(found.get("verdict", "not-observed"))
    used = cast("float | None", found.get("tolerance_used"))
    below, above = tolerance_sides(found)
    observed, shown = verdict != "not-observed", units.current().quantity
    return SheetLine(
        quantity=quantity,
        label=LABELS[quantity],
        as_left=shown(quantity, cast("float | None", found.get("as_left"))),
        as_found=shown(quantity, cast("float | None", found.get("as_found"))) if observed else "–",
        uncertainty=_uncertainty_words(quantity, found) if observed else "–",
        tolerance=_least_words(below) if quantity == "headroom" else _tolerance_words(quantity, below, above),
        used=percent(used) if used is not None and observed else "–",
        verdict=verdict,
        verdict_words=VERDICT_WORDS.get(verdict, verdict),
        remark=_remark(quantity, found),
    )


def _entered_line(sheet: Sheet, quantity: str) -> SheetLine:
    tolerance = sheet.tolerance.get(quantity)
    return SheetLine(
        quantity=quantity,
        label=LABELS[quantity],
        as_left=units.current().quantity(quantity, sheet.as_left[quantity]),
        as_found="–",
        uncertainty="–",
        tolerance=units.current().tolerance(quantity, tolerance) if tolerance is not None else "–",
        used="–",
        verdict="not-observed",
        verdict_words="not judged yet",
        remark="",
    )


def _uncertainty_words(quantity: str, found: Json) -> str:
    spread = cast("float | None", found.get("uncertainty"))
    text = units.current().uncertainty(quantity, spread)
    return text if text == "–" else f"±{text}"


def _tolerance_words(quantity: str, below: float | None, above: float | None) -> str:
    if below is None and above is None:
        return "–"
    infinite = float("inf")
    sides = Tolerance(infinite if below is None else below, infinite if above is None else above)
    return units.current().tolerance(quantity, sides)


def _least_words(least: float | None) -> str:
    """Headroom has no as left to depart from, only a least."""
    return "–" if least is None else f"≥ {least:.3g}"


def _remark(quantity: str, found: Json) -> str:
    parts = []
    reason = str(found.get("reason") or "")
    if reason:
        parts.append(reason)
    bound = cast("dict[str, Any]", found.get("bound") or {})
    words = bound_words(quantity, bound)
    # The judge may already have put the bound into its reason.
    if words and not any(text in reason for text in ("not slower than", "not faster than", "at least", "at most")):
        parts.append(words)
    trend = cast("float | None", found.get("trend_per_day"))
    if trend and _worth_telling(trend, found):
        parts.append(f"moves by {units.current().rate(quantity, trend)} a day")
    return "; ".join(parts)


def bound_words(quantity: str, bound: dict[str, Any]) -> str:
    """Such as "not slower than 0.8 s": it is known to lie `below` one value, or `above` another."""
    words = []
    ramp, shown = quantity in ("ramp_up", "ramp_down"), units.current().quantity
    if bound.get("below") is not None:
        text = shown(quantity, float(bound["below"]))
        words.append(f"not slower than {text}" if ramp else f"at most {text}")
    if bound.get("above") is not None:
        text = shown(quantity, float(bound["above"]))
        words.append(f"not faster than {text}" if ramp else f"at least {text}")
    return ", ".join(words)


def percent(used_pct: float) -> str:
    """Tolerance used, signed, without the sign of nothing."""
    rounded = round(used_pct)
    return f"{rounded:+d} %".replace("-", "−") if rounded else "0 %"


def _worth_telling(trend_per_day: float, found: Json) -> bool:
    """A trend that in three weeks would use up a third of the tolerance."""
    below, above = tolerance_sides(found)
    side = (above if trend_per_day > 0 else below) or above or below
    return side is not None and abs(trend_per_day) * 21 > side / 3
