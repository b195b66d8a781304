"""Levels at which the command rests, each told as soon as three tenths of a second agree.

Samples are averaged over tenths of a second of absolute time; a level begins where three averages in a row differ by
less than 0.6 % of the range. A tenth counts once a sample of a later one has come, so that what is found does not
depend on how the samples are cut. Cheap: a tenth of the samples are looked at, and only beginnings leave this module.

Misses: rests shorter than 0.3 s; levels of a command that is never constant (a loop closed outside, noise over 0.5 %
of the range after averaging); the end of a ramp slower than 33 s over the range, which looks like one long level.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from asleft.judge.types import FloatArray

_TENTH_S = 0.1
_EQUAL = 0.006
#: Three averages in a row may lie this many tenths apart: slow sampling leaves some empty.
_APART = 5


@dataclass(frozen=True, slots=True)
class LevelsCarry:
    """The open tenth's samples and the two averages before it (number of the tenth, mean demand)."""

    open_s: tuple[float, ...] = ()
    open_demand: tuple[float, ...] = ()
    before: tuple[tuple[float, float], ...] = ()
    flat: bool = False  # whether the last average belongs to a level


def levels(
    time_s: FloatArray, demand: FloatArray, carry: LevelsCarry
) -> tuple[Sequence[tuple[float, float]], LevelsCarry]:
    """Levels that have begun: (time from which each is known, mean demand), and the carry for the next call.

    `time_s`, `demand` of shape (n,), NaN where the command was not read. A level that is interrupted is told again.
    """
    good = np.isfinite(demand)
    if not good.all():
        time_s, demand = time_s[good], demand[good]
    if time_s.size == 0:
        return (), carry
    time_s = np.concatenate((carry.open_s, time_s))
    demand = np.concatenate((carry.open_demand, demand))
    number = np.floor(time_s / _TENTH_S)
    starts = np.concatenate(([0], np.flatnonzero(np.diff(number)) + 1))
    last = int(starts[-1])
    still_open = (tuple(time_s[last:].tolist()), tuple(demand[last:].tolist()))
    if last == 0:
        return (), LevelsCarry(*still_open, carry.before, carry.flat)
    sums = np.add.reduceat(demand[:last], starts[:-1])
    means = np.concatenate(([u for _, u in carry.before], sums / np.diff(starts)))
    numbers = np.concatenate(([k for k, _ in carry.before], number[starts[:-1]]))
    known = len(carry.before)
    flat = np.zeros(means.size, dtype=bool)
    close = np.abs(np.diff(means)) < _EQUAL
    flat[2:] = close[1:] & close[:-1] & (np.abs(means[2:] - means[:-2]) < _EQUAL)
    flat[2:] &= numbers[2:] - numbers[:-2] <= _APART
    fresh = flat[known:]
    begins = np.flatnonzero(fresh & ~np.concatenate(([carry.flat], fresh[:-1])))
    found = [((float(numbers[known + k]) + 1.0) * _TENTH_S, float(means[known + k])) for k in begins.tolist()]
    before = tuple(zip(numbers[-2:].tolist(), means[-2:].tolist(), strict=True))
    return found, LevelsCarry(*still_open, before, bool(flat[-1]))
