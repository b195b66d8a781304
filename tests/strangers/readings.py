"""The logger: when it samples, and what its instruments show of what happened."""

from __future__ import annotations

import numpy as np
from strangers.driver import Value, dither_a, first_order, pwm_ripple_a, switching
from strangers.machine import Machine
from strangers.paper import full_scale
from strangers.simulate import Trace


def sample_times(m: Machine, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Moments of sampling and the times written down (s), shape (n,) each; holes are already left out."""
    log, end = m.logger, m.programme.duration_s
    n = int(end * log.rate_hz)
    if log.irregular:
        gaps = rng.uniform(0.3, 1.7, n) / log.rate_hz
        times = np.cumsum(gaps) - gaps[0]
        stamps = times
        times = times * (1.0 + 1e-6 * log.clock_ppm)
    else:
        stamps = np.arange(n) / log.rate_hz
        times = stamps * (1.0 + 1e-6 * log.clock_ppm) + log.jitter / log.rate_hz * rng.uniform(-0.5, 0.5, n)
    keep = times <= end
    for _ in range(log.holes):
        begin = rng.uniform(0.0, end)
        keep &= ~((times > begin) & (times < begin + rng.uniform(0.2, 5.0)))
    return np.clip(times[keep], 0.0, end), stamps[keep]


def _quantised(value: np.ndarray, low: float, high: float, bits: int) -> np.ndarray:
    step = (high - low) / 2**bits
    return np.clip(np.round((value - low) / step) * step + low, low, high)


def _filter_gain(frequency_hz: float, low_pass_hz: float) -> float:
    return float(1.0 / np.hypot(1.0, frequency_hz / low_pass_hz))


def _frozen(values: np.ndarray, dead: np.ndarray) -> np.ndarray:
    """The last value before each dead stretch stands for all of it."""
    if not dead.any():
        return values
    index = np.where(dead, 0, np.arange(len(values)))
    return values[np.maximum.accumulate(index)]


def ripple_a(
    m: Machine, a: Machine, times: np.ndarray, turned: np.ndarray, phases: tuple[float, float]
) -> np.ndarray:
    """Dither and switching ripple as they flow in the coil (A), shape (2, n).

    `a` is the machine at those times; `turned` is the phase (rad) that a changed dither frequency has added by then.
    """
    slow = dither_a(times, m.driver.dither_hz, a.driver.dither_pp_a, turned + phases[0])
    return np.stack([slow, pwm_ripple_a(times + phases[1] / (2 * np.pi * m.driver.pwm_hz), *switching(m))])


def _ripple(m: Machine, t: Trace, times: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    at = np.clip(np.round(times / t.dt_s).astype(int), 0, len(t.time_s) - 1)
    a = t.moving
    if isinstance(a.driver.dither_pp_a, np.ndarray):
        a = a.set({"driver.dither_pp_a": a.driver.dither_pp_a[at]})
    more_hz = np.broadcast_to(a.driver.dither_hz - m.driver.dither_hz, t.time_s.shape)
    turned = np.interp(times, t.time_s, 2 * np.pi * t.dt_s * np.cumsum(more_hz))
    phases = rng.uniform(0, 2 * np.pi, 2)
    return ripple_a(m, a, times, turned, (float(phases[0]), float(phases[1])))


def record(m: Machine, t: Trace, rng: np.random.Generator) -> tuple[dict[str, np.ndarray], np.ndarray]:
    """The log's columns, shape (n,) each, and the moments of sampling (s)."""
    log, x = m.logger, t.moving.disturbance
    times, stamps = sample_times(m, rng)
    n = len(times)
    at = np.clip(np.round(times / t.dt_s).astype(int), 0, len(t.time_s) - 1)

    def flag(value: Value) -> np.ndarray:
        return np.broadcast_to(np.asarray(value) > 0.5, t.time_s.shape)[at]

    def sampled(value: Value) -> np.ndarray:
        return np.broadcast_to(np.asarray(value, float), t.time_s.shape)[at]

    def seen(values: np.ndarray, lag: np.ndarray | float) -> np.ndarray:
        return np.interp(times - lag, t.time_s, values)

    lag_noise = rng.uniform(0.0, 2.0, n) if log.random_lag else 1.0
    columns: dict[str, np.ndarray] = {"time": stamps}
    span, top = m.signal_span, 1.2 * max(abs(m.driver.signal_zero), abs(m.driver.signal_full))
    demand = seen(t.at_controller, sampled(x.late_command_s))
    command = m.driver.signal_zero + span * (demand + log.command_noise * rng.standard_normal(n))
    if log.command_noise:
        command = _quantised(command, 0.0, top, log.bits)
    columns["command"] = _frozen(command, flag(x.dead_command))
    p_top, i_top = full_scale(m)
    hum = np.sin(2 * np.pi * log.hum_hz * times + rng.uniform(0, 2 * np.pi)) * log.hum_share
    if log.current:
        i = first_order(t.current_a, 1.0 / (2 * np.pi * log.low_pass_hz), t.dt_s)
        slow, fast = _ripple(m, t, times, rng)
        gains = [
            _filter_gain(m.driver.dither_hz, log.low_pass_hz),
            _filter_gain(m.driver.pwm_hz, log.low_pass_hz),
        ]
        flows = seen(t.current_a, 0.0) > 0.05 * m.driver.i_full_a
        value = seen(i, log.current_lag_s * lag_noise) + flows * (gains[0] * slow + gains[1] * fast)
        value = value * sampled(x.current_gain) + sampled(x.current_zero_a)
        value += m.span_a * (log.current_noise * rng.standard_normal(n) + hum)
        columns["current"] = _frozen(_quantised(value, -0.05 * i_top, i_top, log.bits), flag(x.dead_current))
    if log.pressure:
        p = first_order(t.pressure_bar, 1.0 / (2 * np.pi * log.low_pass_hz), t.dt_s)
        value = seen(p, log.pressure_lag_s + sampled(x.late_pressure_s))
        pulse = m.valve.pulsation_share * _filter_gain(m.valve.pulsation_hz, log.low_pass_hz)
        value *= 1.0 + pulse * np.sin(2 * np.pi * m.valve.pulsation_hz * times)
        value += log.pressure_noise * p_top * rng.standard_normal(n) + hum * m.valve.p_full_bar
        columns["pressure"] = _frozen(_quantised(value, -0.02 * p_top, p_top, log.bits), flag(x.dead_pressure))
    _extra(m, t, at, columns, rng)
    gone = flag(x.missing)
    for name in ("current", "pressure"):
        if name in columns and gone.any():
            columns[name] = np.where(gone, np.nan, columns[name])
    return columns, times


def _extra(m: Machine, t: Trace, at: np.ndarray, columns: dict[str, np.ndarray], rng: np.random.Generator) -> None:
    """Adds the optional channels in place."""
    n, a = len(at), t.moving
    c = a.coil

    def now(value: Value) -> np.ndarray:
        return np.broadcast_to(np.asarray(value, float), t.time_s.shape)[at]

    if "supply" in m.logger.extra:
        supply = now(c.supply_v) + 0.03 * rng.standard_normal(n)
        columns["supply"] = _frozen(supply, now(a.disturbance.dead_supply) > 0.5)
    if "coil_voltage" in m.logger.extra:
        winding = now(c.r20_ohm) * now(c.turns) * (1 + 0.00393 * (now(c.winding_degc) - 20.0))
        columns["coil_voltage"] = t.current_a[at] * winding + 0.02 * rng.standard_normal(n)
    if "oil_temperature" in m.logger.extra:
        columns["oil_temperature"] = t.oil_degc[at] + 0.1 * rng.standard_normal(n)
    for name in ("enable", "pump_running"):
        if name in m.logger.extra:
            columns[name] = t.running[at].astype(float)
    if "mode" in m.logger.extra:
        columns["mode"] = np.where(t.phase[at], 3.0, 1.0)


def burst(m: Machine, t: Trace, rng: np.random.Generator) -> dict[str, np.ndarray]:
    """One second of current at 5 kHz from the end of the log: columns time (s), current.

    An input filter of fourth order at 1.5 kHz stands before it, so that no switching folds into the dither's band.
    """
    times = t.time_s[-1] - 1.0 + np.arange(5000) / 5000.0
    slow, fast = _ripple(m, t, times, rng)
    fast /= np.sqrt(1.0 + (m.driver.pwm_hz / 1500.0) ** 8)
    noise = m.span_a * m.logger.current_noise * rng.standard_normal(len(times))
    level = np.interp(times, t.time_s, t.current_a)
    return {"time": times, "current": level + (level > 0.02) * (slow + fast) + noise}
