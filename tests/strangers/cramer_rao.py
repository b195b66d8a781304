"""The smallest standard deviations that a log allows, by the bound of Cramer and Rao (full Fisher matrix).

The model of the current is the true one: current = I0 + (I1 - I0) y, y the ramped demand through a first-order lag;
unknown are I0, I1, both ramp times, the lag, a delay and, for a bent driver, a bend u (1 - u). The noise is the white
noise of the reading with its quantisation, and ripple that stands still in the samples. Noise of the command's
reading, hum and ripple that beats are not counted, so a bound is a little lower than what can be reached.
S. M. Kay, Fundamentals of Statistical Signal Processing, 1993, section 3.7 (from memory).
"""

from __future__ import annotations

import numpy as np
from strangers.driver import first_order, switching_a
from strangers.machine import Machine
from strangers.paper import full_scale
from strangers.simulate import Trace

UNSETTLED = 0.004  # of pressure at full: farther from rest is moving


def deviations(columns: np.ndarray, sigma: float) -> np.ndarray:
    """Standard deviation of each parameter, from sensitivities of shape (n, k); NaN where the data cannot show it."""
    out = np.full(columns.shape[1], np.nan)
    scale = np.linalg.norm(columns, axis=0)
    use = scale > 1e-9
    if not use.any():
        return out
    j = columns[:, use] / scale[use]
    values, vectors = np.linalg.eigh(j.T @ j)
    weak = values < 1e-10
    hidden = (vectors[:, weak] ** 2).sum(axis=1) > 1e-4
    variance = (vectors[:, ~weak] ** 2 / values[~weak]).sum(axis=1)
    found = sigma * np.sqrt(variance) / scale[use]
    out[use] = np.where(hidden, np.nan, found)
    return out


def ramp_sensitivity(ramped: np.ndarray, goal: np.ndarray, up: bool, time_s: float) -> np.ndarray:
    """Derivative of the ramped demand with respect to the ramp time, shape (n,).

    While the ramp limits, each step of the demand shrinks by du/T; where the demand has arrived it is zero again.
    """
    step = np.diff(ramped, prepend=ramped[0])
    limited = np.abs(ramped - goal) > 1e-9
    steps = np.where(limited & (step > 0 if up else step < 0), -step / time_s, 0.0)
    total = np.cumsum(steps)
    index = np.where(limited, 0, np.arange(len(ramped)))
    return total - total[np.maximum.accumulate(index)]


def _white(noise: float, full_scale_value: float, bits: int) -> float:
    return float(np.hypot(noise, full_scale_value / 2**bits / np.sqrt(12.0)))


def _rows(t: Trace, times: np.ndarray) -> np.ndarray:
    return np.clip(np.round(times / t.dt_s).astype(int), 0, len(t.time_s) - 1)


def _shape(m: Machine, t: Trace, tau_s: float) -> tuple[np.ndarray, list[np.ndarray]]:
    """The lagged share y, and its derivatives by ramp up, ramp down, lag and delay; on the grid."""
    goal = m.driver.gain * np.clip(t.at_driver, -0.02, 1.05) + m.driver.offset
    y = first_order(t.share, tau_s, t.dt_s)
    columns = []
    for up, time_s in ((True, m.driver.ramp_up_s), (False, m.driver.ramp_down_s)):
        if time_s <= 0 or m.driver.ramp != "straight":
            columns.append(np.zeros_like(y))
        else:
            columns.append(first_order(ramp_sensitivity(t.ramped, goal, up, time_s), tau_s, t.dt_s))
    rate = np.gradient(y, t.dt_s)
    return y, [*columns, -first_order(rate, tau_s, t.dt_s), -rate]


def current_bounds(m: Machine, t: Trace, times: np.ndarray, blind: np.ndarray) -> dict[str, float]:
    """Bounds of both currents and both ramps from the current channel; `blind` rows count nothing."""
    tau = m.driver.lag_s + 1.0 / (2 * np.pi * m.logger.low_pass_hz)
    y, slopes = _shape(m, t, tau)
    top = full_scale(m)[1]
    at = _rows(t, times)
    use = at[~(blind | t.off[at] | t.clipped[at] | (t.current_a[at] > top))]
    bend = [t.ramped * (1.0 - t.ramped)] if m.driver.law != "linear" else []
    columns = np.stack([1.0 - y, y, *(m.span_a * s for s in slopes), *bend], axis=1)[use]
    sigma = _white(m.logger.current_noise * m.span_a, 1.05 * top, m.logger.bits)
    found = deviations(columns, sigma)
    found[:2] = np.hypot(found[:2], standing_ripple_a(m))
    return dict(zip(("current_at_zero", "current_at_full", "ramp_up", "ramp_down"), found.tolist(), strict=False))


def standing_ripple_a(m: Machine) -> float:
    """Offset (A, root mean square over the unknown phase) of ripple whose alias beats slower than the log is long."""
    if m.logger.irregular or m.logger.jitter:
        return 0.0
    total = 0.0
    for frequency_hz, peak_to_peak_a in (
        (m.driver.dither_hz, m.driver.dither_pp_a),
        (m.driver.pwm_hz, switching_a(m)),
    ):
        beat_hz = abs(frequency_hz - m.sampled_hz * round(frequency_hz / m.sampled_hz))
        if beat_hz * m.programme.duration_s <= 1.0:
            total += peak_to_peak_a**2 / 8.0 / (1.0 + (frequency_hz / m.logger.low_pass_hz) ** 2)
    return float(np.sqrt(total))


def pressure_ramp_bounds(m: Machine, t: Trace, times: np.ndarray, blind: np.ndarray) -> dict[str, float]:
    """Bounds of both ramps from the pressure alone, where the valve is in control; bent once, unknown."""
    v = m.valve
    tau = m.driver.lag_s + v.settling_s + v.neighbour_s + 1.0 / (2 * np.pi * m.logger.low_pass_hz)
    y, slopes = _shape(m, t, tau)
    at = _rows(t, times)
    use = at[~(blind | t.off[at] | ~t.in_control[at])]
    p_span = v.p_full_bar - v.p_zero_bar
    columns = np.stack([1.0 - y, y, *(p_span * s for s in slopes), y * (1.0 - y)], axis=1)[use]
    top = full_scale(m)[0]
    sigma = _white(m.logger.pressure_noise * top, 1.02 * top, m.logger.bits)
    return dict(zip(("ramp_up", "ramp_down"), deviations(columns, sigma)[2:4].tolist(), strict=True))


def pressure_bounds(m: Machine, t: Trace, times: np.ndarray, blind: np.ndarray) -> dict[str, float]:
    """Bounds of the pressures at the ends and of hysteresis, from rows at rest on the right branch."""
    v, top = m.valve, full_scale(m)[0]
    at = _rows(t, times)
    sigma = _white(m.logger.pressure_noise * top, 1.02 * top, m.logger.bits)
    window = m.paper.oil_window_degc
    warm = (t.oil_degc >= window[0]) & (t.oil_degc <= window[1]) if window else np.ones_like(t.in_control)
    rest = warm & t.in_control & (np.abs(t.target_bar - t.pressure_bar) < UNSETTLED * v.p_full_bar)
    width = np.broadcast_to(t.moving.valve.play_share, t.x.shape)
    keep = ~(blind | t.off[at]) & rest[at] & (t.pressure_bar[at] <= top)
    branch = {"rising": keep & ((t.x - t.y) > 0.98 * width)[at], "falling": keep & ((t.y - t.x) > 0.98 * width)[at]}
    found = {}
    for name, side, end in (("pressure_at_zero", "falling", 0.0), ("pressure_at_full", "rising", 1.0)):
        u = t.ramped[at[branch[side]]] - end
        near = len(u) > 0 and np.abs(u).min() <= 0.1
        columns = np.stack([np.ones_like(u), np.where(np.abs(u) < 0.002, 0.0, u), u * u], axis=1)
        found[name] = float(deviations(columns, sigma)[0]) if near else np.nan
    found["hysteresis"] = _hysteresis(m, t, at, branch, sigma)
    return found


def _hysteresis(m: Machine, t: Trace, at: np.ndarray, branch: dict[str, np.ndarray], sigma: float) -> float:
    """Bound of the loop's width, % of span: levels visited at rest from both sides, in bins of 5 % of span."""
    u = t.ramped[at]
    if not len(u) or u.min() > 0.1 or u.max() < 0.9:
        return np.nan
    bins = np.clip((u * 20).astype(int), 0, 19)
    counts = [np.bincount(bins[branch[side]], minlength=20) for side in ("rising", "falling")]
    both = (counts[0] > 0) & (counts[1] > 0)
    both[[0, -1]] = False  # the branches meet at the ends
    if not both.any():
        return np.nan
    slope = m.valve.p_full_bar - m.valve.p_zero_bar  # bar for the whole span, to first order
    variance = (1.0 / counts[0][both] + 1.0 / counts[1][both]) * (100.0 * sigma / slope) ** 2
    return float(1.0 / np.sqrt((1.0 / variance).sum()))


def dither_bounds(m: Machine, t: Trace, burst: dict[str, np.ndarray]) -> dict[str, float]:
    """Bounds of frequency and peak-to-peak amplitude of a sine in white noise (Rife and Boorstyn 1974).

    The burst is the log's last second. A dither that a fault has taken away by then has no frequency: its bound goes
    with one over the amplitude.
    """
    n, dt = len(burst["time"]), float(burst["time"][1] - burst["time"][0])
    sigma, amplitude = m.span_a * m.logger.current_noise, 0.5 * float(np.ravel(t.moving.driver.dither_pp_a)[-1])
    found = {"dither_amplitude": float(2.0 * sigma * np.sqrt(2.0 / n))}
    if amplitude > 0.0:
        frequency = np.sqrt(12.0 * sigma**2 * 2.0 / amplitude**2 / (n * (n * n - 1.0))) / (2 * np.pi * dt)
        found["dither_frequency"] = float(frequency)
    return found
