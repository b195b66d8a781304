"""Points of history: every ten minutes of production the estimates become one point per quantity.

The first five adequate points after a revision give *as left (measured)*; the first one tells at which levels the
valve controls the pressure. Neither is learnt again. A point also closes at a gap of over an hour, if four
minutes of production are in it, so that history recorded in windows gives one point per window.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from asleft.judge.coil_state.days import remember_day
from asleft.judge.coil_state.now import look
from asleft.judge.decide import Estimate
from asleft.judge.dither.dither import DitherBurst
from asleft.judge.estimates import Seen, estimate
from asleft.judge.features import Dwell, Stroke
from asleft.judge.finding.held_findings import CHART
from asleft.judge.outer.held import Held
from asleft.judge.outer.held_levels import HeldLevel, learn_held, still_pairs
from asleft.judge.state import JudgeState
from asleft.judge.steps.charting import close_hours, take_in
from asleft.judge.types import ChartPoint
from asleft.judge.valve.characteristic_report import left_rows
from asleft.judge.valve.living import living
from asleft.judge.valve.pressure import ACCEPT_LEFT, ACCEPT_LOG, learn_control, steady
from asleft.sheet.model import MadeBy, Sheet

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
