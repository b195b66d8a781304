"""The plot of recent ramps in words and numbers."""

from __future__ import annotations

from asleft.sheet.names import LABELS, format_quantity
from asleft.web.fragments.csv_link import csv_of_stretch
from asleft.web.markup import Child, Markup, details, el, join, table
from asleft.web.views.ramps import RampsView
from asleft.web.when import PlantTime

#: Given round the strokes in the file, so that what led to them is in it.
ROUND_NS = 5 * 10**9
#: Readings of at most so long are given in one file.
MOST_NS = 3600 * 10**9


def ramps_words(view: RampsView, valve: str, time: PlantTime) -> Markup:
    """What was seen, the key, and the fold."""
    if not view.strokes:
        return el("p", view.seen, class_="key")
    said = []
    for quantity in ("ramp_up", "ramp_down"):
        times = [s for s in (stroke.between_s() for stroke in view.of(quantity)) if s is not None]
        left = view.left_s.get(quantity)
        words = f"{LABELS[quantity]}: {len(view.of(quantity))} strokes"
        if times:
            words += f", {min(times):.2f} to {max(times):.2f} s from 10 to 90 % of the way"
        if left is not None:
            words += f"; left at {format_quantity(quantity, left)}, of which {0.8 * left:.2f} s"
        said.append(words)
    rows: list[list[Child]] = [
        [
            time.full(stroke.at_ns),
            LABELS["ramp_up" if stroke.up else "ramp_down"],
            f"{stroke.from_pct:.1f}",
            f"{stroke.to_pct:.1f}",
            "–" if (seconds := stroke.between_s()) is None else f"{seconds:.3f}",
        ]
        for stroke in view.strokes
    ]
    head = ["command moved at", "which", "from, %", "to, %", "10 to 90 % of the way, scaled to the full span, s"]
    ends = [stroke.at_ns for stroke in view.strokes]
    from_ns, to_ns = max(min(ends) - ROUND_NS, max(ends) - MOST_NS // 2), max(ends) + 2 * ROUND_NS
    return join(
        el(
            "p",
            f"{view.seen} Lines: as found. Dashed, in its tolerance: as left. Driver and coil add a short lag at the "
            "foot and at the top.",
            class_="key",
        ),
        details(
            "The same in words and numbers",
            el("p", f"{view.seen} {'; '.join(said)}."),
            table("Recent ramps", head, rows, numeric=frozenset({2, 3, 4})),
            el(
                "p",
                "The readings they are from: ",
                el(
                    "a",
                    "CSV",
                    href=csv_of_stretch(valve, "window", from_ns, to_ns) + "&kind=readings",
                    data_load=True,
                    class_="csv",
                    aria_label="CSV, readings of these ramps",
                ),
            ),
            key="ramps-words",
        ),
    )
