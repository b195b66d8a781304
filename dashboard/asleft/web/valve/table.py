"""Tables of one valve: its settings as left and as found, their history, pressure against current, and readings."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from typing import cast

import numpy as np
import numpy.typing as npt
from asleft.sheet.model import QUANTITY_UNITS, Sheet
from asleft.sheet.names import LABELS
from asleft.store.protocols import StoredSamples
from asleft.web import units
from asleft.web.csv_files import DAY_NS, MINUTE_NS, STATIC, Offer, TableFiles
from asleft.web.csv_text import Cell, Csv, both, plant_all, utc_all
from asleft.web.frame import answered
from asleft.web.source import Source
from asleft.web.units import Pressures
from asleft.web.views.curve import curve_view
from asleft.web.views.history import sheets_in
from asleft.web.views.spans import stretches_for
from asleft.web.views.valves import Json, judged_until_ns, tolerance_sides
from asleft.web.views.window import SHOWN, StateBand, expected_in, lead_in_ns, state_bands
from asleft.web.when import BadStretch, Stretch
from asleft.web.words import VERDICT_WORDS
from flask import Flask, request

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

    def table(what: str, offer: Offer, make: Callable[[str, Stretch], Csv]) -> None:
        answered(server, f"/csv/<valve>/{what}", lambda valve: files.of_valve(valve, offer, partial(make, valve)))

    table("quantities", STATIC, lambda valve, _: quantities(source, valve))
    table("history", Offer(("from", "to"), HISTORY_NS, LONGEST_HISTORY_S), partial(history, source))
    table("curve", STATIC, lambda valve, _: curve(source, valve))
    table("states", Offer(("from", "to"), DAY_NS, MOST_OVERVIEW_S), partial(states, source))
    read = Offer(("from", "to", "kind"), MINUTE_NS)
    table("window", read, lambda valve, stretch: window(source, valve, stretch, request.args.get("kind", "")))


# The readings of a stretch of time as a table: raw, every one, for minutes; smallest, mean and largest for longer.
#
# What the plot over time draws. Rows are made as they are asked for: an hour of readings never stands in memory.

FloatArray = npt.NDArray[np.float64]
Int64Array = npt.NDArray[np.int64]

RAW_BY_ITSELF_S = 600.0
MOST_RAW_S = 3600.0
MOST_OVERVIEW_S = 366 * 86_400.0
KINDS = ("readings", "overview")
_PIECE_NS = 120 * 10**9


def window(source: Source, valve: str, stretch: Stretch, kind: str = "") -> Csv:
    """The stretch as `kind`; empty: readings up to ten minutes, as the page shows them, else the overview.

    Raises `BadStretch` for a kind that is none, or a stretch that is too long for it.
    """
    kind = kind or ("readings" if stretch.seconds <= RAW_BY_ITSELF_S else "overview")
    if kind not in KINDS:
        raise BadStretch(f"kind = {kind[:40]!r}: wanted is readings or overview.")
    if kind == "readings" and stretch.seconds > MOST_RAW_S:
        raise BadStretch(
            f"from, to: {stretch.seconds / 3600:.1f} h of readings; at most {MOST_RAW_S / 3600:.0f} h are given at "
            "once. Ask for less, for kind=overview, or use “asleft export” for whole days."
        )
    if stretch.seconds > MOST_OVERVIEW_S:
        raise BadStretch(
            f"from, to: {stretch.seconds / 86_400:.0f} days; at most {MOST_OVERVIEW_S / 86_400:.0f} days are given."
        )
    return _readings(source, valve, stretch) if kind == "readings" else _overview(source, valve, stretch)


def _readings(source: Source, valve: str, stretch: Stretch) -> Csv:
    bands = state_bands(source, valve, stretch.from_ns, stretch.to_ns)
    bars = units.current()  # rows are made when the visitor is gone

    def rows() -> Iterator[tuple[Cell, ...]]:
        for from_ns in range(stretch.from_ns, stretch.to_ns, _PIECE_NS):
            to_ns = min(from_ns + _PIECE_NS, stretch.to_ns)
            pieces = sheets_in(source, valve, from_ns, to_ns)
            stored = source.samples.samples(valve, from_ns - lead_in_ns(pieces), to_ns)
            inside = stored.time_ns >= from_ns
            time_ns = stored.time_ns[inside]
            columns = [_channel(stored, name, inside) for name in SHOWN]
            expected = expected_in(pieces, stored)
            shown = _placed(expected.time_ns, expected.values, time_ns) if expected else np.full(time_ns.size, np.nan)
            yield from zip(
                *(utc_all(time_ns), plant_all(time_ns, source.time), columns[0].tolist(), columns[1].tolist()),
                *(shown.tolist(), map(bars.pressure, columns[2].tolist()), _states(time_ns, bands)),
                strict=True,
            )

    command = _command(source, valve, stretch)
    columns = (
        "time_utc",
        "time_plant",
        command,
        "current_a",
        "expected_current_a",
        f"pressure_{bars.unit.lower()}",
        "machine_state",
    )
    return Csv(f"{valve}-readings", columns, rows())


def _overview(source: Source, valve: str, stretch: Stretch) -> Csv:
    points = stretches_for(stretch.seconds)
    found = {n: source.samples.overview(valve, n, stretch.from_ns, stretch.to_ns, points) for n in SHOWN}
    starts = np.unique(np.concatenate([one.time_ns for one in found.values()]))
    trios: list[list[FloatArray]] = []
    for name in SHOWN:
        one = found[name]
        trios.append([_placed(one.time_ns, values, starts) for values in (one.minimum, one.mean, one.maximum)])
    bars = units.current()
    names = (_command(source, valve, stretch), "current_a", f"pressure_{bars.unit.lower()}")
    columns = ["from_utc", "from_plant", *(f"{name}_{what}" for name in names for what in ("min", "mean", "max"))]
    figures = [values.tolist() for trio in trios[:2] for values in trio]
    figures += [list(map(bars.pressure, values.tolist())) for values in trios[2]]
    rows = zip(utc_all(starts), plant_all(starts, source.time), *figures, strict=True)
    return Csv(f"{valve}-overview", tuple(columns), rows)


def states(source: Source, valve: str, stretch: Stretch) -> Csv:
    """What the machine was doing in the stretch, one row per state."""
    bands = state_bands(source, valve, stretch.from_ns, stretch.to_ns)
    rows: list[list[Cell]] = [
        [
            band.words,
            *both(band.from_ns, source.time),
            *both(band.to_ns, source.time),
            (band.to_ns - band.from_ns) / 1e9,
        ]
        for band in bands
    ]
    columns = ("machine_state", "from_utc", "from_plant", "to_utc", "to_plant", "duration_s")
    return Csv(f"{valve}-states", columns, rows)


def _command(source: Source, valve: str, stretch: Stretch) -> str:
    """The command's column: in the unit of the sheet's signal, else in that of the readings."""
    sheet = source.sheet(valve, min(stretch.to_ns, source.now_ns()))
    unit = sheet.signal.unit if sheet is not None else _recorded_unit(source, valve, stretch)
    return f"command_{unit.lower()}" if unit else "command"


def _recorded_unit(source: Source, valve: str, stretch: Stretch) -> str:
    recorded = source.samples.channels(valve, stretch.from_ns, stretch.to_ns)
    return next((unit for name, unit in recorded if name == "command"), "")


def _channel(stored: StoredSamples, name: str, inside: npt.NDArray[np.bool_]) -> FloatArray:
    values = stored.channels.get(name)
    return np.full(int(inside.sum()), np.nan) if values is None else values[inside]


def _placed(at_ns: Int64Array, values: FloatArray, wanted_ns: Int64Array) -> FloatArray:
    """Values where their times are among the wanted ones, NaN elsewhere, shape of `wanted_ns`; both sorted."""
    out = np.full(wanted_ns.size, np.nan)
    if at_ns.size == 0:
        return out
    index = np.minimum(np.searchsorted(at_ns, wanted_ns), at_ns.size - 1)
    there = at_ns[index] == wanted_ns
    out[there] = values[index[there]]
    return out


def _states(time_ns: Int64Array, bands: list[StateBand]) -> list[str]:
    if not bands:
        return [""] * time_ns.size
    starts = np.array([band.from_ns for band in bands])
    index = np.searchsorted(starts, time_ns, side="right") - 1
    return [
        bands[i].words if i >= 0 and at <= bands[i].to_ns else ""
        for i, at in zip(index.tolist(), time_ns.tolist(), strict=True)
    ]
