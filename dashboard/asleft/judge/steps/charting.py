"""Which points reach the charts, and under which limits.

Pressure follows the oil's temperature, and a cold start must not alarm anybody each morning: a point of a pressure
is charted only within 4 K of the oil temperature at which the pressures were left (measured); where that is not
recorded, only after two hours of production since a stop of over an hour. What is not charted is still a point of
history on record. What this misses: pressure that drifts only while the oil is cold, and a stop of which there is no
record.
"""

from __future__ import annotations

from collections.abc import Sequence

from asleft.judge.decide import Estimate
from asleft.judge.drift.budget import Limits, limits_for
from asleft.judge.drift.charts import Chart
from asleft.judge.drift.oil_thermal_state import oil_of
from asleft.judge.features import Dwell
from asleft.judge.packing import kept_mean, kept_spread
from asleft.judge.state import JudgeState
from asleft.sheet.model import Sheet

#: A dead zone of a quarter of the tolerance: a change within it is in control by decision.
DEAD_ZONE = 0.25


def take_in(
    sheet: Sheet, state: JudgeState, name: str, found: Estimate, at_s: float, dwells: Sequence[Dwell]
) -> None:
    """One point of one quantity: into its chart, and towards the measured as-left if that is still to come."""
    oil_state, pressure = state.oil_state, name.startswith("pressure")
    if pressure and not oil_state.fit_for_pressure(oil_of(dwells), dwells[-1].clock_s):
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
            oil_state.settle(points)


def close_hours(state: JudgeState) -> None:
    """At a gap in the record: chart the hours under way as they are; nobody knows whether the machine went on."""
    for chart in state.charts.values():
        chart.close_hour()
    state.oil_state.last_s = None


def limits_of(state: JudgeState) -> Limits:
    """Limits for the quantities that are charted on this valve by now."""
    return limits_for(state.budget_years, sum(chart.left is not None for chart in state.charts.values()))
