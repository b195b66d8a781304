"""The sheet line by line: as left, as found, uncertainty, tolerance, tolerance used, verdict; reasons below."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from asleft.cli.ink import Ink
from asleft.judge.types import QuantityResult, Verdict
from asleft.sheet.model import QUANTITY_UNITS, Tolerance
from asleft.sheet.names import (
    LABELS,
    format_number,
    format_quantity,
    format_tolerance,
    format_uncertainty,
    format_used,
    plain,
    unit_symbol,
)

_HEADS = ("setting", "", "as left", "as found", "±", "tolerance", "used", "verdict")
_LEFT_ALIGNED = frozenset({0, 1, 7})
#: Columns left out where the terminal is narrow, in this order: tolerance used, tolerance, uncertainty.
_LESS = (6, 5, 4)


def settings_table(quantities: Sequence[QuantityResult], ink: Ink) -> list[str]:
    """The table's lines, heads and a rule on top; empty without quantities."""
    if not quantities:
        return []
    rows = [[ink.spell(cell) for cell in _row(quantity)] for quantity in quantities]
    heads = [ink.spell(head) for head in _HEADS]
    widths = [max(len(row[i]) for row in [heads, *rows]) for i in range(len(heads))]
    shown, indent, gap = _fitting(widths, ink.width)

    def line(cells: Sequence[str]) -> str:
        return indent + gap.join(
            f"{cells[i]:<{widths[i]}}" if i in _LEFT_ALIGNED else f"{cells[i]:>{widths[i]}}" for i in shown
        )

    rule = ink.glyphs.rule * (len(line(heads)) - len(indent))
    out = [ink.quiet(line(heads).rstrip()), indent + ink.quiet(rule)]
    for quantity, row in zip(quantities, rows, strict=True):
        text = line(row).rstrip()
        if quantity.verdict is Verdict.OUT:
            text = ink.abnormal(text)
        elif quantity.verdict is Verdict.UNDECIDED:
            text = ink.doubtful(text)
        out.append(text)
    return out


def _fitting(widths: Sequence[int], most: int) -> tuple[list[int], str, str]:
    """The columns that fit, the indent and the gap between them; what the strip shows too goes first."""
    shown = list(range(len(widths)))
    narrower = [("", " ", _LESS[:count]) for count in range(1, len(_LESS) + 1)]
    for indent, gap, without in (("  ", "  ", ()), ("  ", " ", ()), *narrower):
        shown = [i for i in range(len(widths)) if i not in without]
        if len(indent) + sum(widths[i] for i in shown) + len(gap) * (len(shown) - 1) <= most:
            break
    return shown, indent, gap


def remarks_on(quantities: Sequence[QuantityResult], ink: Ink) -> list[str]:
    """What there is to say about single quantities: bounds, reasons, qualifications."""
    lines: list[str] = []
    for quantity in quantities:
        known, reason = bound(quantity), quantity.reason.rstrip(".")
        if known and known.rsplit(" ", 2)[0] in reason:
            known = ""  # the reason gives the bound in its own words
        said = "; ".join(part for part in (known, reason) if part)
        if said:
            text = f"{LABELS.get(quantity.id, quantity.id)}: {said}."
            lines += textwrap.wrap(
                ink.spell(text), ink.width, initial_indent="  ", subsequent_indent="    ", break_on_hyphens=False
            )
    return lines


def bound(quantity: QuantityResult) -> str:
    """What is known of a value that was not observed: "not slower than 0.80 s", "above 11.9 Ω"; empty if nothing."""
    ramp = quantity.id in ("ramp_up", "ramp_down")
    said = []
    if quantity.bound_below is not None:
        said.append(f"{'not slower than' if ramp else 'below'} {format_quantity(quantity.id, quantity.bound_below)}")
    if quantity.bound_above is not None:
        said.append(f"{'not faster than' if ramp else 'above'} {format_quantity(quantity.id, quantity.bound_above)}")
    return ", ".join(said)


def _row(quantity: QuantityResult) -> list[str]:
    return [
        LABELS.get(quantity.id, quantity.id),
        unit_symbol(QUANTITY_UNITS.get(quantity.id, quantity.unit)),
        format_number(quantity.id, quantity.as_left),
        format_number(quantity.id, quantity.as_found),
        format_uncertainty(quantity.uncertainty),
        _tolerance(quantity),
        format_used(quantity.tolerance_used_pct),
        plain(quantity.verdict.value),
    ]


def _tolerance(quantity: QuantityResult) -> str:
    below, above = quantity.tolerance_below, quantity.tolerance_above
    if below is None or above is None:
        return "–"
    if quantity.id == "headroom":
        return f"≥ {below:.3g}"
    return format_tolerance(Tolerance(below, above))
