"""What is known of a valve's readings at large: interval, noise, the threshold of a move.

First from its first samples, because nothing can be cut before; and again from the first samples of every later
minute, because those may have been odd: a command that only moved, a converter that happened to stand between two
codes. The middle of the latest estimates counts. Minutes are those of the clock, so that nothing depends on how the
samples are cut.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from asleft.judge.intake.columns import DEMAND, TIME, noise_of
from asleft.judge.types import FloatArray

#: Samples from which the scale is told.
SCALE_SAMPLES = 300
_MINUTE_S = 60.0
_MOST_LOOKS = 15
#: Looks at samples so many times as far apart, or as near, say nothing: the logger's rate was changed.
_OTHER_RATE = 1.5
#: The command's noise is taken as no less (share of full), and a converter's step as no more.
_QUIETEST = 1e-4
LARGEST_STEP = 0.02
#: A command moves when it goes this far (share of full), or eight times its noise.
_LEAST_MOVE, _TIMES_NOISE = 0.006, 8.0


@dataclass(frozen=True, slots=True)
class Scale:
    """Of a valve: sample interval (s), noise of demand, threshold of a move, span (A).

    `looks`: (interval, noise) as told in each of the latest looks; `open_s`, `open_demand`: samples of an open look.
    """

    interval_s: float
    demand_noise: float
    move: float
    span_a: float
    has_current: bool
    outer: bool = False  # a controller outside makes the command: see `sliding`
    looks: tuple[tuple[float, float], ...] = ()
    open_s: tuple[float, ...] = ()
    open_demand: tuple[float, ...] = ()
    minute: float = -math.inf  # of the latest look's beginning

    def looked(self, time_s: FloatArray, demand: FloatArray) -> Scale:
        """With one more look at samples, shape (n,)."""
        now_s = interval_of(time_s)
        alike = [look for look in self.looks if now_s < _OTHER_RATE * look[0] and look[0] < _OTHER_RATE * now_s]
        looks = (*alike[1 - _MOST_LOOKS :], (now_s, noise_of(demand, LARGEST_STEP)))
        interval_s, noise = np.median(looks, axis=0).tolist()
        noise = max(noise, _QUIETEST)
        return replace(
            self,
            interval_s=interval_s,
            demand_noise=noise,
            move=max(_LEAST_MOVE, _TIMES_NOISE * noise),
            looks=looks,
            open_s=(),
            open_demand=(),
            minute=float(time_s[0]) // _MINUTE_S if time_s.size else self.minute,
        )

    def seen(self, columns: FloatArray) -> tuple[Scale, int]:
        """The scale after the first so many of further samples (ROWS, n), and how many those are.

        It ends at the sample that completes a look, or at the last.
        """
        time_s = columns[TIME]
        n = time_s.size
        first = 0
        if not self.open_s:
            first = int(np.searchsorted(time_s, (self.minute + 1.0) * _MINUTE_S)) if math.isfinite(self.minute) else 0
            if first == n:
                return self, n
        good = first + np.flatnonzero(np.isfinite(columns[DEMAND, first:]))[: SCALE_SAMPLES - len(self.open_s)]
        open_s = np.concatenate((self.open_s, time_s[good]))
        open_demand = np.concatenate((self.open_demand, columns[DEMAND, good]))
        if open_s.size < SCALE_SAMPLES:
            return replace(self, open_s=tuple(open_s.tolist()), open_demand=tuple(open_demand.tolist())), n
        return self.looked(open_s, open_demand), int(good[-1]) + 1


def interval_of(time_s: FloatArray) -> float:
    """Median interval between sample times (s); 0.01 where there are fewer than two."""
    return float(np.median(np.diff(time_s))) if time_s.size > 1 else 0.01


def first_scale(columns: FloatArray, span_a: float, *, has_current: bool, outer: bool) -> Scale:
    """The scale from the first samples (ROWS, n)."""
    blank = Scale(0.01, _QUIETEST, _LEAST_MOVE, span_a, has_current, outer)
    first: Sequence[int] = range(min(SCALE_SAMPLES, columns.shape[1]))
    return blank.looked(columns[TIME, first], columns[DEMAND, first])
