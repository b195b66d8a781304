"""The history of each quantity over three weeks, against as left and tolerance."""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

import numpy as np
import numpy.typing as npt
from asleft.sheet.model import QUANTITY_UNITS
from asleft.sheet.names import LABELS
from asleft.web import units
from asleft.web.source import Source
from asleft.web.views.valves import Json, findings_of, tolerance_sides
from asleft.web.when import parse_iso_ns
from asleft.web.words import KIND_QUANTITIES, plural

FloatArray = npt.NDArray[np.float64]
Int64Array = npt.NDArray[np.int64]

SPAN_NS = 21 * 86_400 * 10**9
MOST_POINTS = 400


@dataclass(frozen=True)
class HistoryView:
    """One small picture. `low` and `high` are the ends of tolerance, None where a side is not judged."""

    quantity: str
    label: str
    verdict: str
    from_ns: int
    to_ns: int
    time_ns: Int64Array
    values: FloatArray
    spread: FloatArray  # standard uncertainty of each point
    as_left: float | None
    low: float | None
    high: float | None
    onset_ns: int | None
    words: str


def history_views(source: Source, valve: str) -> list[HistoryView]:
    """One per quantity of the sheet that has a history, in the order every screen uses."""
    now = source.now_ns()
    judgement = source.records.judgement(valve)
    by_id = {str(q["id"]): q for q in (judgement or {}).get("quantities", ())}
    views = []
    for quantity in QUANTITY_UNITS:
        found = by_id.get(quantity)
        points = source.records.points(valve, quantity, now - SPAN_NS, now + 1)
        if found is None or not points:
            continue
        step = max(1, len(points) // MOST_POINTS)
        points = points[::-step][::-1]
        left = cast("float | None", found.get("as_left"))
        below, above = tolerance_sides(found)
        values = np.array([p.value for p in points])
        onset = _onset(judgement, quantity)
        views.append(
            HistoryView(
                quantity=quantity,
                label=LABELS[quantity],
                verdict=str(found.get("verdict", "")),
                from_ns=now - SPAN_NS,
                to_ns=now,
                time_ns=np.array([round(p.at_s * 1e9) for p in points], dtype=np.int64),
                values=values,
                spread=np.array([p.standard_uncertainty for p in points]),
                as_left=left,
                low=left - below if left is not None and below is not None else None,
                high=left + above if left is not None and above is not None else None,
                onset_ns=onset,
                words=_words(source, quantity, values, left, onset, now),
            )
        )
    return views


def _onset(judgement: Json | None, quantity: str) -> int | None:
    for finding in findings_of(judgement):
        if quantity in KIND_QUANTITIES.get(str(finding["kind"]), ()):
            return parse_iso_ns(cast("str | None", finding.get("onset")))
    return None


def _words(
    source: Source, quantity: str, values: FloatArray, left: float | None, onset_ns: int | None, now_ns: int
) -> str:
    count, shown = values.size, units.current().quantity
    text = (
        f"{LABELS[quantity]}, three weeks, {count} {plural(count, 'point')}: from "
        f"{shown(quantity, float(values.min()))} to {shown(quantity, float(values.max()))}, "
        f"last {shown(quantity, float(values[-1]))}"
    )
    if left is not None:
        text += f", left at {shown(quantity, left)}"
    if onset_ns is not None:
        text += f"; departed {source.time.moment(onset_ns, now_ns)}"
    return text + "."
