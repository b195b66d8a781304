"""The smallest standard deviations that a log allows, by the bound of Cramer and Rao (full Fisher matrix).

The model of the current is the true one: current = I0 + (I1 - I0) y, y the ramped demand through a first-order lag;
unknown are I0, I1, both ramp times, the lag and a delay. The noise is the white noise of the reading with its
quantisation, and ripple that stands still in the samples. Noise of the command's reading and hum are not counted, so
a bound is a little lower than what can be reached.
S. M. Kay, Fundamentals of Statistical Signal Processing, 1993, section 3.7 (from memory).

Whoever judges a log is told neither that the driver is straight, nor when between two readings a command stepped, nor
what dither is left in the current. Each of these is one more unknown x that lies within limits, |x| <= L: bends and
a jump within the ranges that drivers are drawn from, each step within the interval of its readings, both parts of a
sine within its amplitude. Of all densities within limits that of a squared cosine has the least Fisher information,
pi^2 / L^2; so by van Trees' inequality no estimator has, for all values within the limits, a mean squared error below
that of the Fisher matrix with pi^2 / L^2 added (A. B. Tsybakov, Introduction to Nonparametric Estimation, 2009,
section 2.7.3, from memory). `told=True` leaves these unknowns out: it is the bound of the straight driver's law.
"""

from __future__ import annotations

import numpy as np
from strangers.driver import first_order, switching_a
from strangers.machine import Machine
from strangers.paper import full_scale
from strangers.ranges import RANGES
from strangers.simulate import Trace

UNSETTLED = 0.004  # of pressure at full: farther from rest is moving
STEP = 0.01  # of the command's span: what changes by more at once is a step


def deviations(columns: np.ndarray, sigma: float) -> np.ndarray:
    """Standard deviation of each parameter, from sensitivities of shape (n, k); NaN where the data cannot show it."""
    return _deviations(columns.T @ columns, sigma)


def _deviations(information: np.ndarray, sigma: float) -> np.ndarray:
    """The same from the information for noise of 1, shape (k, k)."""
    out = np.full(len(information), np.nan)
    scale = np.sqrt(np.maximum(np.diag(information), 0.0))
    use = scale > 1e-9
    if not use.any():
        return out
    values, vectors = np.linalg.eigh(information[np.ix_(use, use)] / np.outer(scale[use], scale[use]))
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


def current_bounds(
    m: Machine, t: Trace, times: np.ndarray, blind: np.ndarray, *, told: bool = False
) -> dict[str, float]:
    """Bounds of both currents and both ramps from the current channel; `blind` rows count nothing.

    `told`: to one who is told the law but for one bend, each step's instant and the ripple.
    """
    tau = m.driver.lag_s + 1.0 / (2 * np.pi * m.logger.low_pass_hz)
    y, slopes = _shape(m, t, tau)
    top = full_scale(m)[1]
    at = _rows(t, times)
    use = np.flatnonzero(~(blind | t.off[at] | t.clipped[at] | (t.current_a[at] > top)))
    sigma = _white(m.logger.current_noise * m.span_a, 1.05 * top, m.logger.bits)
    shares = [1.0 - y, y, *(m.span_a * s for s in slopes)]
    limits = [np.inf] * len(shares)
    if told:
        shares += [t.ramped * (1.0 - t.ramped)] if m.driver.law != "linear" else []
        limits += [np.inf] * (len(shares) - len(limits))
    else:
        bends = _bends(t.ramped)
        shares += [m.span_a * first_order(shape, tau, t.dt_s) for shape, _ in bends]
        limits += [limit for _, limit in bends]
    columns = np.stack(shares, axis=1)[at[use]]
    if not told:
        waves, limit = _dither(m, times[use])
        columns, limits = np.concatenate((columns, waves), axis=1), [*limits, *[limit] * waves.shape[1]]
    information = columns.T @ columns + np.diag((np.pi * sigma / np.array(limits)) ** 2)
    if not told and m.programme.shape == "step":
        information -= _of_instants(m, t, times, use, columns, sigma)
    found = _deviations(information, sigma)
    found[:2] = np.hypot(found[:2], standing_ripple_a(m))
    return dict(zip(("current_at_zero", "current_at_full", "ramp_up", "ramp_down"), found.tolist(), strict=False))


def _bends(demand: np.ndarray) -> list[tuple[np.ndarray, float]]:
    """What a law may add to a straight one, (n,) for a share of 1, and how much of it either way (share of span).

    An S and a knee as deep as the deepest that are drawn; a jump anywhere between none and the largest.
    """
    u, bend, jump = np.clip(demand, 0.0, 1.0), RANGES["bend"].high, RANGES["jump"].high
    knee = np.interp(u, [0.0, 0.5, 1.0], [0.0, 1.0, 0.0])
    return [(np.sin(2 * np.pi * u), bend), (knee, bend), ((u > 0.002) * (1.0 - u), 0.5 * jump)]


def _dither(m: Machine, times: np.ndarray) -> tuple[np.ndarray, float]:
    """Cosine and sine of the dither in the samples, (n, 2), and the limit of each (A); (n, 0) where it stands still.

    Of its frequency nothing is asked. A square within the circle of its amplitude bounds both parts.
    """
    beat_hz = abs(m.driver.dither_hz - m.sampled_hz * round(m.driver.dither_hz / m.sampled_hz))
    amplitude_a = 0.5 * m.driver.dither_pp_a / np.hypot(1.0, m.driver.dither_hz / m.logger.low_pass_hz)
    if amplitude_a <= 0.0 or beat_hz * m.programme.duration_s <= 1.0:
        return np.empty((len(times), 0)), np.inf
    turns = 2 * np.pi * m.driver.dither_hz * times
    return np.stack([np.cos(turns), np.sin(turns)], axis=1), amplitude_a / np.sqrt(2.0)


def _of_instants(
    m: Machine, t: Trace, times: np.ndarray, use: np.ndarray, columns: np.ndarray, sigma: float
) -> np.ndarray:
    """What is lost of the information (k, k) because each step's instant is known to its readings alone.

    The instant moves all rows up to the next step like a delay, the sixth column, and no others: each is taken out by
    itself (Schur complement). A reading between both levels, a share f of the way, dates a straight change of
    unknown length: from that reading on to (1/2 - f) / max(f, 1 - f) of an interval, for the readings on either side
    are on the levels.
    """
    lost = np.zeros((columns.shape[1], columns.shape[1]))
    noise = m.programme.wire_noise * np.sqrt(2.0)
    steps = np.flatnonzero(np.abs(np.diff(t.at_controller)) > STEP + 5.0 * noise)
    edges = [*np.searchsorted(use, np.searchsorted(times, t.time_s[steps])).tolist(), len(use)]
    for step, begin, end in zip(steps.tolist(), edges, edges[1:], strict=False):
        after = min(max(int(np.searchsorted(times, t.time_s[step] + 1e-9)), 1), len(times) - 1)
        within_s = times[after] - times[after - 1]
        share = (times[after] - t.time_s[step]) / t.dt_s
        if share < 1.0 - 1e-6:
            within_s *= abs(0.5 - share) / max(share, 1.0 - share)
        column = columns[begin:end, 5]
        both = columns[begin:end].T @ column
        lost += np.outer(both, both) / (column @ column + (2 * np.pi * sigma / max(within_s, 1e-9)) ** 2)
    return lost


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
    """Bounds of the pressures at the ends and of hysteresis, from rows at rest on the right branch.

    Which branch that is a log shows once the spool has moved, or the current has gone farther than moves one. Before,
    the spool has stood at y(0), anywhere from x - w to x + w of the current's place x: characteristics p(y) and
    p(y + c), with c up to 2 w, and spools at y and y - c give the same readings.
    """
    v, top = m.valve, full_scale(m)[0]
    at = _rows(t, times)
    sigma = _white(m.logger.pressure_noise * top, 1.02 * top, m.logger.bits)
    window = m.paper.oil_window_degc
    warm = (t.oil_degc >= window[0]) & (t.oil_degc <= window[1]) if window else np.ones_like(t.in_control)
    rest = warm & t.in_control & (np.abs(t.target_bar - t.pressure_bar) < UNSETTLED * v.p_full_bar)
    width = np.broadcast_to(t.moving.valve.play_share, t.x.shape)
    travelled = np.maximum.accumulate(t.x) - np.minimum.accumulate(t.x)
    moved = np.maximum.accumulate((np.abs(t.y - t.y[0]) > 1e-9) | (travelled > 2.0 * v.play_share))
    keep = ~(blind | t.off[at]) & (rest & moved)[at] & (t.pressure_bar[at] <= top)
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
