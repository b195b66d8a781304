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
    """Smallest step between distinct readings (a converter's step), 0 if there are fewer than two."""
    ordered = np.sort(values[np.isfinite(values)])
    if ordered.size == 0 or ordered[0] == ordered[-1]:
        return 0.0
    steps = ordered[1:] - ordered[:-1]
    steps = steps[steps > 1e-9 * max(abs(float(ordered[-1])), abs(float(ordered[0])))]
    return float(steps.min(initial=np.inf))


def noise_of(values: FloatArray) -> float:
    """Standard deviation of one sample's noise from first differences, robust to the moves of the signal.

    1.4826 MAD of the differences / sqrt 2; at least a converter step / sqrt 12, so that it is never zero.
    """
    finite = values[np.isfinite(values)]
    if finite.size < 3:
        return 0.0
    difference = np.abs(np.diff(finite))
    step = resolution(finite)
    floor = step / np.sqrt(12.0) if np.isfinite(step) else 0.0
    return float(max(1.4826 * np.median(difference) / np.sqrt(2.0), floor))


def pack_matrix(matrix: FloatArray) -> str:
    """Exact text of a (ROWS, n) matrix."""
    return pack(matrix)


def unpack_matrix(text: str) -> FloatArray:
    """Inverse of `pack_matrix`."""
    return unpack(text, ROWS)
