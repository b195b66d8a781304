"""The loops in time for a few lanes, lane by lane in plain numbers.

A call of numpy for each step costs as much for one lane as for fifty. The operations and their order are those of
`engine` and `lanes`, so results are the same to the last bit. All arrays of inputs and results are (steps, lanes).
"""

from __future__ import annotations

import itertools

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

#: Up to so many lanes this is quicker; measured with ten minutes of production.
FEW = 5


def ramp(last: FloatArray, demand: FloatArray, on: FloatArray | None, up: FloatArray, down: FloatArray) -> FloatArray:
    """`demand` limited to changes between `down` (below 0) and `up` a step from `last` (lanes,); 0 where not `on`."""
    out = np.empty_like(demand)
    for lane in range(demand.shape[1]):
        value, most, least = float(last[lane]), float(up[lane]), float(down[lane])
        factors = itertools.repeat(1.0) if on is None else on[:, lane].tolist()
        values = []
        for wanted, factor in zip(demand[:, lane].tolist(), factors, strict=False):
            change = wanted - value
            if change > most:
                change = most
            elif change < least:
                change = least
            value = (value + change) * factor
            values.append(value)
        out[:, lane] = values
    return out


def play(last: FloatArray, low: FloatArray, high: FloatArray) -> FloatArray:
    """A spool that stays where it is, from `last` (lanes,), until one of the bounds `low` and `high` moves it."""
    out = np.empty_like(low)
    for lane in range(low.shape[1]):
        value, values = float(last[lane]), []
        for floor, ceiling in zip(low[:, lane].tolist(), high[:, lane].tolist(), strict=True):
            if value < floor:
                value = floor
            if value > ceiling:
                value = ceiling
            values.append(value)
        out[:, lane] = values
    return out


def follow(last: FloatArray, aim: FloatArray, take: FloatArray, rise: FloatArray, fall: FloatArray) -> FloatArray:
    """Go the share `take` of the way to `aim` each step, at most `rise` up and `fall` (below 0) down."""
    out = np.empty_like(aim)
    for lane in range(aim.shape[1]):
        value, share = float(last[lane]), float(take[lane])
        most, least, values = float(rise[lane]), float(fall[lane]), []
        for wanted in aim[:, lane].tolist():
            change = (wanted - value) * share
            if change > most:
                change = most
            if change < least:
                change = least
            value += change
            values.append(value)
        out[:, lane] = values
    return out


def lag(last: FloatArray, drive: FloatArray, keep: FloatArray, outputs: FloatArray) -> None:
    """Fill `outputs` with y' = keep y + drive, from `last` (lanes,)."""
    for lane in range(drive.shape[1]):
        value, kept, values = float(last[lane]), float(keep[lane]), []
        for push in drive[:, lane].tolist():
            value = value * kept + push
            values.append(value)
        outputs[:, lane] = values
