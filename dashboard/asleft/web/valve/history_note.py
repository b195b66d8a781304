"""The control charts of a valve's quantities, side by side, each with its words and numbers."""

from __future__ import annotations

from collections.abc import Sequence

from asleft.sheet.names import LABELS, format_uncertainty
from asleft.web import units
from asleft.web.figures.history import history_svg
from asleft.web.hrefs import csv_of_stretch
from asleft.web.markup import Markup
from asleft.web.templates import macro
from asleft.web.views.history import HistoryView
from asleft.web.when import PlantTime

#: Rows of a table: the newest and whatever lies outside the tolerance; all are in the file.
MOST_ROWS = 40


def histories(views: Sequence[HistoryView], valve: str, time: PlantTime) -> Markup:
    """Small pictures side by side, under their heading."""
    if not views:
        return macro("valve/notes.html", "histories", [], "", "")
    from_ns, to_ns = views[0].from_ns, views[0].to_ns
    charts = [
        {
            "view": view,
            "named": f"{view.label}, {units.current().unit_of(view.quantity)}",
            "label": LABELS[view.quantity],
            "svg": history_svg(view, time),
            "rows": _rows(view, time),
        }
        for view in views
    ]
    days = f"{time.day(from_ns)} to {time.day(to_ns)}"
    return macro("valve/notes.html", "histories", charts, days, csv_of_stretch(valve, "history", from_ns, to_ns))


def _rows(view: HistoryView, time: PlantTime) -> list[list[str]]:
    shown, last = units.current(), view.values.size - MOST_ROWS
    rows: list[list[str]] = []
    points = zip(view.time_ns.tolist(), view.values.tolist(), view.spread.tolist(), view.beyond.tolist(), strict=True)
    for index, (at_ns, value, spread, beyond) in enumerate(points):
        if index >= last or (beyond and len(rows) < MOST_ROWS):
            spread_text = format_uncertainty(shown.shown(view.quantity, spread))
            rows.append(
                [time.full(at_ns), shown.number(view.quantity, value), spread_text, "outside" if beyond else "within"]
            )
    return rows
