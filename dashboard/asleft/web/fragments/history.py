"""The control charts of a valve's quantities, side by side, each with its words and numbers."""

from __future__ import annotations

from collections.abc import Sequence

from asleft.sheet.names import LABELS, format_uncertainty
from asleft.web import units
from asleft.web.figures.history import history_svg
from asleft.web.fragments.csv_link import csv_link, csv_of_stretch
from asleft.web.markup import Child, Markup, details, el, join, table
from asleft.web.views.history import HistoryView
from asleft.web.when import PlantTime

#: Rows of a table: the newest and whatever lies outside the tolerance; all are in the file.
MOST_ROWS = 40


def histories(views: Sequence[HistoryView], valve: str, time: PlantTime) -> Markup:
    """Small pictures side by side, under their heading."""
    if not views:
        return join(
            el("h2", "History of each quantity"),
            el("p", "No history in this stretch: one point is added for each hour of production."),
        )
    from_ns, to_ns = views[0].from_ns, views[0].to_ns
    return join(
        el(
            "h2",
            "History ",
            el("small", f"of each quantity, {time.day(from_ns)} to {time.day(to_ns)}"),
            csv_link(csv_of_stretch(valve, "history", from_ns, to_ns), "history"),
        ),
        el("div", *(_chart(view, time) for view in views), class_="histories"),
        el("p", _KEY, class_="key"),
    )


_KEY = (
    "Line: as left. Band: tolerance. Fine dotted: within it the chart takes a change for none. Dot: one point of "
    "production, whisker: its uncertainty; diamond: outside the tolerance. Upright line: another revision of the "
    "sheet. Dashed: the trend, in the fan of its interval. Dotted with ▲: departed. Stretches of more than three "
    "weeks in the plot over time are shown here too."
)


def _chart(view: HistoryView, time: PlantTime) -> Markup:
    named = f"{view.label}, {units.current().unit_of(view.quantity)}"
    return el(
        "figure",
        el("figcaption", el("b", named), el("small", " out") if view.verdict == "out" else None),
        history_svg(view, time),
        el("p", view.outlook, class_="key") if view.outlook else None,
        details(
            "Numbers",
            el("p", f"{view.words} {view.outlook}".strip()),
            table(f"History of {LABELS[view.quantity]}", _HEAD, _rows(view, time), numeric=frozenset({1, 2})),
            key=f"history-{view.quantity}",
        ),
    )


_HEAD = ["time", "value", "standard uncertainty", "tolerance"]


def _rows(view: HistoryView, time: PlantTime) -> list[list[Child]]:
    shown, last = units.current(), view.values.size - MOST_ROWS
    rows: list[list[Child]] = []
    points = zip(view.time_ns.tolist(), view.values.tolist(), view.spread.tolist(), view.beyond.tolist(), strict=True)
    for index, (at_ns, value, spread, beyond) in enumerate(points):
        if index >= last or (beyond and len(rows) < MOST_ROWS):
            spread_text = format_uncertainty(shown.shown(view.quantity, spread))
            rows.append(
                [time.full(at_ns), shown.number(view.quantity, value), spread_text, "outside" if beyond else "within"]
            )
    return rows
