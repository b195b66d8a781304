"""Columns of whole numbers that are a converter's counts."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from asleft.judge.fit.levels import Levels, expected_bar
from asleft.judge.fit.misfit import LEAST_SPREAD_UNIT, WANTED, Misfit, is_whole, number, out_of_range, straightness
from asleft.judge.fit.points import Whole
from asleft.judge.types import FloatArray
from asleft.sheet.model import Sheet

_STRAIGHT, _STRAIGHT_BAR = 0.98, 0.9  # correlation, squared, of counts with what they should follow


def counts_of(
    sheet: Sheet, levels: Levels, demand: FloatArray, whole: Mapping[str, Whole]
) -> tuple[tuple[Misfit | None, FloatArray], Misfit | None]:
    """Columns of whole numbers far outside what the sheet allows, which follow each other in a straight line."""
    zero, full = sheet.as_left["current_at_zero"], sheet.as_left["current_at_full"]
    known = np.isfinite(levels.current)
    command, current, weight = levels.command[known], levels.current[known], levels.weight[known]
    if known.sum() < 2 or straightness(command, current, weight) < _STRAIGHT:
        return (None, demand), None
    illegal = out_of_range(demand, levels.weight) >= 0.25
    raw_command = is_whole(whole, "command") and illegal
    raw_current = is_whole(whole, "current") and float(np.nanmax(np.abs(levels.current))) > 5.0 * full
    if raw_command and raw_current:
        misfits = (
            Misfit("raw-counts", counts_words(levels, "command"), {"command": WANTED}),
            Misfit("raw-counts", counts_words(levels, "current"), {"current": WANTED}),
        )
        return (misfits[0], np.full_like(demand, np.nan)), misfits[1]
    if raw_current:
        line = np.polyfit(zero + np.clip(demand[known], 0.0, 1.0) * (full - zero), current, 1, w=np.sqrt(weight))
        return (None, demand), Misfit(
            "raw-counts", counts_words(levels, "current"), {"current": _scaled(1.0, 0.0, line)}
        )
    if raw_command:
        shares = (levels.current - zero) / (full - zero)
        if np.ptp(shares[known]) < LEAST_SPREAD_UNIT:
            return (None, demand), None
        line = np.polyfit(shares[known], command, 1, w=np.sqrt(weight))
        signal = sheet.signal
        keys = {"command": _scaled(signal.at_full - signal.at_zero, signal.at_zero, line)}
        return (Misfit("raw-counts", counts_words(levels, "command"), keys), shares), None
    return (None, demand), None


def counts_words(levels: Levels, name: str) -> str:
    """What is seen of a channel of whole numbers, as a question."""
    values = getattr(levels, name)
    low, high = number(float(np.nanmin(values))), number(float(np.nanmax(values)))
    return f"the {name} reads whole numbers from {low} to {high}: are these a converter's counts?"


def _scaled(times: float, offset: float, line: FloatArray) -> str:
    """Keys for value = offset + times x, where counts = line[0] x + line[1]."""
    scale = times / float(line[0])
    return f"{{ scale = {number(scale)}, offset = {number(offset - scale * float(line[1]))} }}"


def pressure_counts(sheet: Sheet, levels: Levels, demand: FloatArray, whole: Mapping[str, Whole]) -> Misfit | None:
    """A pressure of whole numbers far above the characteristic that follows it in a straight line."""
    expected = expected_bar(sheet, demand)
    if expected is None or not is_whole(whole, "pressure"):
        return None
    known = np.isfinite(levels.high) & np.isfinite(expected)
    high, wanted, weight = levels.high[known], expected[known], levels.weight[known]
    if known.sum() < 3 or high.max() < 5.0 * wanted.max() or straightness(wanted, high, weight) < _STRAIGHT_BAR:
        return None
    line = np.polyfit(wanted, high, 1, w=np.sqrt(weight))
    return Misfit("raw-counts", counts_words(levels, "pressure"), {"pressure": _scaled(1.0, 0.0, line)})
