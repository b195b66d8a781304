"""Draws a stranger: a machine the judge has never seen, with its log, its sheet and the whole truth about both."""

from __future__ import annotations

import zlib
from dataclasses import replace

import numpy as np
from strangers.courses import COURSES, severity
from strangers.cramer_rao import current_bounds, dither_bounds, pressure_bounds, pressure_ramp_bounds
from strangers.draw import CONDITIONS, PRESSURES, draw_machine
from strangers.faults import CATALOGUE, FAULTS, HYDRAULIC, Context, Row
from strangers.machine import Machine
from strangers.misfits import MISFITS, misfitted
from strangers.paper import rounded, sheet_text, valve_id
from strangers.readings import burst, record
from strangers.simulate import Effect, Trace, changed, grid, simulate
from strangers.truth import UNITS, Actual, Fault, Stranger, default_tolerance, settings, undefined

__all__ = [
    "CONDITIONS",
    "COURSES",
    "FAULTS",
    "MISFITS",
    "SIZES",
    "Actual",
    "Fault",
    "Stranger",
    "draw",
    "sample",
    "sheet_of",
]

SIZES = (0.7, 1.5, 3.0, 6.0)
EVERY_CHANNEL = {"current_at_zero", "current_at_full", "ramp_up", "ramp_down", "hysteresis"}


def draw(
    seed: int,
    condition: str = "mixture",
    fault: str | None = None,
    size: float = 3.0,
    course: str = "first row",
    misfit: str | None = None,
    second_fault: str | None = None,
) -> Stranger:
    """One stranger; the same for the same arguments.

    Raises:
        ValueError: Condition, course or misfit is not known.
        KeyError: A fault is not known.
    """
    machine, oddities = draw_machine(seed, condition)
    rng = np.random.default_rng([seed, 2, zlib.crc32(f"{condition}|{fault}|{course}|{second_fault}".encode())])
    rows = [(name, CATALOGUE[name]) for name in (fault, second_fault) if name]
    for _, row in rows:
        machine = row.forced(machine)
    machine = _with_needed_quantities(machine, [row for _, row in rows])
    left, tolerance = _left(machine)
    drawn = [_fault(machine, name, row, tolerance, size, course, rng) for name, row in rows]
    effects = tuple(effect for effect, _ in drawn)
    trace = simulate(machine, effects, rng)
    columns, times = record(machine, trace, rng)
    bursts = burst(machine, trace, rng) if machine.logger.bursts and machine.logger.current else None
    bounds = _bounds(machine, trace, columns, times, bursts)
    actuals = _actuals(machine, effects, trace, left, tolerance, bounds)
    text = f"{', '.join(oddities) or 'plain'}; {_words(machine)}"
    stranger = Stranger(
        seed,
        condition,
        valve_id(machine),
        sheet_text(machine, left, tolerance),
        columns,
        bursts,
        actuals,
        tuple(
            _seen(machine, f, row, effect, trace, tolerance, actuals)
            for (effect, f), (_, row) in zip(drawn, rows, strict=True)
        ),
        misfit,
        machine.logger.rate_hz,
        text,
    )
    return misfitted(stranger, misfit, machine, lambda n: draw(n, "plain")) if misfit else stranger


def sheet_of(seed: int, condition: str) -> str:
    """The sheet alone of a healthy stranger, without the log."""
    machine = _with_needed_quantities(draw_machine(seed, condition)[0], [])
    return sheet_text(machine, *_left(machine))


def _with_needed_quantities(m: Machine, rows: list[Row]) -> Machine:
    """The sheet states what the fault moves, as far as the valve has it; a ramp that is turned is a straight one."""
    quantities = list(m.paper.quantities)
    if "supply" in m.logger.extra:
        quantities.append("supply_voltage")
    if m.logger.bursts and m.driver.dither_pp_a:
        quantities += ["dither_frequency", "dither_amplitude"]
    if not m.driver.dither_pp_a:
        quantities = [q for q in quantities if not q.startswith("dither")]
    if rows and m.driver.ramp == "none":
        m = m.set({"driver.ramp": "straight"})
    return m.set({"paper.quantities": tuple(q for q in UNITS if q in quantities)})


def _left(m: Machine) -> tuple[dict[str, float], dict[str, tuple[float, float]]]:
    """What the sheet states, rounded; and the tolerance of every quantity of the machine, stated or not."""
    true = settings(m)
    left = {q: rounded(true[q]) for q in m.paper.quantities}
    values = {**true, **left}
    tolerance = {}
    for q in UNITS:
        below, above = default_tolerance(q, values)
        if m.paper.own_tolerance and q in left:
            below, above = (rounded(m.paper.own_tolerance * t, 3) for t in (below, above))
        tolerance[q] = below, above
    return left, tolerance


def _fault(
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
    kinds = row.kinds if m.logger.current else row.kinds_no_current
    none: frozenset[str] = frozenset()
    size = size if row.sized else 0.0
    return Effect(over_time, change), Fault(name, size, course, onset, kinds, none, row.parts, none, none, False)


def _seen(
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
    if log.command_where == "controller's value" and row.parts & {"driver", "driver-setting"}:
        tie |= {"command-wiring"} - row.contradicted
    if "hysteresis" in moved and actuals["hysteresis"].bound is None:
        tie |= HYDRAULIC  # both pressures move, and nothing shows that it is the loop
    if "supply" in log.extra:
        tie -= {"supply"}
    tie -= row.parts
    contradicted = row.contradicted - tie - row.parts
    return replace(fault, quantities=frozenset(moved), visible=visible, tie=tie, contradicted=contradicted)


def _bounds(
    m: Machine, t: Trace, columns: dict[str, np.ndarray], times: np.ndarray, bursts: dict[str, np.ndarray] | None
) -> dict[str, float]:
    """Bound of every quantity that this log can show; NaN or absent where it cannot."""
    found: dict[str, float] = {}
    x = t.moving.disturbance

    def dead(*values: float | np.ndarray) -> np.ndarray:
        at = np.clip(np.round(times / t.dt_s).astype(int), 0, len(t.time_s) - 1)
        return np.any([np.broadcast_to(np.asarray(v) > 0.5, t.time_s.shape)[at] for v in values], axis=0)

    if "pressure" in columns and m.valve.controls == "pressure":
        blind = dead(x.dead_pressure, x.dead_command, x.missing)
        found |= pressure_bounds(m, t, times, blind)
        if "current" not in columns:
            found |= pressure_ramp_bounds(m, t, times, blind)
    if "current" in columns:
        found |= current_bounds(m, t, times, dead(x.dead_current, x.dead_command, x.missing))
    if "supply" in columns:
        found["supply_voltage"] = 0.03 / np.sqrt(len(times))
    if bursts is not None and m.driver.dither_pp_a:
        found |= dither_bounds(m, bursts)
    return found


def _why_unseen(m: Machine, quantity: str) -> str:
    log = m.logger
    if quantity.startswith("dither"):
        return "no burst of current"
    if quantity == "coil_resistance":
        return "no cold soak: the winding's temperature is not known"
    if quantity in EVERY_CHANNEL - {"hysteresis"} and not log.current and not quantity.startswith("ramp"):
        return "no current channel"
    if quantity.startswith("ramp"):
        return "the command never outruns the ramp, or too little of it is recorded"
    if quantity.startswith("current"):
        return "the current at that end never flows free of limits, interruptions or saturation"
    if not log.pressure:
        return "no pressure channel"
    return "the valve is never at rest and in control there, on that branch"


def _actuals(
    m: Machine,
    effects: tuple[Effect, ...],
    t: Trace,
    left: dict[str, float],
    tolerance: dict[str, tuple[float, float]],
    bounds: dict[str, float],
) -> dict[str, Actual]:
    """Every quantity of the sheet: as left, true range over the log, true value at its end, bound."""
    n = len(t.time_s)
    moments = {*np.linspace(0, n - 1, 13).astype(int).tolist()}
    for effect in effects:
        moments |= {int(np.argmin(effect.severity)), int(np.argmax(effect.severity))}
    track = []
    for index in sorted(moments):
        now = changed(m, effects, index)
        track.append(settings(now.set({"valve.oil_now_degc": float(t.oil_degc[index])})))
    out = {}
    clipped = bool(np.any(t.clipped & (t.ramped > 0.9)))
    for q, value in left.items():
        values = [s[q] for s in track]
        why = undefined(m, q)
        bound = bounds.get(q, np.nan)
        if clipped and q == "current_at_full":
            bound = np.nan
        unseen = not np.isfinite(bound) or bool(why)
        out[q] = Actual(
            q,
            UNITS[q],
            value,
            *tolerance[q],
            min(values),
            max(values),
            values[-1],
            not why,
            why,
            None if unseen else float(bound),
            (why or _why_unseen(m, q)) if unseen else "",
        )
    return out


def _words(m: Machine) -> str:
    d, v, log, p = m.driver, m.valve, m.logger, m.programme
    return (
        f"{p.duration_s:.0f} s at {log.rate_hz:g} Hz, {d.signal_zero:g} to {d.signal_full:g} ({d.kind}), "
        f"{d.i_zero_a:.3f} to {d.i_full_a:.3f} A, {d.ramp} ramps {d.ramp_up_s:.2f} and {d.ramp_down_s:.2f} s, "
        f"{v.p_zero_bar:.1f} to {v.p_full_bar:.1f} bar, dwells {p.dwell_low_s:.1f} to {p.dwell_high_s:.1f} s"
    )


def sample() -> list[Stranger]:
    """The fixed sample: every condition, every fault and every misfit at least once.

    Every second condition is healthy; the others carry the next fault of the catalogue that their channels can show;
    faults left over come on plain machines and mixtures. Most faults are there from the first row on.
    """
    courses = ("first row", "first row", "step", "first row", "creeping", "comes and goes")
    waiting = list(FAULTS)
    out: list[Stranger] = []

    def faulty(seed: int, condition: str) -> Stranger | None:
        for name in waiting:
            size, course = SIZES[(seed + 2) % len(SIZES)], courses[seed % len(courses)]
            found = draw(seed, condition, name, max(size, 1.5), course)
            if found.faults[0].visible:
                waiting.remove(name)
                return found
        return None

    for k, condition in enumerate(CONDITIONS):
        out.append((faulty(k, condition) if k % 2 else None) or draw(k, condition))
    seed = len(CONDITIONS)
    while waiting and seed < 2 * len(CONDITIONS) + len(FAULTS):
        found = faulty(seed, "plain" if seed % 2 else "mixture")
        out += [found] if found else []
        seed += 1
    out += [draw(300 + k, "levels vary" if k % 2 else "plain", misfit=name) for k, name in enumerate(MISFITS)]
    return out
