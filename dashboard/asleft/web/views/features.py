"""What was judged of production, for stretches of hours and more: currents and pressures at zero and full command."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from asleft.web.source import Source
from asleft.web.views.onsets import cut_stretches
from asleft.web.views.revisions import InForce
from asleft.web.views.thin import thin

FloatArray = npt.NDArray[np.float64]
Int64Array = npt.NDArray[np.int64]

#: Quantities that stand in a row of the plot over time, with the row's channel.
ROW_OF: Mapping[str, str] = {
    "current_at_zero": "current",
    "current_at_full": "current",
    "pressure_at_zero": "pressure",
    "pressure_at_full": "pressure",
}
#: Bins across a picture; each keeps its smallest and its largest point.
BINS = 300


@dataclass(eq=False, frozen=True, slots=True)
class Feature:
    """The history of one quantity in the stretch: points, and what it was left at as a line of steps."""

    time_ns: Int64Array
    values: FloatArray
    left_ns: Int64Array
    left: FloatArray


def features_in(source: Source, valve: str, pieces: Sequence[InForce]) -> dict[str, Feature]:
    """By quantity, those that have points in the stretch of `pieces`."""
    from_ns, to_ns = pieces[0].from_ns, pieces[-1].to_ns
    found = {}
    for quantity in ROW_OF:
        points = source.records.points(valve, quantity, from_ns, to_ns)
        if points:
            times = np.array([round(p.at_s * 1e9) for p in points], dtype=np.int64)
            values = np.array([p.value for p in points])
            if quantity == "current_at_full":  # where it is cut no reading lies where these points do
                for cut_from, cut_to in cut_stretches(source, valve, from_ns, to_ns):
                    values[(times >= cut_from) & (times <= cut_to)] = np.nan
            thinned = thin(times, values, max(1, (to_ns - from_ns) // BINS), 0)
            if thinned[0].size:
                found[quantity] = Feature(*thinned, *_left(quantity, pieces))
    return found


def _left(quantity: str, pieces: Sequence[InForce]) -> tuple[Int64Array, FloatArray]:
    times: list[int] = []
    values: list[float] = []
    for piece in pieces:
        value = piece.sheet.as_left.get(quantity) if piece.sheet is not None else None
        times += [piece.from_ns, piece.to_ns]
        values += [float("nan") if value is None else value] * 2
    return np.array(times, dtype=np.int64), np.array(values)
