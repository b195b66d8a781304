"""General-purpose detectors on the same hours, brought to the same false-alarm rate.

Features are hour means of healthy valves (noise of `drift_noise`, quantities that do not swing) in units of their
own scatter; every detector sees 240 quiet hours first. The judge's sums know the reference from as left; the others
learn it from those hours, as general-purpose detectors do. Thresholds (for ADWIN its confidence) are set by
simulation to one false alarm in 370 hours after that, each detector's other settings by its own documentation:
Page-Hinkley with delta half a sigma, the half of a shift of one; ADWIN checked at every value; ruptures as the best
single break in the last 60 hours by its exact kernel search with the linear kernel, which is least squares in the
mean.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import ruptures
from asleft.judge.drift import QUICK_SHARE, K, advanced
from drift_noise import FloatArray, read_table
from report import Goal
from river.drift import ADWIN, PageHinkley
from runlength_pair import pair_limits

LEARN, WANTED = 240, 370.0
SHIFTS = (0.5, 1.0, 1.5, 2.0, 3.0)
_WINDOW = 60
_LIMITS = pair_limits(K, 2.0 * WANTED, QUICK_SHARE)
_CONFIDENCES = tuple(float(c) for c in np.geomspace(0.02, 0.999, 14))
Detector = Callable[[FloatArray], FloatArray]


class _Recorded(PageHinkley):
    """Page-Hinkley that tells its statistic instead of comparing it."""

    def _test_both(self, test_increase: float, test_decrease: float) -> bool:
        self.larger = max(test_increase, test_decrease)
        return False


def ours(x: FloatArray) -> FloatArray:
    """The judge's sums, as shares of their limits."""
    sums, out = np.zeros(4), np.empty(x.size)
    for k, value in enumerate(x):
        if k == LEARN:
            sums = np.zeros(4)
        sums = advanced(sums, float(value), 0.0, 1.0)
        out[k] = max((sums[[0, 2]] / _LIMITS[0]).max(), (sums[[1, 3]] / _LIMITS[1]).max())
    return out


def page_hinkley(x: FloatArray) -> FloatArray:
    """Statistic of river's Page-Hinkley test."""
    test, out = _Recorded(delta=0.5, mode="both"), np.zeros(x.size)
    for k, value in enumerate(x):
        test.larger = 0.0
        test.update(float(value))
        out[k] = test.larger
    return out


def adwin(x: FloatArray) -> FloatArray:
    """Largest of the tried strictnesses (1 - confidence parameter) at which river's ADWIN reports a change."""
    out = np.zeros(x.size)
    for delta in _CONFIDENCES:
        test = ADWIN(delta=delta, clock=1)
        for k, value in enumerate(x):
            test.update(float(value))
            if test.drift_detected and k >= LEARN:
                out[k] = max(out[k], 1.0 - delta)
    return out


def best_break(x: FloatArray) -> FloatArray:
    """Drop in squares by the best single break of the last 60 hours, found by ruptures."""
    out = np.zeros(x.size)
    for k in range(LEARN, x.size):
        window = x[k + 1 - _WINDOW : k + 1]
        at = ruptures.KernelCPD(kernel="linear", min_size=2).fit(window.reshape(-1, 1)).predict(n_bkps=1)[0]
        before, after = window[:at], window[at:]
        out[k] = before.size * after.size / _WINDOW * (after.mean() - before.mean()) ** 2
    return out


DETECTORS: dict[str, Detector] = {
    "ours": ours,
    "river Page-Hinkley": page_hinkley,
    "river ADWIN": adwin,
    "ruptures, best break": best_break,
}


def features(runs: int, hours: int, seed: int) -> FloatArray:
    """Standardised hour means (runs, hours), each run of one valve and quantity."""
    rows = [row for row in read_table() if not row.days]
    rng = np.random.default_rng(seed)
    out = np.empty((runs, hours))
    for k in range(runs):
        pool = np.array(rows[rng.integers(len(rows))].points)
        pool = (pool - pool.mean()) / pool.std()
        out[k] = pool[rng.integers(0, pool.size, (hours, 6))].sum(axis=1) / np.sqrt(6.0)
    return out


def first_beyond(stat: FloatArray, threshold: float) -> int | None:
    """Hours after the quiet ones until the statistic exceeds the threshold."""
    beyond = np.flatnonzero(stat[LEARN:] > threshold)
    return int(beyond[0]) + 1 if beyond.size else None


def threshold_of(stats: list[FloatArray]) -> tuple[float, float]:
    """Threshold nearest to the wanted run length, and the run length it has (exposure over alarms)."""
    highest = np.sort([stat[LEARN:].max() for stat in stats])
    tried = []
    for threshold in np.unique(highest):
        firsts = [first_beyond(stat, float(threshold)) for stat in stats]
        alarms = sum(f is not None for f in firsts)
        exposure = sum(f if f is not None else stats[0].size - LEARN for f in firsts)
        if alarms:
            tried.append((abs(np.log(exposure / alarms / WANTED)), float(threshold), exposure / alarms))
    return min(tried)[1:]


def table(full: bool) -> tuple[list[str], list[Goal]]:
    """Lines and goals."""
    runs, horizon = (200, 1500) if full else (3, 200)
    quiet = features(runs, LEARN + horizon, 21)
    lines = [
        f"general-purpose detectors on the same hours, one false alarm in {WANTED:g} hours, {runs} runs each",
        f"  {'mean delay (h) at shift':24s}" + "".join(f"{s:8.1f}" for s in SHIFTS) + "   run length in control",
    ]
    delays: dict[str, list[float]] = {}
    for name, detector in DETECTORS.items():
        threshold, length = threshold_of([detector(x) for x in quiet])
        own = []
        for shift in SHIFTS:
            x = features(runs, LEARN + 200, 22)
            x[:, LEARN:] += shift * np.where(np.arange(runs) % 2, 1.0, -1.0)[:, None]
            found = [first_beyond(detector(row), threshold) for row in x]
            own.append(float(np.mean([200 if f is None else f for f in found])))
        delays[name] = own
        lines.append(f"  {name:24s}" + "".join(f"{d:8.1f}" for d in own) + f"{length:21.0f}")
    best = np.min(list(delays.values()), axis=0)
    worst = {name: float(np.max(np.array(own) / best)) for name, own in delays.items()}
    lines += [f"  {name}: at its worst shift {ratio:.2f} x the quickest there" for name, ratio in worst.items()]
    for shift, *column in zip(SHIFTS, *delays.values(), strict=True):
        quicker = [f"{name} ({d:.1f} h)" for name, d in zip(delays, column, strict=True) if d < column[0]]
        if quicker:
            lines.append(f"  quicker than ours ({column[0]:.1f} h) at {shift:g} sigma: {', '.join(quicker)}")
    others = min(ratio for name, ratio in worst.items() if name != "ours")
    goal = Goal("drift: worst delay over the quickest's, ours over the best of the others", worst["ours"] / others,
                at_most=1.0)  # fmt: skip
    return [*lines, ""], [goal]
