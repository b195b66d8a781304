"""Draws a stranger: a machine the judge has never seen, with its log, its sheet and the whole truth about both."""

from __future__ import annotations

import zlib

import numpy as np
from strangers.actuals import actuals_of, bounds_of
from strangers.conditions import CONDITIONS
from strangers.courses import COURSES
from strangers.draw import draw_machine
from strangers.fault_truth import fault_as_seen, fault_in_time
from strangers.faults import CATALOGUE, FAULTS, Row
from strangers.machine import Machine
from strangers.misfits import MISFITS, misfitted
from strangers.paper import rounded, sheet_text, valve_id
from strangers.readings import burst, record
from strangers.simulate import simulate
from strangers.truth import UNITS, Actual, Fault, Stranger, default_tolerance, settings

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
    drawn = [fault_in_time(machine, name, row, tolerance, size, course, rng) for name, row in rows]
    effects = tuple(effect for effect, _ in drawn)
    trace = simulate(machine, effects, rng)
    columns, times = record(machine, trace, rng)
    bursts = burst(machine, trace, rng) if machine.logger.bursts and machine.logger.current else None
    bounds = bounds_of(machine, trace, columns, times, bursts)
    actuals = actuals_of(machine, effects, trace, left, tolerance, bounds)
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
            fault_as_seen(machine, f, row, effect, trace, tolerance, actuals)
            for (effect, f), (_, row) in zip(drawn, rows, strict=True)
        ),
        misfit,
        machine.logger.rate_hz,
        text,
    )
    return misfitted(stranger, misfit, machine, lambda n: draw(n, "plain")) if misfit else stranger


def sheet_of(seed: int, condition: str, fault: str | None = None) -> str:
    """The sheet alone of a stranger, without the log."""
    rows = [CATALOGUE[fault]] if fault else []
    machine = draw_machine(seed, condition)[0]
    for row in rows:
        machine = row.forced(machine)
    machine = _with_needed_quantities(machine, rows)
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
            below, above = (rounded(m.paper.own_tolerance * t, 3) for t in (m.paper.own_below * below, above))
        tolerance[q] = below, above
    return left, tolerance


def _words(m: Machine) -> str:
    d, v, log, p = m.driver, m.valve, m.logger, m.programme
    return (
        f"{p.duration_s:.0f} s at {log.rate_hz:g} Hz, {d.signal_zero:g} to {d.signal_full:g} ({d.kind}), "
        f"{d.i_zero_a:.3f} to {d.i_full_a:.3f} A, {d.ramp} ramps {d.ramp_up_s:.2f} and {d.ramp_down_s:.2f} s, "
        f"{v.p_zero_bar:.1f} to {v.p_full_bar:.1f} bar, dwells {p.dwell_low_s:.1f} to {p.dwell_high_s:.1f} s"
    )


def sample() -> list[Stranger]:
    """The fixed sample of some 90 logs: every condition, every fault and every misfit at least once.

    Every second condition is healthy; the others carry the next fault of the catalogue that their channels can show;
    faults left over come on plain machines and mixtures. Most faults are there from the first row on.
    """
    turns = [
        (size, course)
        for size in (3.0, 1.5, 6.0)
        for course in ("first row", "step", "first row", "creeping", "first row", "comes and goes", "first row")
    ]
    waiting = list(FAULTS)
    out: list[Stranger] = []

    def faulty(seed: int, condition: str) -> Stranger | None:
        size, course = turns[(len(FAULTS) - len(waiting)) % len(turns)]
        for name in waiting:
            found = draw(seed, condition, name, size, course)
            if found.faults[0].visible:
                waiting.remove(name)
                return found
        return None

    for k, condition in enumerate(CONDITIONS):
        out.append((faulty(k, condition) if k % 2 else None) or draw(k, condition))
    seed = len(CONDITIONS)
    while waiting and seed < 3 * len(CONDITIONS) + len(FAULTS):
        found = faulty(seed, "plain" if seed % 2 else "mixture")
        out += [found] if found else []
        seed += 1
    # What no log of these shows by its size is there all the same: nothing wrong may be said of it.
    out += [draw(400 + k, "plain", name) for k, name in enumerate(waiting)]
    pairs = (
        ("ramp up turned", "valve spring"),
        ("current at full turned", "seat worn"),
        ("coil hot", "friction grown"),
    )
    out += [draw(250 + k, "levels vary", one, second_fault=other) for k, (one, other) in enumerate(pairs)]
    out += [draw(300 + k, "levels vary" if k % 2 else "plain", misfit=name) for k, name in enumerate(MISFITS)]
    return out
