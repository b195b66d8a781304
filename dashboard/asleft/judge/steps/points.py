"""Points of history: every ten minutes of production the estimates become one point per quantity.

The first five adequate points after a revision give *as left (measured)*; the first one tells at which levels the
valve controls the pressure. Neither is learnt again. A point also closes at a gap of over an hour, if four
minutes of production are in it, so that history recorded in windows gives one point per window.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from asleft.judge.coil_state import look, remember_day
from asleft.judge.decide import Estimate
from asleft.judge.dither import DitherBurst
from asleft.judge.drift import Chart, Limits, limits_for, oil_of
from asleft.judge.estimates.as_found import Seen
from asleft.judge.estimates.estimate import estimate
from asleft.judge.features import Dwell, Stroke
from asleft.judge.finding.held import CHART
from asleft.judge.held import Held, HeldLevel, learn_held, still_pairs
from asleft.judge.packing import kept_mean, kept_spread
from asleft.judge.state import JudgeState
from asleft.judge.types import ChartPoint
from asleft.judge.valve.characteristic_report import left_rows
from asleft.judge.valve.living import living
from asleft.judge.valve.pressure import ACCEPT_LEFT, ACCEPT_LOG, learn_control, steady
from asleft.sheet.model import MadeBy, Sheet

# Which points reach the charts, and under which limits.
#
# Pressure follows the oil's temperature, and a cold start must not alarm anybody each morning: a point of a pressure
# is charted only within 4 K of the oil temperature at which the pressures were left (measured); where that is not
# recorded, only after two hours of production since a stop of over an hour. What is not charted is still a point of
# history on record. What this misses: pressure that drifts only while the oil is cold, and a stop of which there is
# no record.

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


_LEAST_HELD_PAIRS = 30


def learn_levels(sheet: Sheet, known: list[HeldLevel], dwells: Sequence[Dwell]) -> list[HeldLevel]:
    """Levels as left: the known ones, else those of these dwells, if enough; none without an outer loop."""
    tolerance = sheet.tolerance.get("pressure_at_full")
    if known or tolerance is None or sheet.signal.made_by is not MadeBy.CLOSED_LOOP:
        return known
    pairs = still_pairs(dwells, sheet)
    return learn_held(pairs, sheet, tolerance.below) if len(pairs) >= _LEAST_HELD_PAIRS else []


def chart_held(sheet: Sheet, state: JudgeState, held: Held | None, at_s: float, dwells: Sequence[Dwell]) -> None:
    """Take a point of the equivalent change of pressure into its chart, judged by the tolerance of full pressure."""
    tolerance = sheet.tolerance.get("pressure_at_full")
    if held is not None and tolerance is not None:
        judged_by = replace(sheet, tolerance={**sheet.tolerance, CHART: tolerance})
        take_in(judged_by, state, CHART, held.change, at_s, dwells)


POINT_S = 600.0
_SHORT_POINT_S = 240.0


def close_points(sheet: Sheet, state: JudgeState, *, at_gap: bool) -> list[ChartPoint]:
    """Close every point that is complete; at a gap also a short one."""
    out: list[ChartPoint] = []
    while state.dwells:
        until = state.point_from_s + POINT_S
        if state.dwells[-1].clock_s >= until:
            out += _close(sheet, state, until)
        elif at_gap and state.dwells[-1].clock_s - state.point_from_s >= _SHORT_POINT_S:
            out += _close(sheet, state, math.inf)
        else:
            if at_gap:
                state.point_from_s = state.clock_s
            break
    if at_gap:
        close_hours(state)
    return out


def _close(sheet: Sheet, state: JudgeState, until: float) -> list[ChartPoint]:
    dwells = [d for d in state.dwells if state.point_from_s <= d.clock_s < until]
    strokes = [s for s in state.strokes if state.point_from_s <= s.clock_s < until]
    state.point_from_s = until if math.isfinite(until) else state.clock_s
    if not dwells:
        return []
    state.oil_state.see(dwells)
    first, last = dwells[0].from_s, dwells[-1].to_s
    bursts = [b for b in state.bursts if first - 60.0 <= b.at_s <= last]
    if state.control is None and "pressure" in state.channels:
        settled = steady(living(dwells, strokes, state.stretches).dwells, sheet)
        tolerance = max(
            (sheet.tolerance[n].below for n in ("pressure_at_zero", "pressure_at_full") if n in sheet.tolerance),
            default=0.0,
        )
        if len(settled) >= 6:
            accept = ACCEPT_LEFT if state.horizon_s is not None else ACCEPT_LOG
            state.control = learn_control(settled, sheet, tolerance, accept=accept)
            state.control_until_s = last
    state.held_left = learn_levels(sheet, state.held_left, dwells)
    seen = seen_of(state, dwells, strokes, bursts)
    cold = seen.cold
    if cold is not None and not first <= cold.from_s <= last:
        seen = replace(seen, cold=None)  # each cold start makes one point, not one every ten minutes
    found = estimate(sheet, seen)
    state.reaction, state.misfit = state.reaction.seen(found.combined), state.misfit.seen(strokes)
    state.curve_left = state.curve_left or left_rows(found.characteristic)
    coil, _ = look(sheet, seen, found, cold)
    hot = coil.winding.degc if coil.winding is not None else None
    state.coil_days = remember_day(state.coil_days, last, hot, coil.lowest_v)
    out = []
    for name, value in found.quantities.items():
        if not isinstance(value, Estimate) or name not in sheet.as_left:
            continue
        take_in(sheet, state, name, value, last, dwells)
        out.append(ChartPoint(name, last, value.value, value.repeatability))
    chart_held(sheet, state, found.held, last, dwells)
    return out


def seen_of(state: JudgeState, dwells: list[Dwell], strokes: list[Stroke], bursts: list[DitherBurst]) -> Seen:
    """The basis of estimates from some features of a state."""
    scale, alive = state.scale, living(dwells, strokes, state.stretches)
    dwells, strokes = alive.dwells, alive.strokes
    interval_s = scale.interval_s if scale is not None else 0.01
    return Seen(
        dwells=dwells,
        strokes=strokes,
        bursts=bursts,
        has_current=scale.has_current if scale is not None else "current" in state.channels,
        has_pressure="pressure" in state.channels,
        has_supply="supply" in state.channels,
        resolution_a=state.learner.resolution_a,
        demand_noise=scale.demand_noise if scale is not None else 1e-3,
        interval_s=interval_s,
        control=state.control,
        control_until_s=state.control_until_s,
        held_left=state.held_left,
        wire=replace(state.learner.wire_noise(interval_s), density=state.learner.noise_density(interval_s)),
        demand_step=state.learner.demand_step,
        current_noise_a=state.learner.noise_a,
        resolution_bar=state.intake.step_of("pressure"),
        cold=state.soak.cold_at(dwells[-1].to_s) if dwells else None,
        dead=alive.dead,
        end_a=alive.end_a,
        no_tone=state.learner.hears_no_tone(),
        oil_may_be_cold=state.oil_state.cold_as_far_as_known(dwells),
    )
