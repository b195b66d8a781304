"""Whether the oil is as warm as when the valve was left, from its temperature or from the time since a stop."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from asleft.judge.features import Dwell

_OIL_BAND_K = 4.0
_STOP_S = 3600.0
_WARM_UP_S = 7200.0
_MOST_OILS = 40


@dataclass(slots=True)
class OilThermalState:
    """What is remembered of starts: the last dwell, the producing clock at the last start, oil when left (degC).

    `oils_degc`: of the newest points. The median of those as left is taken from is the oil when left: the point that
    completes them may itself be of a cold start, and those before them of the warming up.
    """

    last_s: float | None = None
    started_clock_s: float | None = None
    oil_left_degc: float | None = None
    oils_degc: tuple[float, ...] = ()

    def see(self, dwells: Sequence[Dwell]) -> None:
        """Take the dwells of a further point: their oil, and the stops between them."""
        oil = oil_of(dwells)
        if math.isfinite(oil):
            self.oils_degc = (*self.oils_degc[-_MOST_OILS + 1 :], oil)
        for dwell in dwells:
            if self.last_s is not None and dwell.from_s - self.last_s > _STOP_S:
                self.started_clock_s = dwell.clock_s
            self.last_s = dwell.to_s

    def settle(self, points: int) -> None:
        """As left has been taken from so many newest points: their oil is the oil when left."""
        if self.oil_left_degc is None and self.oils_degc:
            self.oil_left_degc = float(np.median(self.oils_degc[-points:]))

    def fit_for_pressure(self, oil_degc: float, clock_s: float) -> bool:
        """Whether the oil is as it was when left, as far as can be told. `oil_degc` NaN: not recorded."""
        if math.isfinite(oil_degc):
            return self.oil_left_degc is None or abs(oil_degc - self.oil_left_degc) <= _OIL_BAND_K
        return self.started_clock_s is None or clock_s - self.started_clock_s >= _WARM_UP_S

    def cold_as_far_as_known(self, dwells: Sequence[Dwell]) -> bool:
        """Whether the oil may still be cold by the end of these dwells, without a reading of its temperature."""
        fresh = [d for d in dwells if self.last_s is None or d.to_s > self.last_s]
        if not dwells or math.isfinite(oil_of(dwells)):
            return False
        ahead = replace(self)
        ahead.see(fresh)
        return not ahead.fit_for_pressure(math.nan, dwells[-1].clock_s)


def oil_of(dwells: Sequence[Dwell]) -> float:
    """Mean oil temperature of dwells (degC), NaN if not recorded."""
    known = [d.oil_degc for d in dwells if math.isfinite(d.oil_degc)]
    return float(np.mean(known)) if known else math.nan
