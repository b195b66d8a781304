"""The deviation strip as text: one line per quantity, from -150 % to +150 % of its tolerance.

A pale band is the tolerance, the line in it as left, a mark as found with whiskers for its uncertainty. Beyond the
scale an arrow points the way, and the figure stands beside it. A healthy valve is a column of dots on the line.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence

from asleft.cli.ink import Ink
from asleft.judge.types import QuantityResult, Verdict
from asleft.sheet.names import LABELS, format_used

SCALE_PCT = 150.0
_LABEL_WIDTH = max(map(len, LABELS.values())) + 2
_FIGURE_WIDTH = 9


def strip(quantities: Sequence[QuantityResult], ink: Ink) -> list[str]:
    """Lines of the strip, its scale on top and its key below; empty if there is nothing to draw."""
    if not quantities:
        return []
    cells_per_half_band = max(3, (ink.width - 2 - _LABEL_WIDTH - _FIGURE_WIDTH) // 6)
    lines = [_scale(cells_per_half_band, ink)]
    lines += [_line(quantity, cells_per_half_band, ink) for quantity in quantities]
    key = textwrap.wrap(_key(quantities, ink), ink.width, initial_indent="  ", subsequent_indent="  ")
    return [*lines, *(ink.quiet(line) for line in key)]


def _key(quantities: Sequence[QuantityResult], ink: Ink) -> str:
    glyphs = ink.glyphs
    shown = {quantity.verdict for quantity in quantities}
    marks = {
        Verdict.IN: f"{glyphs.inside} in",
        Verdict.UNDECIDED: f"{glyphs.undecided} undecided",
        Verdict.OUT: f"{glyphs.out} out",
        Verdict.NOT_OBSERVED: f"{glyphs.not_observed} not observed",
    }
    key = [mark for verdict, mark in marks.items() if verdict in shown]
    key.append(f"{glyphs.whisker_left}{glyphs.whisker}{glyphs.whisker_right} uncertainty 95 %")
    return "  ".join([*key, f"{glyphs.band} tolerance"])


def position_pct(quantity: QuantityResult) -> tuple[float | None, float]:
    """Where the mark stands, in percent of tolerance, and the half-width of its whiskers; None without a value."""
    if quantity.as_found is None or quantity.verdict is Verdict.NOT_OBSERVED:
        return None, 0.0
    if quantity.as_left is None:  # headroom: never left, only required
        if quantity.tolerance_used_pct is None or not quantity.tolerance_below:
            return None, 0.0
        return quantity.tolerance_used_pct, 100 * (quantity.uncertainty or 0.0) / quantity.tolerance_below
    departure = quantity.as_found - quantity.as_left
    sides = (quantity.tolerance_above, quantity.tolerance_below)
    sides = sides if departure >= 0 else sides[::-1]
    tolerance = next((side for side in sides if side and math.isfinite(side)), None)
    if tolerance is None:
        return None, 0.0
    used = quantity.tolerance_used_pct
    centre = 100 * departure / tolerance if used is None or not math.isfinite(used) else used
    return centre, 100 * (quantity.uncertainty or 0.0) / tolerance


def _scale(half: int, ink: Ink) -> str:
    cells = [" "] * (6 * half + 1)
    minus = "−" if ink.unicode else "-"
    middle = "as left" if half > 3 else "left"
    for text, at in ((f"{minus}100", half), (middle, 3 * half), ("+100 %", 5 * half)):
        start = at - len(text) // 2
        cells[start : start + len(text)] = text
    return " " * (_LABEL_WIDTH + 2) + ink.quiet("".join(cells).rstrip())


def _line(quantity: QuantityResult, half: int, ink: Ink) -> str:
    glyphs, middle, last = ink.glyphs, 3 * half, 6 * half
    # A side that is not judged has no band.
    first_band = half if _judged(quantity.tolerance_below) else middle
    last_band = 5 * half if _judged(quantity.tolerance_above) else middle
    cells = [glyphs.band if first_band <= at <= last_band else " " for at in range(last + 1)]
    cells[middle] = glyphs.as_left
    centre, whisker = position_pct(quantity)
    label = f"{LABELS.get(quantity.id, quantity.id):<{_LABEL_WIDTH}}"
    if centre is None:
        start = middle - len(glyphs.not_observed) // 2
        cells[start : start + len(glyphs.not_observed)] = glyphs.not_observed
        return f"  {label}{''.join(cells)}".rstrip()
    figure = ink.spell(f"{format_used(centre):>{_FIGURE_WIDTH - 1}}")

    def cell(percent: float) -> int:
        return middle + round(percent / 50 * half)

    mark = {Verdict.OUT: glyphs.out, Verdict.UNDECIDED: glyphs.undecided}.get(quantity.verdict, glyphs.inside)
    at = cell(centre)
    left, right = cell(centre - whisker), cell(centre + whisker)
    for position in range(max(left, 0), min(right, last) + 1):
        cells[position] = glyphs.whisker
    if 0 <= left < min(at, last):
        cells[left] = glyphs.whisker_left
    if max(at, 0) < right <= last:
        cells[right] = glyphs.whisker_right
    if left < middle < right and at != middle:
        cells[middle] = "┼" if ink.unicode else "+"
    if abs(centre) > SCALE_PCT:
        at, mark = (0, glyphs.arrow_left) if centre < 0 else (last, glyphs.arrow_right)
    cells[at] = mark
    return f"  {label}{_paint(cells, at, quantity.verdict, ink)} {_tint(figure, quantity.verdict, ink)}".rstrip()


def _judged(side: float | None) -> bool:
    return side is not None and math.isfinite(side)


def _paint(cells: list[str], at: int, verdict: Verdict, ink: Ink) -> str:
    return "".join(cells[:at]) + _tint(cells[at], verdict, ink) + "".join(cells[at + 1 :])


def _tint(text: str, verdict: Verdict, ink: Ink) -> str:
    if verdict is Verdict.OUT:
        return ink.abnormal(text)
    return ink.doubtful(text) if verdict is Verdict.UNDECIDED else text
