"""The plot of pressure against current in words and numbers."""

from __future__ import annotations

from asleft.web import units
from asleft.web.markup import Child, Markup, details, el, join, table
from asleft.web.views.curve import CurveView


def curve_words(view: CurveView | None) -> Markup:
    """The curve in words and as a table."""
    if view is None or view.empty:
        return el("p", "Not shown: it needs a current and a pressure reading of this valve.")
    found = view.rising_a.size + view.falling_a.size
    words = f"{view.seen} {view.basis} {view.rising_a.size} dots rising, {view.falling_a.size} falling."
    shown = units.current()
    rows: list[list[Child]] = []
    for branch, at_a, at_bar in (
        ("rising", view.rising_a, view.rising_bar),
        ("falling", view.falling_a, view.falling_bar),
    ):
        step = max(1, at_a.size // 20)
        rows += [[branch, f"{a:.3f}", shown.figure(b)] for a, b in zip(at_a[::step], at_bar[::step], strict=True)]
    rows += [
        [f"as left, {branch}", f"{a:.3f}", shown.figure(b)]
        for branch, bars in (("rising", view.left_rising_bar), ("falling", view.left_falling_bar))
        for a, b in zip(view.left_a, bars, strict=True)
    ]
    numeric = frozenset({1, 2})
    return join(
        el(
            "p", f"{view.seen} {view.basis} Below the curve the load makes the pressure, not the valve.", class_="key"
        ),
        details(
            "The same in words and numbers",
            el("p", words),
            table(
                "Pressure against current", ["branch", "current, A", f"pressure, {shown.unit}"], rows, numeric=numeric
            )
            if found or rows
            else None,
            key="curve-words",
        ),
    )
