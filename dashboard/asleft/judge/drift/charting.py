"""Which points reach the charts, and under which limits.

Pressure follows the oil's temperature, and a cold start must not alarm anybody each morning: a point of a pressure
is charted only within 4 K of the oil temperature at which the pressures were left (measured); where that is not
recorded, only after two hours of production since a stop of over an hour. What is not charted is still a point of
history on record. What this misses: pressure that drifts only while the oil is cold, and a stop of which there is no
record.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from asleft.judge.decide import Estimate
from asleft.judge.drift.budget import Limits, limits_for
from asleft.judge.drift.charts import Chart
from asleft.judge.packing import kept_mean, kept_spread
from asleft.judge.segments.features import Dwell
from asleft.sheet.model import Sheet

if TYPE_CHECKING:
    from asleft.judge.state import JudgeState

#: A dead zone of a quarter of the tolerance: a change within it is in control by decision.
DEAD_ZONE = 0.25
_OIL_BAND_K = 4.0
_STOP_S = 3600.0
_WARM_UP_S = 7200.0
_MOST_OILS = 40


@dataclass(slots=True)
class Warmth:
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


def take_in(
    sheet: Sheet, state: JudgeState, name: str, found: Estimate, at_s: float, dwells: Sequence[Dwell]
) -> None:
    """One point of one quantity: into its chart, and towards the measured as-left if that is still to come."""
    warmth, pressure = state.warmth, name.startswith("pressure")
    if pressure and not warmth.fit_for_pressure(oil_of(dwells), dwells[-1].clock_s):
        return
    tolerance = sheet.tolerance[name]
    d0 = DEAD_ZONE * min(tolerance.below, tolerance.above)
    chart = state.charts.setdefault(name, Chart())
    value, u = kept_mean(found.value), kept_spread(found.repeatability)
    chart.add(at_s, value, u, d0, limits_of(state))
    if found.expanded_change() <= max(2.0 * d0, 1e-12):
        points, settled = len(chart.first) + 1, chart.left is not None
        chart.settle(value, u, d0)
        # Pressure at zero hardly follows the oil and may settle while it is cold: the other one sets the oil.
        decides = name == "pressure_at_full" or (pressure and "pressure_at_full" not in sheet.as_left)
        if decides and chart.left is not None and not settled:
            warmth.settle(points)


def close_hours(state: JudgeState) -> None:
    """At a gap in the record: chart the hours under way as they are; nobody knows whether the machine went on."""
    for chart in state.charts.values():
        chart.close_hour()
    state.warmth.last_s = None


def limits_of(state: JudgeState) -> Limits:
    """Limits for the quantities that are charted on this valve by now."""
    return limits_for(state.budget_years, sum(chart.left is not None for chart in state.charts.values()))
