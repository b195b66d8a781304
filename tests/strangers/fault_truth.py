"""A fault in time, and what the log can show of it: the quantities it moves, and the parts it cannot be told from."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from strangers.actuals import flows_in_burst
from strangers.conditions import PRESSURES
from strangers.courses import severity
from strangers.driver import asked_current, available_current_a, set_current
from strangers.fault_row import HYDRAULIC, SENSOR, WINDING, Context, Row, only_ends
from strangers.hydraulics import characteristic
from strangers.machine import Machine
from strangers.paper import full_scale
from strangers.simulate import Effect, Trace, changed, grid
from strangers.truth import Actual, Fault, settings

#: How long a demand has been at rest (s), and how far it must have risen in all to show its ramp (share of the span).
_AT_REST_S, _LEAST_TRAVEL = 0.5, 0.1
#: A pressure that moves by no more than this share of that at full all along stands still; a current of no more than
#: this share of that at full does not flow.
_STANDS = 1e-4
#: Sizes (tolerances) that a log shows at all, and the share of a fault's size that counts as the whole.
_LEAST_SEEN, _NEARLY = 0.05, 0.9


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
    if "disturbance.current_floor_a" in change:  # it takes a closed circuit, and a sheet that says what zero has
        flows = t.current_a > asked + 0.05 * m.span_a
        return "current_at_zero" in m.paper.quantities and _lasts(t, effect, flows, 1.0)
    dead = "disturbance.dead_pressure" in change
    if dead and bool(np.all(effect.severity > 0.5)) and float(np.ptp(t.pressure_bar)) < _STANDS * m.valve.p_full_bar:
        # What stands still all along reads the same where its reading is dead, but for a noise that no sheet states.
        return False
    if "disturbance.dead_current" in change and bool(np.all(effect.severity > 0.5)):
        # So does a current that never flows: i(t) = 0, and the reading of it stands at that.
        return bool(float(np.max(t.current_a)) > _STANDS * m.driver.i_full_a)
    if "disturbance.stuck" in change:
        away = np.abs(t.x - t.y) > m.valve.play_share + 0.05
        return _lasts(t, effect, away & t.in_control, 1.0)
    if "disturbance.late_pressure_s" in change:  # the sheet does not say how fast the pressure settled when left
        return change["disturbance.late_pressure_s"] > m.valve.settling_s + m.valve.neighbour_s
    if "disturbance.late_command_s" in change:  # what does not move is the same however late it is read
        there = (effect.severity > 0.5) & t.running
        ways = (np.abs(np.diff(x, prepend=x[0]))[there].sum() for x in (t.ramped, t.current_a / m.span_a))
        return bool(min(ways) > _LEAST_TRAVEL)
    if row.needs == "command" and "disturbance.command_failed" not in change:
        failed = np.broadcast_to(np.asarray(a.disturbance.command_failed) > 0.5, t.time_s.shape)
        return _lasts(t, effect, ~failed, 1.0)
    if "ramp-up-changed" in row.kinds and not row.sized:  # only what rises meanwhile shows it
        rises = np.diff(t.ramped, prepend=t.ramped[0])
        return bool(rises[(effect.severity > 0.5) & t.running & (rises > 0.0)].sum() > _LEAST_TRAVEL)
    if row.needs == "bursts":  # the burst is the log's last second
        return bool(m.driver.dither_pp_a) and flows_in_burst(t) and float(effect.severity[-1]) > 0.5
    return True


def _size_seen(
    m: Machine,
    fault: Fault,
    effect: Effect,
    t: Trace,
    moved: dict[str, float],
    tolerance: dict[str, tuple[float, float]],
    actuals: dict[str, Actual],
) -> float:
    """Largest size in tolerances that the fault has in moments in which the log shows what it moves.

    A fault that creeps has its whole size in the last row only, and one that comes and goes may be away at all visits
    of a level. Each end of the range shows in what is at rest there, a ramp in what moves.
    A current is a straight line of the command, so any level tells its end; a pressure is not: where the valve never
    has full at rest, a level shows no more of the fault than its share of the characteristic.
    """
    alive_a, alive_bar = _alive(t, "dead_current"), _alive(t, "dead_pressure")
    steps = np.diff(t.ramped, prepend=t.ramped[0])
    back = max(round(_AT_REST_S / t.dt_s), 1)
    still = np.abs(t.ramped - np.concatenate((np.full(back, np.nan), t.ramped[:-back]))) < 1e-3
    if "current-clipped" in fault.kinds and m.logger.current:
        asked, rows = asked_current(t.moving, t.ramped), still & t.running & ~t.off & alive_a
        whole = changed(m, (Effect(np.ones(1), effect.change),), 0)
        deepest = float(np.max((asked - available_current_a(whole))[rows], initial=0.0))
        seen = float(np.max((asked - available_current_a(t.moving))[rows], initial=0.0))
        return fault.size * seen / deepest if deepest > 0.0 else 0.0
    for limit, q, k in (("pressure_floor_bar", "pressure_at_zero", 1), ("source_ceiling", "pressure_at_full", 0)):
        if f"disturbance.{limit}" in effect.change and 0.0 < tolerance[q][k] < np.inf:
            return _held_bar(m, t, limit, still & t.in_control & alive_bar) / tolerance[q][k]
    largest = 0.0
    for q, change in moved.items():
        side = tolerance[q][1] if change > 0.0 else tolerance[q][0]
        if not 0.0 < side < np.inf:
            continue
        weight = np.clip(t.ramped if q.endswith("full") else 1.0 - t.ramped, 0.0, 1.0) if "_at_" in q else np.ones(1)
        if q.startswith("current"):
            rows = still & t.running & ~t.off & alive_a
        elif q.startswith("pressure"):
            rows = still & t.in_control & alive_bar
        elif q.startswith("ramp"):
            rows = t.running & ((steps > 0.0) if q == "ramp_up" else (steps < 0.0))
        else:
            rows = t.running
        weights = np.broadcast_to(weight, t.time_s.shape)[rows]
        usual = float(np.max(weights, initial=0.0))
        if q == "pressure_at_full" and actuals[q].bound is None:
            weights, usual = np.clip(t.y[rows], 0.0, 1.0) ** min(m.valve.curve, 1.0), float(usual > 0.0)
        if usual > 0.0:
            largest = max(largest, abs(change) / side * float(np.max(weights * effect.severity[rows])) / usual)
    return largest


def _held_bar(m: Machine, t: Trace, limit: str, rows: np.ndarray) -> float:
    """Most that a floor under the pressure, or a ceiling over it, holds it off in `rows` of the grid (bar).

    p = max(characteristic, floor), or min(characteristic, ceiling): where the characteristic lies on the other side
    of it the rows are those of a valve without.
    """
    free = characteristic(t.moving, t.y, t.oil_degc)
    at = np.broadcast_to(np.asarray(getattr(t.moving.disturbance, limit), float), free.shape)
    held = at - free if limit == "pressure_floor_bar" else np.where(at < 1.0, free - at * m.valve.p_full_bar, 0.0)
    return float(np.max(held[rows], initial=0.0))


def _alive(t: Trace, name: str) -> np.ndarray:
    """Where a channel and the command are read, on the grid, (n,)."""
    x = t.moving.disturbance
    dead = [np.asarray(getattr(x, one)) > 0.5 for one in (name, "dead_command", "missing")]
    return ~np.any([np.broadcast_to(one, t.time_s.shape) for one in dead], axis=0)


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
    if "disturbance.stuck" in effect.change and m.disturbance.stuck_at_zero and t.running.any():
        low = tolerance.get("pressure_at_zero", (np.inf, np.inf))[1]
        if t.target_bar[t.running][-1] > healthy["pressure_at_zero"] + low:  # it stopped before the current was down
            fault = replace(fault, kinds=fault.kinds | {"pressure-unwanted"})
    log, there = m.logger, effect.severity > 0.0
    current, pressure = log.current, log.pressure
    if "disturbance.dead_current" not in effect.change:  # where another fault stops a reading, there is none
        current = current and bool(np.any(_alive(t, "dead_current") & there))
    if "disturbance.dead_pressure" not in effect.change:
        pressure = pressure and bool(np.any(_alive(t, "dead_pressure") & there))
    if log.current and not current:
        without = frozenset(k for k in fault.kinds if not k.startswith(("current", "coil"))) | row.kinds_no_current
        fault = replace(fault, kinds=without)
    hydraulic = pressure and m.valve.controls == "pressure" and bool(t.in_control.any())
    recorded = {
        "any": current or hydraulic,
        "current": current or hydraulic,
        "current reading": current,
        "pressure": hydraulic,
        "command": True,
        "supply": "supply" in log.extra,
        "bursts": log.bursts and log.current,
    }[row.needs]
    shown = any((b := actuals[q].bound) is not None and abs(change) > 4.0 * b for q, change in moved.items())
    by_current = row.needs == "current" and log.current  # a cut moves no setting: it is seen by its shape
    asks = (row.sized or "ramp-up-changed" in row.kinds) and not by_current
    visible = recorded and _shows_itself(m, row, effect, t) and (shown or not asks)
    if fault.size and not (row.needs == "supply" and recorded):  # a supply that is read shows its fall by itself
        seen = _size_seen(m, fault, effect, t, moved, tolerance, actuals)
        visible = visible and seen > _LEAST_SEEN
        fault = fault if seen > _NEARLY * fault.size else replace(fault, size=max(seen, _LEAST_SEEN))

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
