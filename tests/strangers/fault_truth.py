"""A fault in time, and what the log can show of it: the quantities it moves, and the parts it cannot be told from."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from strangers.conditions import PRESSURES
from strangers.courses import severity
from strangers.fault_row import HYDRAULIC, Context, Row
from strangers.machine import Machine
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
    none: frozenset[str] = frozenset()
    size = size if row.sized else 0.0
    return Effect(over_time, change), Fault(name, size, course, onset, kinds, none, row.parts, none, none, False)


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
            moved[q] = abs(full[q] - healthy[q])
    log = m.logger
    hydraulic = log.pressure and m.valve.controls == "pressure"
    recorded = {
        "any": log.current or hydraulic,
        "current": log.current or hydraulic,
        "current reading": log.current,
        "pressure": hydraulic and bool(t.in_control.any()),
        "command": True,
        "supply": "supply" in log.extra,
        "bursts": log.bursts and log.current,
    }[row.needs]
    shown = any((b := actuals[q].bound) is not None and change > 4.0 * b for q, change in moved.items())
    if "current-clipped" in row.kinds and log.current:
        shown = bool(np.any(t.clipped & (effect.severity > 0.5)))
    asks = row.sized or "ramp-up-changed" in row.kinds
    visible = recorded and (shown or not asks)

    # Only a pressure that the sheet states and the log shows can speak for or against the current's reading.
    informs = hydraulic and any(q in actuals and actuals[q].bound is not None for q in PRESSURES)
    tie = row.tie | (frozenset() if log.current else row.no_current) | (frozenset() if informs else row.no_pressure)
    # What the sheet does not say of an instrument, nobody can know from the log.
    told = m.paper.instruments
    if row.moves_current and not (told and log.command_where == "at the driver's terminals"):
        tie |= {"command-wiring", "controller"}
    if row.parts == {"current-sensor"} and not (told and log.current_where == "sensor in the coil lead"):
        tie |= {"driver"}
    if "hysteresis" in moved and actuals["hysteresis"].bound is None:
        tie |= HYDRAULIC  # both pressures move, and nothing shows that it is the loop
    if "supply" in log.extra:
        tie -= {"supply"}
    tie -= row.parts
    contradicted = row.contradicted - tie - row.parts
    return replace(fault, quantities=frozenset(moved), visible=visible, tie=tie, contradicted=contradicted)
