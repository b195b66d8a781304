"""Puts command, driver and hydraulics together on one time grid, under faults that change values in time."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from strangers.commands import Command, programme
from strangers.driver import available_current_a, driver_demand, first_order, law, ramp, second_order, set_current
from strangers.hydraulics import characteristic, load_pressure, play, settle, spool_input, stick_slip
from strangers.machine import Machine


@dataclass(frozen=True)
class Effect:
    """One fault in time: `severity` from 0 to 1, shape (n,), times the `change` of each field."""

    severity: np.ndarray
    change: Mapping[str, float]


@dataclass(frozen=True)
class Trace:
    """What happened on the grid, all of shape (n,). Demands are shares of the command span."""

    dt_s: float
    time_s: np.ndarray
    at_controller: np.ndarray  # demand on the wire at the controller
    at_driver: np.ndarray
    ramped: np.ndarray
    share: np.ndarray  # of the current span at rest
    clipped: np.ndarray  # current held by a limit
    off: np.ndarray  # no current by an off threshold or an interruption
    current_a: np.ndarray
    x: np.ndarray  # force on the spool in shares of the valve's span
    y: np.ndarray  # behind the play
    target_bar: np.ndarray  # pressure at rest at the gauge
    pressure_bar: np.ndarray  # at the gauge
    in_control: np.ndarray  # the valve makes the pressure
    phase: np.ndarray  # the cycle's phase that the controller takes for pressing
    running: np.ndarray
    oil_degc: np.ndarray
    moving: Machine  # the machine with arrays where a fault changes a field


def grid_step_s(m: Machine) -> float:
    """Step of the time grid: 2 ms for short logs, 5 ms for the others."""
    return 0.002 if m.programme.duration_s <= 200.0 else 0.005


def grid(m: Machine) -> np.ndarray:
    """Times of the grid (s)."""
    dt = grid_step_s(m)
    return np.arange(0.0, m.programme.duration_s + dt / 2, dt)


def oil_degc(m: Machine, time_s: np.ndarray) -> np.ndarray:
    """Oil temperature: it rises from start to end like a tank with a time constant of a third of the log."""
    v = m.valve
    share = -np.expm1(-3.0 * time_s / m.programme.duration_s)
    return v.oil_start_degc + (v.oil_end_degc - v.oil_start_degc) * share


def changed(m: Machine, effects: tuple[Effect, ...], index: int | None = None) -> Machine:
    """The machine under its faults: with arrays over the grid, or with the values at one grid index."""
    values: dict[str, object] = {}
    for effect in effects:
        severity = effect.severity if index is None else float(effect.severity[index])
        for path, delta in effect.change.items():
            values[path] = values.get(path, m.get(path)) + severity * delta  # type: ignore[operator]
    return m.set(values)


def _driver_input(m: Machine, a: Machine, cmd: Command, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Demand at the controller and at the driver, noise on the wire and a failed command included."""
    x = a.disturbance
    noise = m.programme.wire_noise * rng.standard_normal(len(cmd.time_s)) if m.programme.wire_noise else 0.0
    at_controller = cmd.demand * x.command_factor + noise
    failed = np.asarray(x.command_failed) > 0.5
    if failed.any():
        ma = m.disturbance.command_failed_ma + 0.016 * rng.standard_normal(len(cmd.time_s))
        at_controller = np.where(failed, (ma - m.driver.signal_zero) / m.signal_span, at_controller)
    shift = m.driver.signal_zero * (np.asarray(x.wire_gain) - 1.0) / m.signal_span
    return at_controller, at_controller * x.wire_gain + shift


def simulate(m: Machine, effects: tuple[Effect, ...], rng: np.random.Generator) -> Trace:
    """One log of the machine under these faults."""
    dt, d, v = grid_step_s(m), m.driver, m.valve
    cmd = programme(m, dt, rng)
    a = changed(m, effects)
    x = a.disturbance
    at_controller, at_driver = _driver_input(m, a, cmd, rng)
    failed = np.broadcast_to(np.asarray(x.command_failed) > 0.5, at_driver.shape)
    goal = np.where(failed, 0.0, driver_demand(a, at_driver))
    scale = (a.driver.i_full_a - a.driver.i_zero_a) / m.span_a if d.ramp_in_amperes else 1.0
    ramped = ramp(goal, dt, a.driver.ramp_up_s * scale, a.driver.ramp_down_s * scale, d.ramp)
    wanted = set_current(a, ramped)
    clipped = wanted >= np.asarray(available_current_a(a)) - 1e-9
    off = failed | (np.asarray(x.current_open) > 0.02) | ~cmd.running
    if d.off_below_pct:
        off = off | (ramped < d.off_below_pct / 100.0)
    wanted = np.where(failed, 0.0, wanted) * (1.0 - np.asarray(x.current_open))
    if d.off_below_pct:
        wanted = np.where(ramped < d.off_below_pct / 100.0, x.current_floor_a, wanted)
    wanted = np.where(cmd.running, wanted, 0.0)
    if d.overshoot_zeta:
        current = np.maximum(second_order(wanted, d.overshoot_hz, d.overshoot_zeta, dt), 0.0)
    else:
        current = first_order(wanted, d.lag_s, dt)

    force = spool_input(a, current)
    stuck = np.asarray(x.stuck) > 0.5
    if stuck.any() and m.disturbance.stuck_at_zero:
        begin = int(np.argmax(stuck))
        low = np.flatnonzero(ramped[begin:] < ramped.min() + 0.01)
        stuck = np.arange(len(force)) >= begin + (int(low[0]) if len(low) else 0)
    if v.breakaway_share and not stuck.any() and not m.programme.wire_noise:  # noise shakes the spool free
        y = stick_slip(force, a.valve.play_share, v.breakaway_share)
    else:
        y = play(force, a.valve.play_share, np.broadcast_to(stuck, force.shape) if stuck.any() else None)
    oil = oil_degc(m, cmd.time_s)
    target = characteristic(a, y, oil)
    ceiling = np.asarray(x.source_ceiling)
    target = np.minimum(target, np.where(ceiling >= 1.0, np.inf, ceiling * v.p_full_bar))
    load = load_pressure(m, cmd.time_s, cmd.in_control, rng)
    in_control = (target <= load) & cmd.running
    target = np.where(cmd.running, np.maximum(np.minimum(target, load), x.pressure_floor_bar), 0.0)
    pressure = settle(target, v.settling_s, v.fall_factor, dt)
    if v.creep_share:
        pressure = (1 - v.creep_share) * pressure + v.creep_share * first_order(pressure, v.creep_s, dt)
    if v.neighbour_s:
        pressure = first_order(pressure, v.neighbour_s, dt)
    loss = 1.0 + v.neighbour_offset_share
    read = [p * loss * x.pressure_gain + x.pressure_zero_bar for p in (target, pressure)]
    share = law(m, ramped)
    return Trace(
        dt, cmd.time_s, at_controller, at_driver, ramped, share, clipped, off, current, force, y, read[0], read[1],
        in_control, cmd.in_control, cmd.running, oil, a,
    )  # fmt: skip
