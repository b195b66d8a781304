"""Dither that beats slowly with the sampling: a sine in the means of dwells, found over all of them and taken off.

Sampled nearly once a period, or once in so many, dither looks like a sine of some thousandths to one hertz. A dwell
is too short to show it as a tone, and its mean is off by up to the sine's amplitude. Over all dwells it is one sine
of one frequency, amplitude A and phase. With d the length of a dwell and t its middle, its mean is off by

    A sinc(f d) cos(2 pi f t + phase),   sinc x = sin(pi x) / (pi x),

and what a level's dwells differ by shows it (least squares at every frequency: the periodogram of Lomb, Astrophysics
and Space Science 39, 1976, with a mean for each level, from memory). It is believed where it explains nine tenths of
what dwells of one level differ by, eight tenths in either half of the time (a current that creeps in one of them is
no beat), and more than chance would at any of the frequencies tried.

Missed: a sine of under two periods in the readings (as a current that creeps), and two sines at once.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from asleft.judge.driver.currents import grouped
from asleft.judge.features import Dwell
from asleft.judge.types import FloatArray

#: Dwells from which it is looked for, and how far they differ (share of the span, standard deviation).
_FEWEST, _DIFFER = 30, 3e-4
#: The largest amplitude of dither, share of the span: of 15 % peak to peak (common practice).
_MOST_DITHER = 0.075
#: Periods that there must be; the fastest (Hz); frequencies tried for each that can be told apart, and in all.
_PERIODS, _FASTEST_HZ, _FINE, _MOST = 2.0, 1.2, 2.0, 6000
#: Share of the squares that may be left, and the chance of that among all frequencies.
_LEFT, _BY_CHANCE = 0.1, 1e-4


@dataclass(frozen=True, slots=True)
class Beat:
    """Dwells without the sine, and its amplitude (A); 0: none was found."""

    dwells: list[Dwell]
    amplitude_a: float = 0.0


def without_beat(dwells: Sequence[Dwell], span_a: float, interval_s: float) -> Beat:
    """Take the beat off the currents of dwells."""
    plain = Beat(list(dwells))
    if len(dwells) < _FEWEST:
        return plain
    groups = grouped(dwells)
    dwells = [dwell for group in groups for dwell in group]
    rows = np.array([(d.from_s, d.to_s, d.demand, d.current_a) for d in dwells])
    alike = np.repeat(np.eye(len(groups)), [len(group) for group in groups], axis=0)
    alike /= np.sqrt(alike.sum(axis=0))
    demand_off, off = (_apart(column, alike) for column in (rows[:, 2], rows[:, 3]))
    off = off - span_a * demand_off
    squares, freedom = float(off @ off), len(dwells) - alike.shape[1] - 3
    if freedom < 2 or squares < len(dwells) * (_DIFFER * span_a) ** 2:
        return plain
    middle_s, length_s = rows[:, :2].mean(axis=1), rows[:, 1] - rows[:, 0] + interval_s
    middle_s -= middle_s.mean()
    long_s = float(rows[:, 1].max() - rows[:, 0].min())
    step_hz = 1.0 / (_FINE * long_s)
    tried = np.arange(_PERIODS / long_s, _FASTEST_HZ, step_hz)[:_MOST]
    if not tried.size:
        return plain
    left = _left(tried, middle_s, length_s, off, alike)
    best_hz = float(tried[np.argmin(left)])
    near = best_hz + step_hz * np.linspace(-1.0, 1.0, 41)
    near_left = _left(near, middle_s, length_s, off, alike)
    share = float(near_left.min()) / squares
    if share > _LEFT or 0.5 * freedom * math.log(share) + math.log(tried.size) > math.log(_BY_CHANCE):
        return plain
    wave = _waves(near[[int(np.argmin(near_left))]], middle_s, length_s)[:, 0]
    seen = _apart(wave.T, alike)
    parts = np.linalg.lstsq(seen, off, rcond=None)[0]
    rest = off - seen @ parts
    if float(np.hypot(*parts)) > _MOST_DITHER * span_a:
        return plain
    for half in (middle_s < 0.0, middle_s >= 0.0):
        if float(rest[half] @ rest[half]) > 2.0 * _LEFT * float(off[half] @ off[half]):
            return plain
    beside_a, sd_a = parts @ wave, math.sqrt(share * squares / freedom)
    kept = [
        d._replace(current_a=d.current_a - more, current_se_a=min(d.current_se_a, sd_a))
        for d, more in zip(dwells, beside_a.tolist(), strict=True)
    ]
    return Beat(sorted(kept, key=lambda d: d.from_s), float(np.hypot(*parts)))


def _apart(values: FloatArray, alike: FloatArray) -> FloatArray:
    """Values (n,) or columns (n, m) less their mean over the rows of one level."""
    out: FloatArray = values - alike @ (alike.T @ values)
    return out


def _waves(frequency_hz: FloatArray, middle_s: FloatArray, length_s: FloatArray) -> FloatArray:
    """Means of a cosine and a sine over dwells, (2, m, n) for m frequencies."""
    turns = 2.0 * np.pi * np.outer(frequency_hz, middle_s)
    return np.asarray(np.sinc(np.outer(frequency_hz, length_s)) * np.stack((np.cos(turns), np.sin(turns))))


def _left(
    frequency_hz: FloatArray, middle_s: FloatArray, length_s: FloatArray, off: FloatArray, alike: FloatArray
) -> FloatArray:
    """Squares of `off` that are left beside a sine of each frequency, (m,)."""
    wave = _waves(frequency_hz, middle_s, length_s)
    wave = wave - (wave @ alike) @ alike.T
    cc, cs, ss = ((wave[j] * wave[k]).sum(axis=1) for j, k in ((0, 0), (0, 1), (1, 1)))
    c, s = wave @ off
    explained = (ss * c**2 - 2.0 * cs * c * s + cc * s**2) / np.maximum(cc * ss - cs**2, 1e-12 * cc * ss + 1e-300)
    out: FloatArray = off @ off - explained
    return out
