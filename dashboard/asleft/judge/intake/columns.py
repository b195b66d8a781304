"""Samples as one matrix: a row per channel the judge uses, a column per sample time."""

from __future__ import annotations

import numpy as np
from asleft.judge.packing import pack, unpack
from asleft.judge.types import FloatArray, Samples
from asleft.sheet.model import Signal

#: Row numbers.
TIME, DEMAND, CURRENT, PRESSURE, SUPPLY, OIL, MODE, COIL_V, ENABLE, PUMP, STATE, ENABLED, CLOCK = range(13)
ROWS = 13

_CHANNEL_ROW = {
    "current": CURRENT,
    "pressure": PRESSURE,
    "supply": SUPPLY,
    "oil_temperature": OIL,
    "mode": MODE,
    "coil_voltage": COIL_V,
    "enable": ENABLE,
    "pump_running": PUMP,
}


#: Differences below this share of the readings are rounding; steps this alike (share) are one.
_ROUNDING, _SAME_STEP = 1e-9, 1e-3
#: A reading between two codes is back within so many samples.
_BACK_WITHIN = 15


def columns_of(samples: Samples, signal: Signal, before: FloatArray | None = None) -> FloatArray:
    """Matrix of shape (ROWS, n), NaN where a channel is absent or a reading failed. Demand: 1 = full command.

    `before`: earlier columns, shape (ROWS, m), to be put in front; the result is then (ROWS, m + n).
    """
    first = 0 if before is None else before.shape[1]
    out = np.empty((ROWS, first + samples.time_s.size))
    if before is not None:
        out[:, :first] = before
    new = out[:, first:]
    new[TIME] = samples.time_s
    command = samples.channels.get("command")
    new[DEMAND] = np.nan if command is None else (command - signal.at_zero) / (signal.at_full - signal.at_zero)
    for name, row in _CHANNEL_ROW.items():
        new[row] = samples.channels.get(name, np.nan)
    new[STATE:] = np.nan  # what the judge itself fills in
    return out


def resolution(values: FloatArray) -> float:
    """Smallest step between distinct readings of one quantity at rest (a converter's step); 0 if it shows none."""
    ordered = np.sort(values[np.isfinite(values)])
    if ordered.size == 0 or ordered[0] == ordered[-1]:
        return 0.0
    steps = ordered[1:] - ordered[:-1]
    steps = steps[steps > _ROUNDING * max(abs(float(ordered[-1])), abs(float(ordered[0])))]
    return float(steps.min(initial=np.inf))


def toggled_step(values: FloatArray, largest: float = np.inf) -> float:
    """Smallest step by which readings change and, within a few of them, change back; 0 if none does.

    A converter between two of its codes does that. A command from a register goes from level to level: its levels,
    however close, are no converter's steps. Nor is what is larger than `largest`.
    """
    change = np.diff(values[np.isfinite(values)])
    at = np.flatnonzero(np.abs(change) > _ROUNDING * np.abs(values[np.isfinite(values)]).max(initial=0.0))
    size = change[at]
    back = (np.abs(size[1:] + size[:-1]) < _SAME_STEP * np.abs(size[:-1])) & (np.diff(at) <= _BACK_WITHIN)
    steps = np.abs(size[:-1][back])
    return float(steps[steps <= largest].min(initial=np.inf)) if np.any(steps <= largest) else 0.0


def noise_of(values: FloatArray, largest_step: float = np.inf) -> float:
    """Standard deviation of one sample's noise from differences, robust to the moves of the signal; 0 if none shows.

    1.4826 MAD of first differences / sqrt 2 or of second differences / sqrt 6, whichever is less: steps leave either
    alone, slopes and bends the second. At least a converter's step / sqrt 12 where readings toggle by one (of at most
    `largest_step`), because such noise may hide between two codes.
    """
    finite = values[np.isfinite(values)]
    if finite.size < 3:
        return 0.0
    first = 1.4826 * float(np.median(np.abs(np.diff(finite)))) / np.sqrt(2.0)
    second = 1.4826 * float(np.median(np.abs(np.diff(finite, 2)))) / np.sqrt(6.0)
    return float(max(min(first, second), toggled_step(finite, largest_step) / np.sqrt(12.0)))


def pack_matrix(matrix: FloatArray) -> str:
    """Exact text of a (ROWS, n) matrix."""
    return pack(matrix)


def unpack_matrix(text: str) -> FloatArray:
    """Inverse of `pack_matrix`."""
    return unpack(text, ROWS)
