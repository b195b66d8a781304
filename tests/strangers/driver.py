"""The driver: scaling, ramp, law, limits, current loop; and the ripple of dither and switching."""

from __future__ import annotations

import numpy as np
from scipy import signal
from strangers.machine import Machine

Value = float | np.ndarray


def ramp(target: np.ndarray, dt_s: float, up_s: Value, down_s: Value, kind: str) -> np.ndarray:
    """Demand behind the ramp, shape (n,); `up_s` and `down_s` are full-span times, scalars or of shape (n,).

    straight: |du/dt| <= 1/T. two-slope: twice that slope below half of the span, 2/3 of it above, so that the full
    span still takes T. first-order: a lag of T/3, so that a step is over by 95 % after T. none: the target itself.
    """
    if kind == "none":
        return target
    n = len(target)
    ups = np.broadcast_to(dt_s / np.maximum(up_s, 1e-6), n).tolist()
    downs = np.broadcast_to(dt_s / np.maximum(down_s, 1e-6), n).tolist()
    out: list[float] = []
    u = float(target[0])
    append = out.append
    if kind == "straight":
        for goal, up, down in zip(target.tolist(), ups, downs, strict=True):
            if goal > u:
                u = min(goal, u + up)
            elif goal < u:
                u = max(goal, u - down)
            append(u)
    elif kind == "two-slope":
        for goal, up, down in zip(target.tolist(), ups, downs, strict=True):
            factor = 2.0 if u < 0.5 else 2.0 / 3.0
            if goal > u:
                u = min(goal, u + factor * up)
            elif goal < u:
                u = max(goal, u - factor * down)
            append(u)
    else:
        for goal, up, down in zip(target.tolist(), ups, downs, strict=True):
            rate = 3.0 * (up if goal > u else down)
            u += (goal - u) * min(rate, 1.0)
            append(u)
    return np.array(out)


def law(m: Machine, demand: Value) -> np.ndarray:
    """Share of the current span at that demand: straight, S-shaped or kneed, with the jump above zero command."""
    u = np.asarray(demand, float)
    d = m.driver
    if d.law == "s-shaped":
        v = u - d.bend * np.sin(2 * np.pi * np.clip(u, 0.0, 1.0))
    elif d.law == "kneed":
        v = u + d.bend * np.interp(u, [0.0, 0.5, 1.0], [0.0, 1.0, 0.0])
    else:
        v = u
    return np.where(u > 0.002, d.jump + (1.0 - d.jump) * v, v) if d.jump else v


def available_current_a(m: Machine) -> Value:
    """Largest current that supply, driver, coil and cable allow (A); copper after IEC 60028."""
    c = m.coil
    hot = c.r20_ohm * c.turns * (1 + 0.00393 * (c.winding_degc - 20.0))
    return np.minimum(m.driver.limit_a, (c.supply_v - c.driver_drop_v) / (hot + c.cable_ohm))


def driver_demand(m: Machine, demand: Value) -> np.ndarray:
    """Demand inside the driver: its input takes -2 to 105 % of the range, then its own gain and offset."""
    return np.asarray(m.driver.gain * np.clip(demand, -0.02, 1.05) + m.driver.offset)


def asked_current(m: Machine, ramped: Value) -> np.ndarray:
    """Current that the driver's settings ask for (A) at a demand behind its ramp, with no limit."""
    return np.maximum(m.driver.i_zero_a + law(m, ramped) * (m.driver.i_full_a - m.driver.i_zero_a), 0.0)


def set_current(m: Machine, ramped: Value) -> np.ndarray:
    """Current that the driver puts out at rest (A) at a demand behind its ramp, with all limits."""
    asked = np.minimum(asked_current(m, ramped), available_current_a(m))
    return np.maximum(asked, m.disturbance.current_floor_a)


def static_current(m: Machine, demand: Value) -> np.ndarray:
    """Current at rest (A) at a demand at the driver's input."""
    return set_current(m, driver_demand(m, demand))


def first_order(x: np.ndarray, tau_s: float, dt_s: float) -> np.ndarray:
    """`x` through a first-order lag, exact for input that is straight between grid points; settled at the start."""
    if tau_s < 1e-6:
        return x
    a = np.exp(-dt_s / tau_s)
    ratio = tau_s / dt_s * (1.0 - a)
    b = [1.0 - ratio, ratio - a]
    zi = signal.lfiltic(b, [1.0, -a], [x[0]], [x[0]])
    return signal.lfilter(b, [1.0, -a], x, zi=zi)[0]


def second_order(x: np.ndarray, natural_hz: float, zeta: float, dt_s: float) -> np.ndarray:
    """`x` through a lag with overshoot; settled at the start."""
    w = 2 * np.pi * natural_hz
    b, a, _ = signal.cont2discrete(([w * w], [1.0, 2 * zeta * w, w * w]), dt_s, method="foh")
    b = np.ravel(b)
    zi = signal.lfilter_zi(b, a) * x[0]
    return signal.lfilter(b, a, x, zi=zi)[0]


def dither_a(time_s: np.ndarray, frequency_hz: Value, peak_to_peak_a: Value, phase: float) -> np.ndarray:
    """Dither as a sine."""
    return 0.5 * np.asarray(peak_to_peak_a) * np.sin(2 * np.pi * frequency_hz * time_s + phase)


def pwm_ripple_peak_to_peak_a(
    supply_v: float, resistance_ohm: float, inductance_h: float, frequency_hz: float, duty: float
) -> float:
    """Ripple of a coil (R, L) switched at that duty: (V/R)(1-e^-DT/tau)(1-e^-(1-D)T/tau)/(1-e^-T/tau)."""
    ratio = resistance_ohm / (inductance_h * frequency_hz)
    rise, fall = -np.expm1(-duty * ratio), -np.expm1(-(1 - duty) * ratio)
    return float(supply_v / resistance_ohm * rise * fall / -np.expm1(-ratio))


def duty(m: Machine, current_a: float) -> float:
    """Duty of the switching that holds that current."""
    c = m.coil
    hot = c.r20_ohm * (1 + 0.00393 * (c.winding_degc - 20.0)) + c.cable_ohm
    return float(np.clip(current_a * hot / c.supply_v, 0.05, 0.95))


def switching(m: Machine) -> tuple[float, float, float, float, float]:
    """Supply (V), resistance (ohm), inductance (H), frequency (Hz) and duty of the switching at half of the span."""
    c = m.coil
    hot = c.r20_ohm * (1 + 0.00393 * (c.winding_degc - 20.0))
    return c.supply_v, hot, c.inductance_h, m.driver.pwm_hz, duty(m, 0.5 * (m.driver.i_zero_a + m.driver.i_full_a))


def switching_a(m: Machine) -> float:
    """Switching ripple in the coil (A peak to peak) at half of the span."""
    return pwm_ripple_peak_to_peak_a(*switching(m))


def pwm_ripple_a(
    time_s: np.ndarray, supply_v: float, resistance_ohm: float, inductance_h: float, frequency_hz: float, duty: float
) -> np.ndarray:
    """The steady ripple itself (A), less the mean of its turning points; it rises from each period's start."""
    tau = inductance_h / resistance_ohm
    period = 1.0 / frequency_hz
    top = supply_v / resistance_ohm * -np.expm1(-duty * period / tau) / -np.expm1(-period / tau)
    bottom = top * np.exp(-(1 - duty) * period / tau)
    phase = np.mod(time_s, period)
    full = supply_v / resistance_ohm
    rising = full + (bottom - full) * np.exp(-phase / tau)
    falling = top * np.exp(-(phase - duty * period) / tau)
    return np.where(phase < duty * period, rising, falling) - 0.5 * (top + bottom)
