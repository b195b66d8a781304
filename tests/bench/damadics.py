"""Measures of fault detection and isolation as the DAMADICS actuator benchmark defines them.

Bartys, Patton, Syfert, de las Heras, Quevedo: Introduction to the DAMADICS actuator FDI benchmark study, Control
Engineering Practice 14 (2006) 577-596 (the definitions from memory). A signal is 0 or 1 over stretches of time; the
fault begins at `start` and is watched until the end.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of watched time over which a signal stands: from, to (s), value."""

    from_s: float
    to_s: float
    on: bool


def detection_time(signal: Sequence[Stretch], start_s: float) -> float | None:
    """From the fault's start to the last leading edge of the signal; None if it is not on at the end.

    A signal that was on before the fault and never went off has no leading edge after it: 0.
    """
    if not signal or not signal[-1].on:
        return None
    edge = signal[0].from_s
    for before, after in itertools.pairwise(signal):
        if after.on and not before.on:
            edge = after.from_s
    return max(0.0, edge - start_s)


def true_rate(signal: Sequence[Stretch], start_s: float) -> float:
    """Share of the time after the fault's start over which the signal is on."""
    return _share(signal, start_s, float("inf"))


def false_rate(signal: Sequence[Stretch], start_s: float) -> float:
    """Share of the time before the fault's start over which the signal is on."""
    return _share(signal, -float("inf"), start_s)


def _share(signal: Sequence[Stretch], from_s: float, to_s: float) -> float:
    whole = on = 0.0
    for stretch in signal:
        length = max(0.0, min(stretch.to_s, to_s) - max(stretch.from_s, from_s))
        whole += length
        on += length if stretch.on else 0.0
    return on / whole if whole > 0.0 else 0.0
