"""Tables of one valve: its settings as left and as found, their history, pressure against current."""

from __future__ import annotations

from collections.abc import Iterator
from typing import cast

from asleft.sheet.model import QUANTITY_UNITS, Sheet
from asleft.sheet.names import LABELS
from asleft.web import units
from asleft.web.csv_files import STATIC, Offer, TableFiles
from asleft.web.csv_text import Cell, Csv, both
from asleft.web.source import Source
from asleft.web.stretch import Stretch
from asleft.web.units import Pressures
from asleft.web.views.curve import curve_view
from asleft.web.views.valves import Json, judged_until_ns, tolerance_sides
from asleft.web.words import VERDICT_WORDS
from flask import Flask, Response

HISTORY_NS = 21 * 86_400 * 10**9
LONGEST_HISTORY_S = 3 * 366 * 86_400

_QUANTITIES = (
    *("quantity", "label", "unit", "as_left", "as_left_measured", "as_found", "expanded_uncertainty"),
    *("change_uncertainty", "tolerance_below", "tolerance_above", "tolerance_used_percent", "verdict", "reason"),
    *("known_at_least", "known_at_most", "trend_per_day", "sheet_revision", "judged_until_utc", "judged_until_plant"),
)


def quantities(source: Source, valve: str) -> Csv:
    """One row per setting, in the order every screen uses; before the first judgement what was entered."""
    judgement, sheet = source.records.judgement(valve), source.sheet(valve, source.now_ns())
    found = _judged(source, judgement) if judgement is not None else _entered(sheet)
    return Csv(f"{valve}-settings", _QUANTITIES, list(found))


def history(source: Source, valve: str, stretch: Stretch) -> Csv:
    """Every point of every quantity, oldest first: what the small pictures draw, none left out."""
    columns = ("quantity", "unit", "time_utc", "time_plant", "value", "standard_uncertainty", "as_left")
    judgement, bars = source.records.judgement(valve), units.current()  # rows are made when the visitor is gone
    left = {str(q["id"]): q.get("as_left") for q in (judgement or {}).get("quantities", ())}

    def rows() -> Iterator[list[Cell]]:
        for quantity in QUANTITY_UNITS:
            for point in source.records.points(valve, quantity, stretch.from_ns, stretch.to_ns):
                at = both(round(point.at_s * 1e9), source.time)
                yield [
                    *(quantity, _unit(bars, quantity), *at, _stated(bars, quantity, point.value)),
                    *(
                        _stated(bars, quantity, point.standard_uncertainty),
                        _stated(bars, quantity, left.get(quantity)),
                    ),
                ]

    return Csv(f"{valve}-history", columns, rows())


def curve(source: Source, valve: str) -> Csv:
    """The dots of production and the curve of commissioning, as the page shows them."""
    view, bars = curve_view(source, valve), units.current()
    rows: list[list[Cell]] = []
    if view is not None:
        branches = (
            ("found, rising", view.rising_a, view.rising_bar),
            ("found, falling", view.falling_a, view.falling_bar),
            ("as left, rising", view.left_a, view.left_rising_bar),
            ("as left, falling", view.left_a, view.left_falling_bar),
        )
        for name, at_a, at_bar in branches:
            rows += [[name, a, bars.pressure(b)] for a, b in zip(at_a.tolist(), at_bar.tolist(), strict=True)]
    return Csv(f"{valve}-curve", ("branch", "current_a", f"pressure_{bars.unit.lower()}"), rows)


def _judged(source: Source, judgement: Json) -> Iterator[list[Cell]]:
    by_id = {str(q["id"]): q for q in judgement.get("quantities", ())}
    bars, until = units.current(), both(judged_until_ns(judgement), source.time)
    for quantity in QUANTITY_UNITS:
        found = by_id.get(quantity)
        if found is None:
            continue
        below, above = tolerance_sides(found)
        bound, verdict = found.get("bound") or {}, str(found.get("verdict", "not-observed"))
        seen = verdict != "not-observed"

        def number(key: str, *, shown: bool = True, found: Json = found, quantity: str = quantity) -> Cell:
            return _stated(bars, quantity, cast("float | None", found.get(key))) if shown else None

        label = (
            LABELS[quantity] if quantity != "headroom" else "headroom (tolerance_below: the least that is to be left)"
        )
        yield [
            *(quantity, label, _unit(bars, quantity), number("as_left"), number("as_left_measured")),
            *(number("as_found", shown=seen), number("uncertainty", shown=seen)),
            *(
                number("change_uncertainty", shown=seen),
                _stated(bars, quantity, below),
                _stated(bars, quantity, above),
            ),
            found.get("tolerance_used") if seen else None,
            *(VERDICT_WORDS.get(verdict, verdict), str(found.get("reason") or "")),
            *(_stated(bars, quantity, bound.get("above")), _stated(bars, quantity, bound.get("below"))),
            *(number("trend_per_day"), judgement.get("sheet_revision"), *until),
        ]


def _entered(sheet: Sheet | None) -> Iterator[list[Cell]]:
    if sheet is None:
        return
    bars = units.current()
    for quantity in QUANTITY_UNITS:
        if quantity not in sheet.as_left:
            continue
        tolerance = sheet.tolerance.get(quantity)
        sides = (None, None) if tolerance is None else (tolerance.below, tolerance.above)
        yield [
            *(quantity, LABELS[quantity], _unit(bars, quantity), _stated(bars, quantity, sheet.as_left[quantity])),
            *(None, None, None, None, *(_stated(bars, quantity, side) for side in sides)),
            *(None, VERDICT_WORDS["not-observed"], "not judged yet", None, None, None, sheet.revision.number, "", ""),
        ]


def _unit(bars: Pressures, quantity: str) -> str:
    unit = QUANTITY_UNITS[quantity]
    return bars.unit if unit == "bar" else unit


def _stated(bars: Pressures, quantity: str, value: float | None) -> float | None:
    return None if value is None else bars.shown(quantity, float(value))


def register(server: Flask, source: Source) -> None:
    """Add the routes."""
    files = TableFiles(source)

    @server.get("/csv/<valve>/quantities")
    def _csv_quantities(valve: str) -> Response:
        return files.of_valve(valve, STATIC, lambda _: quantities(source, valve))

    @server.get("/csv/<valve>/history")
    def _csv_history(valve: str) -> Response:
        offer = Offer(("from", "to"), HISTORY_NS, LONGEST_HISTORY_S)
        return files.of_valve(valve, offer, lambda stretch: history(source, valve, stretch))

    @server.get("/csv/<valve>/curve")
    def _csv_curve(valve: str) -> Response:
        return files.of_valve(valve, STATIC, lambda _: curve(source, valve))
