"""A fault in time, and what the log can show of it: the quantities it moves, and the parts it cannot be told from."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from strangers.actuals import flows_in_burst
from strangers.conditions import PRESSURES
from strangers.courses import severity
from strangers.driver import asked_current, available_current_a, set_current
from strangers.fault_row import HYDRAULIC, SENSOR, WINDING, Context, Row, only_ends
from strangers.machine import Machine
from strangers.paper import full_scale
from strangers.simulate import Effect, Trace, changed, grid
from strangers.truth import Actual, Fault, settings


def fault_in_time(
    m: Machine,
    name: str,
    row: Row,
    tolerance: dict[str, tuple[float, float]],
    size: float,
    course: str,
    rng: np.random.Generator,
) -> tuple[Effect, Fault]:
    """What the fault does in time, and the fault as far as it is known before the log is."""
    if not row.sized and course == "creeping":
        course = "step"  # what has no size cannot grow
    sign = float(rng.choice([-1.0, 1.0]))
    change = row.changes(Context(m, tolerance, size, sign, rng))
    over_time, onset = severity(grid(m), course, row.pattern, rng)
    kinds = row.kinds
    if not m.logger.current:
        kinds = frozenset(k for k in kinds if not k.startswith(("current", "coil"))) | row.kinds_no_current
    elif row.kinds == {"current-clipped"} and only_ends(m):
        kinds |= {"current-full-changed"}
    none: frozenset[str] = frozenset()
    size = size if row.sized else 0.0
    return Effect(over_time, change), Fault(name, size, course, onset, kinds, none, row.parts, none, none, False)


def _lasts(t: Trace, effect: Effect, rows: np.ndarray, seconds: float) -> bool:
    """Whether `rows` of the grid under the fault add up to so many seconds."""
    return bool((rows & (effect.severity > 0.0)).sum() * t.dt_s >= seconds)


def _shows_itself(m: Machine, row: Row, effect: Effect, t: Trace) -> bool:
    """Whether this log has the moments in which the fault does anything that its channels could show."""
    log, change, a = m.logger, effect.change, t.moving
    asked = asked_current(a, t.ramped)
    if "current-clipped" in row.kinds and row.needs == "current":
        top = np.asarray(available_current_a(a))
        cut = (asked - top > log.current_noise * m.span_a) & ~t.off
        return _lasts(t, effect, cut & (top < full_scale(m)[1]) if log.current else cut, 1.0)
    if "disturbance.current_open" in change and log.current:
        lost = t.running & (set_current(a, t.ramped) - t.current_a > 0.1 * m.span_a)
        return _lasts(t, effect, lost, 3.0 / log.rate_hz)
    if "disturbance.current_floor_a" in change:
        return _lasts(t, effect, a.disturbance.current_floor_a - asked > 0.05 * m.span_a, 1.0)
    if "disturbance.stuck" in change:
        away = np.abs(t.x - t.y) > m.valve.play_share + 0.05
        return _lasts(t, effect, away & t.in_control, 1.0)
    if "disturbance.late_pressure_s" in change:  # the sheet does not say how fast the pressure settled when left
        return change["disturbance.late_pressure_s"] > m.valve.settling_s + m.valve.neighbour_s
    if row.needs == "bursts":  # the burst is the log's last second
        return bool(m.driver.dither_pp_a) and flows_in_burst(t) and float(effect.severity[-1]) > 0.5
    return True


def _pressure_tells(m: Machine, moved: dict[str, float], actuals: dict[str, Actual]) -> bool:
    """Whether pressures on the sheet would show that the currents have truly moved so far."""
    ends = {"driver.i_zero_a": "current_at_zero", "driver.i_full_a": "current_at_full"}
    other = settings(m.set({path: m.get(path) + moved.get(q, 0.0) for path, q in ends.items()}))
    healthy = settings(m)
    for q in PRESSURES:
        bound = actuals[q].bound if q in actuals else None
        if bound is not None and (not moved.keys() & ends.values() or abs(other[q] - healthy[q]) > 4.0 * bound):
            return True
    return False


def fault_as_seen(
    m: Machine,
    fault: Fault,
    row: Row,
    effect: Effect,
    t: Trace,
    tolerance: dict[str, tuple[float, float]],
    actuals: dict[str, Actual],
) -> Fault:
    """The fault with the quantities it moves, whether this log can show it, and what the log cannot tell from it."""
    healthy, full = settings(m), settings(changed(m, (Effect(np.ones(1), effect.change),), 0))
    moved = {}
    for q in actuals:
        finite = [t for t in tolerance[q] if np.isfinite(t)]
        if abs(full[q] - healthy[q]) > 0.05 * min(finite):
            moved[q] = full[q] - healthy[q]
    log = m.logger
    hydraulic = log.pressure and m.valve.controls == "pressure" and bool(t.in_control.any())
    recorded = {
        "any": log.current or hydraulic,
        "current": log.current or hydraulic,
        "current reading": log.current,
        "pressure": hydraulic,
        "command": True,
        "supply": "supply" in log.extra,
        "bursts": log.bursts and log.current,
    }[row.needs]
    shown = any((b := actuals[q].bound) is not None and abs(change) > 4.0 * b for q, change in moved.items())
    by_current = row.needs == "current" and log.current  # a cut moves no setting: it is seen by its shape
    asks = (row.sized or "ramp-up-changed" in row.kinds) and not by_current
    visible = recorded and _shows_itself(m, row, effect, t) and (shown or not asks)

    # Only a pressure that the sheet states and the log shows can speak for or against the current's reading.
    informs = hydraulic and _pressure_tells(m, moved, actuals)
    tie = row.tie | (frozenset() if log.current else row.no_current) | (frozenset() if informs else row.no_pressure)
    open_question = set()  # parts that are no likely cause, but that nothing in this log speaks against
    # What the sheet does not say of an instrument, nobody can know from the log.
    at_driver = m.paper.instruments and log.command_where == "at the driver's terminals"
    in_lead = m.paper.instruments and log.current_where == "sensor in the coil lead"
    if row.moves_current and not at_driver:
        tie |= {"command-wiring", "controller"}
    if row.kinds & {"current-clipped", "current-lost"} and not at_driver:
        open_question |= {"command-wiring", "controller"}  # too much burden or a broken wire behind the reading
    if row.parts == {"current-sensor"} and not in_lead:
        tie |= {"driver"}
    if row.needs == "current reading" and not informs and not at_driver:
        open_question |= {"command-wiring", "controller"}
    if row.needs == "pressure" and not in_lead:
        open_question |= {"driver", "coil-wiring", *SENSOR}  # a wrong measure of current keeps its own output right
    falls = moved.get("current_at_full", 0.0) < 0.0
    if (
        row.moves_current
        and falls
        and only_ends(m)
        and ("ramp_up" not in actuals or actuals["ramp_up"].bound is None)
    ):
        open_question |= WINDING  # a cut looks the same
    if "hysteresis-changed" in row.kinds and "hysteresis" in moved and actuals["hysteresis"].bound is None:
        tie |= HYDRAULIC  # both pressures move, and nothing shows that it is the loop
    if "supply" in log.extra:
        tie -= {"supply"}
    tie -= row.parts
    contradicted = row.contradicted - tie - row.parts - open_question
    return replace(fault, quantities=frozenset(moved), visible=visible, tie=tie, contradicted=contradicted)
