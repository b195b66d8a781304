"""Two first-order lags in a row one by one, as a reference for the closed form that the judge uses."""

from __future__ import annotations

import numpy as np
from asleft.judge.ramp_fit.response import Limited


def one_lag(path: Limited, tau_s: float, at_s: np.ndarray) -> np.ndarray:
    """First-order lag of a limited path, settled at its start, at `at_s` (n,).

    A lag tau driven by r(t) = r0 + s t answers y(t) = r(t) - s tau + (y0 - r0 + s tau) exp(-t / tau) (elementary).
    Before the path it is the first value, after it the lag settles on the last one.
    """
    t, r = np.array(path.time_s), np.array(path.value)
    dt = np.diff(t)
    slope = np.append(np.where(dt > 1e-12, np.diff(r) / np.where(dt > 1e-12, dt, 1.0), 0.0), 0.0)
    at_vertex = [r[0]]
    for k, keep in enumerate(np.exp(-dt / tau_s)):
        steady = slope[k] * tau_s
        at_vertex.append(r[k + 1] - steady + (at_vertex[-1] - r[k] + steady) * keep)
    k = np.clip(np.searchsorted(t, at_s, side="right") - 1, 0, t.size - 1)
    since, steady = np.maximum(at_s - t[k], 0.0), slope[k] * tau_s
    out = r[k] + slope[k] * since - steady + (np.array(at_vertex)[k] - r[k] + steady) * np.exp(-since / tau_s)
    return np.where(at_s < t[0], r[0], out)


def two_lags(path: Limited, tau_s: tuple[float, float], at_s: np.ndarray) -> np.ndarray:
    """Both in a row by partial fractions: (tau1 y1 - tau2 y2) / (tau1 - tau2)."""
    first, second = (one_lag(path, tau, at_s) for tau in tau_s)
    return (tau_s[0] * first - tau_s[1] * second) / (tau_s[0] - tau_s[1])
