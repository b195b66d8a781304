"""The valve and the pressure it makes: play, characteristic, relief, load, source, settling, creep, neighbour."""

from __future__ import annotations

import numpy as np
from strangers.driver import Value, first_order
from strangers.machine import Machine


def play(x: np.ndarray, half_width: Value, stuck: np.ndarray | None = None) -> np.ndarray:
    """Output of a play (backlash) operator: it follows `x` at a distance of `half_width`; the loop is twice as wide.

    It starts as if `x` had come from above. Where `stuck` is true the output stands still. All of shape (n,).
    """
    n = len(x)
    widths = np.broadcast_to(half_width, n)
    y = float(x[0] + widths[0])
    out: list[float] = []
    append = out.append
    low, high = (x - widths).tolist(), (x + widths).tolist()
    if stuck is None:
        for a, b in zip(low, high, strict=True):
            if y < a:
                y = a
            elif y > b:
                y = b
            append(y)
    else:
        for a, b, held in zip(low, high, stuck.tolist(), strict=True):
            if not held:
                y = a if y < a else min(y, b)
            append(y)
    return np.array(out)


def stick_slip(x: np.ndarray, half_width: Value, breakaway: float) -> np.ndarray:
    """A play whose output, once at rest, needs `breakaway` more than `half_width` to start again; shape (n,).

    While it moves it follows like a play; it comes to rest when `x` does or turns. So levels that lie farther apart
    than the breakaway have the loop of the play, and smaller steps do not move it at all.
    """
    widths = np.broadcast_to(half_width, len(x)).tolist()
    y, last, moving = float(x[0]) + widths[0], float(x[0]), 0
    out: list[float] = []
    append = out.append
    for value, width in zip(x.tolist(), widths, strict=True):
        step = value - last
        last = value
        if moving * step < 1e-7:
            moving = 0
        if not moving and abs(value - y) > width + breakaway:
            moving = 1 if value > y else -1
        if moving == 1:
            y = max(y, value - width)
        elif moving == -1:
            y = min(y, value + width)
        append(y)
    return np.array(out)


def characteristic(m: Machine, x: Value, oil_degc: Value = 45.0) -> np.ndarray:
    """Pressure at rest (bar) at a play output `x` in shares of the valve's own current span; oil at `oil_degc`."""
    v, d = m.valve, m.disturbance
    z = np.clip((np.asarray(x, float) - v.dead_band) / (1.0 - v.dead_band), 0.0, 1.3) ** v.curve
    z = z * (1.0 - d.seat_share * np.clip(z, 0.0, 1.0))
    p = (v.p_zero_bar + (v.p_full_bar - v.p_zero_bar) * z) * (1.0 + v.oil_coefficient * (np.asarray(oil_degc) - 45.0))
    return np.minimum((p + d.spring_bar) * d.source_factor, v.relief_share * v.p_full_bar)


def spool_input(m: Machine, current_a: Value) -> np.ndarray:
    """Force on the spool in shares of the valve's own span: ampere turns, so shorted turns count."""
    return (np.asarray(current_a) * m.coil.turns - m.valve.ref_zero_a) / (m.valve.ref_full_a - m.valve.ref_zero_a)


def settle(target: np.ndarray, tau_s: float, fall_factor: float, dt_s: float) -> np.ndarray:
    """`target` through a first-order settling that may be slower downwards (accumulator); settled at the start."""
    if fall_factor == 1.0:
        return first_order(target, tau_s, dt_s)
    up, down = -np.expm1(-dt_s / tau_s), -np.expm1(-dt_s / (tau_s * fall_factor))
    y = float(target[0])
    out: list[float] = []
    append = out.append
    for goal in target.tolist():
        y += (goal - y) * (up if goal > y else down)
        append(y)
    return np.array(out)


def load_pressure(m: Machine, time_s: np.ndarray, in_control: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Pressure the load can hold (bar): low and slowly varying where the load works, without limit elsewhere."""
    if in_control.all():
        return np.full(len(time_s), np.inf)
    slow = 1.0 + 0.15 * np.sin(2 * np.pi * time_s / rng.uniform(7.0, 23.0) + rng.uniform(0, 6))
    slow += 0.10 * np.sin(2 * np.pi * time_s / rng.uniform(1.0, 4.0) + rng.uniform(0, 6))
    return np.where(in_control, np.inf, m.valve.load_share * m.valve.p_full_bar * slow)
