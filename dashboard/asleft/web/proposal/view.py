"""What somebody wants of a valve, as an address says it in their unit, and the way from proposals to a revision."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from urllib.parse import urlencode

from asleft.judge.propose.propose import Proposed, Wanted
from asleft.web.hrefs import sheet_href
from asleft.web.units import Pressures

#: What is taken for a pressure (bar), and for a change of pressure (bar/s, above zero).
LOWEST_BAR, HIGHEST_BAR = 0.0, 1000.0
FIELDS: Mapping[str, str] = {
    "zero": "Pressure at zero command",
    "full": "Pressure at full command",
    "rate": "Fastest change of pressure",
}
_LONGEST_TEXT = 40
_DIGITS: Mapping[str, int] = {"A": 4, "s": 3}


def typed_in(args: Mapping[str, str]) -> dict[str, str]:
    """What is wanted, as it was typed; empty text where nothing was."""
    return {name: args.get(name, "").strip()[: _LONGEST_TEXT + 1] for name in FIELDS}


def wanted_of(typed: Mapping[str, str], shown: Pressures) -> tuple[Wanted, dict[str, str]]:
    """What is wanted, in bar and bar/s, and what is wrong by field: in words. What is wrong is not asked for."""
    bar: dict[str, float | None] = {}
    faults = {}
    per_bar = shown.pressure(1.0)
    for name in FIELDS:
        text, unit = typed.get(name, ""), f"{shown.unit} per second" if name == "rate" else shown.unit
        bar[name] = None
        if not text:
            continue
        number = _number(text)
        if number is None:
            faults[name] = f"{text[:_LONGEST_TEXT]!r} is no number, as {100.0 * per_bar:.6g}"
            continue
        # A limit as it is printed in another unit is still inside.
        if not LOWEST_BAR <= number / per_bar <= HIGHEST_BAR * (1.0 + 1e-5) or (name == "rate" and number <= 0.0):
            low = "above 0" if name == "rate" else "0"
            faults[name] = f"{text[:_LONGEST_TEXT]} {unit}: wanted is {low} to {HIGHEST_BAR * per_bar:.6g} {unit}"
            continue
        bar[name] = number / per_bar
    zero, full = bar["zero"], bar["full"]
    if zero is not None and full is not None and not zero < full:
        faults["full"] = "it must be higher than the pressure at zero command"
        bar["full"] = None
    return Wanted(bar["zero"], bar["full"], bar["rate"]), faults


def _number(text: str) -> float | None:
    """A number with a point or a comma for decimals; None for anything else."""
    try:
        value = float(text.replace(",", ".")) if text.isascii() and "_" not in text else math.nan
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def revise_href(valve: str, proposals: Sequence[Proposed], why: str) -> str:
    """Address of the form of the next revision with what was proposed in it; empty where nothing was."""
    values = {
        one.quantity: f"{one.value:.{_DIGITS[one.unit]}f}"
        for one in proposals
        if one.quantity and one.value is not None
    }
    return f"{sheet_href(valve)}/revise?{urlencode({**values, 'why': why})}" if values else ""
