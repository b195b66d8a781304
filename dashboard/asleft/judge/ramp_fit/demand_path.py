"""The command as the driver sees it: where it moves, when it stepped, and as a path of few vertices."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from asleft.judge.medians import level_of, mean_of, median_of
from asleft.judge.noise import driver_demand
from asleft.judge.types import FloatArray

# When a sampled command stepped, to a fraction of a sample where the reading's own filter tells.
#
# Behind a first-order filter of time constant tau what is still missing of a step falls as e^(-t/tau): two readings
# after the step show tau, and with tau known one reading dates the step. The filter is learnt from the steps
# themselves, by regression of each second reading on the first; how well that holds together (a filter of another
# kind does not) widens the stated standard deviation. Without a filter that shows, a step is known to one sample
# interval.
#
# Dates are those of the step plus tau, as the sum over what was missing gives them without knowing the filter: a
# constant delay, which the fit of a stroke leaves open.

_STEP_LASTS_S = 0.08  # a step is over within this, its filter's tail included
_MOST_TAIL = 6  # readings after a step that are looked at
#: A filter is used when this many standard errors away from none, and from so many steps on.
_SURE = 6.0
_FEWEST = 1.5  # two, the first of them a little forgotten
#: Weight that earlier steps keep at each new one.
_KEPT = 0.998
#: No step is dated better than this share of a sample interval: clocks and filters are not ideal.
_FINEST = 0.005


@dataclass(frozen=True, slots=True)
class CommandFilter:
    """What steps have shown of the command reading's filter: sums over steps, weighted by (step / noise)^2.

    `first`, `cross`, `second`: of the first reading's missing share squared, first times second, second squared.
    """

    first: float = 0.0
    cross: float = 0.0
    second: float = 0.0
    steps: float = 0.0

    def updated(self, missing: FloatArray, weight: float) -> CommandFilter:
        """With the shares (k,) still missing in the readings after one more step, of noise variance 1 / `weight`."""
        if missing.size < 2:
            return self
        one, two = float(missing[0]), float(missing[1])
        return CommandFilter(
            _KEPT * self.first + weight * one * one - 1.0,
            _KEPT * self.cross + weight * one * two,
            _KEPT * self.second + weight * two * two,
            _KEPT * self.steps + 1.0,
        )

    def keep(self) -> float | None:
        """Share still missing one sample later, or None while no filter shows."""
        if self.steps < _FEWEST or self.first <= 0.0:
            return None
        q = self.cross / self.first
        return q if 0.01 < q < 0.95 and q * math.sqrt(self.first) > _SURE * self.misfit() else None

    def misfit(self) -> float:
        """How much less alike the steps are than noise makes them, at least 1."""
        q = self.cross / self.first if self.first > 0.0 else 0.0
        left = self.second - 2.0 * q * self.cross + q * q * (self.first + self.steps)
        return math.sqrt(max(left / max(self.steps - 1.0, 1.0) / (1.0 + q * q), 1.0))


@dataclass(eq=False, slots=True)
class Dating:
    """Dates the steps of one stroke with what is known of the filter, and gathers what they tell of it."""

    known: CommandFilter
    interval_s: float
    noise: float  # of one reading of demand
    wire_sd: float = 0.0  # of the demand that the driver gets and clips to its range
    variances_s2: list[float] = field(default_factory=list)
    tails: list[tuple[FloatArray, float]] = field(default_factory=list)

    def date(
        self, time_s: FloatArray, demand: FloatArray, a: int, b: int, levels: tuple[float, float], near: float
    ) -> float | None:
        """When the command stepped from the first to the second of `levels` in the move [a, b), or None.

        None if it did not go there in one step. `near`: how close to a level counts as on it.
        """
        change = levels[1] - levels[0]
        if change == 0.0:  # both beyond one end of the range
            return None
        rough = step_time(time_s, demand, a, b, levels[1], near)
        if rough is None:
            return None
        variance = self.interval_s**2 / 12.0
        last = min(a + _MOST_TAIL, b)
        missing = (levels[1] - demand[a - 1 : last]) / change
        even = bool(np.all(np.abs(np.diff(time_s[a - 1 : last]) - self.interval_s) < 0.1 * self.interval_s))
        if even:
            noise = self.noise / abs(change)
            self.tails.append((missing[1:], 1.0 / noise**2))
            found = self._by_filter(missing, time_s[a - 1 : last], self.taught(), noise)
            if found is not None:
                rough, variance = found
        self.variances_s2.append(variance)
        return rough

    def _by_filter(
        self, missing: FloatArray, time_s: FloatArray, known: CommandFilter, noise: float
    ) -> tuple[float, float] | None:
        """Date and variance from a tail e^(-t/tau) fitted to the readings after the step; None if it does not fit.

        The move was noticed at reading 1; reading 0 may lie just behind the step too. This step counts in what is
        known of the filter: of the first ones it tells as much as those before.
        """
        q = known.keep()
        if q is None:
            return None
        tau_s = -self.interval_s / math.log(q)
        for first in (1, 0):
            tail = missing[first:]
            fall = q ** np.arange(tail.size)
            power = float(fall @ fall)
            start = float(tail @ fall) / power
            sd = noise * known.misfit() / math.sqrt(power)
            if start > q - 4.0 * sd or first == 0:
                break
        if not q - 5.0 * sd < start < 1.0 + 5.0 * sd or start < 4.0 * sd:
            return None
        start = min(max(start, q), 1.0)
        at_s = float(time_s[first]) + tau_s * math.log(start)
        return at_s + tau_s, max(tau_s * sd / start, _FINEST * self.interval_s) ** 2

    def interval_equivalent_s(self) -> float:
        """The sample interval that would leave as much timing error: sqrt 12 times the worst standard deviation."""
        return math.sqrt(12.0 * max(self.variances_s2, default=self.interval_s**2 / 12.0))

    def taught(self) -> CommandFilter:
        """The filter as known with what this stroke's steps told."""
        known = self.known
        for missing, weight in self.tails:
            known = known.updated(missing, weight)
        return known


def step_time(time_s: FloatArray, demand: FloatArray, a: int, b: int, following: float, near: float) -> float | None:
    """When the command stepped to `following` in the move [a, b), or None if it did not go there in one step.

    The sum over what was still missing, sample by sample: right to a fraction of an interval where the reading's
    filter spreads the step over a few samples, and the middle of the interval where it does not. The driver sees the
    step itself; a path through the samples would soften its beginning and lengthen short ramps by about 1 %.
    """
    before = float(demand[a - 1])
    off = np.flatnonzero(np.abs(demand[a:b] - following) > near)
    end = a + (int(off[-1]) + 1 if off.size else 0)
    if end >= b:
        return None
    took_s = float(time_s[end] - time_s[a - 1])
    if took_s > _STEP_LASTS_S and took_s > 1.5 * median_of(np.diff(time_s)):
        return None
    if following == before:
        return None
    share = (demand[a - 1 : end + 1] - before) / (following - before)
    if share.min() < -0.1 or share.max() > 1.1:
        return None
    share[-1] = 1.0
    missing = 1.0 - 0.5 * (share[1:] + share[:-1])
    return float(time_s[a - 1] + missing @ np.diff(time_s[a - 1 : end + 1]))


#: A small step between two rests: readings on either side of it, how far apart they are and how much they scatter at
#: the most (standard deviations of one reading), and how much it explains (chi-square).
_FEWEST_ON_LEVEL, _STANDS_OUT, _AT_REST, _SURE_STEP = 20, 3.0, 1.4, 60.0
#: Share of it that comes at once, told by so many readings on either side.
_AT_ONCE, _BESIDE = 0.7, 5
_STEP_S = 1e-6
_LEFT = 2.0  # standard deviations of a reading: further from its level it has left it


def moving(demand: FloatArray, window: int, threshold: float) -> npt.NDArray[np.bool_]:
    """Where the range of the last `window` samples exceeds `threshold`, shape (n,)."""
    if demand.size < 2:
        return np.zeros(demand.size, dtype=bool)
    highest = lowest = np.concatenate((np.full(window - 1, demand[0]), demand))
    covered = 1  # samples that each extreme looks back over; doubling, then the rest
    while covered < window:
        more = min(covered, window - covered)
        highest = np.maximum(highest[more:], highest[:-more])
        lowest = np.minimum(lowest[more:], lowest[:-more])
        covered += more
    result: npt.NDArray[np.bool_] = (highest - lowest) > threshold
    return result


def demand_path(
    time_s: FloatArray,
    demand: FloatArray,
    flags: npt.NDArray[np.bool_],
    move: float,
    noise: float,
    dating: Dating | None = None,
) -> tuple[list[float], list[float]]:
    """The command as a path: a constant (its mean) where it rests, a jump where it steps, else its own samples.

    Samples at the end of a move that already lie on the next level are dropped: fewer vertices, less noise. Beyond
    the ends of its range the driver sees the end, and so does the path. `dating` dates steps with what is known of
    the reading's filter; without it the sum over what was missing does.
    """
    edges = [0, *(np.flatnonzero(np.diff(flags)) + 1).tolist(), flags.size]
    runs = list(itertools.pairwise(edges))
    path_t: list[float] = []
    path_u: list[float] = []
    near = max(0.5 * move, 4.0 * noise)

    def acting(a: int, b: int) -> float:
        return driver_demand(level_of(demand[a:b]), dating.wire_sd if dating is not None else 0.0)

    for number, (a, b) in enumerate(runs):
        if not flags[a]:
            first, *later = [a, *(a + k for k in small_steps(demand[a:b], noise))]
            path_t.append(float(time_s[first]))
            path_u.append(acting(first, later[0] if later else b))
            for begin, end in itertools.pairwise([*later, b]):
                _step_to(path_t, path_u, 0.5 * float(time_s[begin - 1] + time_s[begin]), acting(begin, end))
            path_t.append(float(time_s[b - 1]))
            path_u.append(path_u[-1])
            continue
        following = acting(*runs[number + 1]) if number + 1 < len(runs) else None
        if number > 0 and following is not None:
            if dating is not None:
                at_s = dating.date(time_s, demand, a, b, (path_u[-1], following), near)
            else:
                at_s = step_time(time_s, demand, a, b, following, near)
            if at_s is not None:
                _step_to(path_t, path_u, at_s, following)
                continue
        stop = b if following is None else _reached(demand, a, b, following, near)
        if number > 0:
            a = _left_at(demand, runs[number - 1][0], a, path_u[-1], noise)
            path_t[-1] = float(time_s[a - 1])
        path_t += [float(x) for x in time_s[a:stop]]
        path_u += np.clip(demand[a:stop], 0.0, 1.0).tolist()
        if following is not None and stop < b:
            path_t.append(float(time_s[stop]))
            path_u.append(following)
    newest = itertools.accumulate(path_t, max)
    kept = [0] + [k for k, before in enumerate(newest, 1) if k < len(path_t) and path_t[k] > before + 1e-9]
    return [path_t[k] for k in kept], [path_u[k] for k in kept]


def small_steps(demand: FloatArray, noise: float) -> list[int]:
    """Indices at which a command that rests (n,) steps all the same, by less than what counts as a move; ascending.

    Only where all that lies between the steps rests: a command that creeps, or climbs by stairs, has none.
    """
    found = _steps_within(demand, noise)
    pieces = itertools.pairwise([0, *found, demand.size])
    return found if all(float(demand[a:b].std()) < _AT_REST * noise for a, b in pieces) else []


def _steps_within(demand: FloatArray, noise: float) -> list[int]:
    """The change of the mean that explains most, then those on either side of it.

    Least squares (Bai, Journal of Time Series Analysis 15, 1994, from memory). Noise of a filtered reading is alike
    from sample to sample and looks like small changes: so a step must stand out from the noise of single readings
    too; and most of it must come at once, which a slow change's does not.
    """
    n = demand.size
    if n < 2 * _FEWEST_ON_LEVEL:
        return []
    count = np.arange(1, n)
    sums = np.cumsum(demand - mean_of(demand))[:-1]
    gain = sums**2 * n / (count * (n - count))
    inner = slice(_FEWEST_ON_LEVEL - 1, n - _FEWEST_ON_LEVEL)
    at = _FEWEST_ON_LEVEL + int(np.argmax(gain[inner]))
    apart = mean_of(demand[at:]) - mean_of(demand[:at])
    at_once = (mean_of(demand[at : at + _BESIDE]) - mean_of(demand[at - _BESIDE : at])) / apart if apart else 0.0
    if abs(apart) < _STANDS_OUT * noise or float(gain[at - 1]) < _SURE_STEP * noise**2 or at_once < _AT_ONCE:
        return []
    return [*_steps_within(demand[:at], noise), at, *(at + k for k in _steps_within(demand[at:], noise))]


def _step_to(path_t: list[float], path_u: list[float], at_s: float, level: float) -> None:
    """Append a step to `level` at `at_s`; dated into the rest before it, it ends that rest."""
    while len(path_t) > 1 and path_t[-1] >= at_s:
        path_t.pop()
        path_u.pop()
    path_t += [at_s, at_s + _STEP_S]
    path_u += [path_u[-1], level]


def _reached(demand: FloatArray, a: int, b: int, level: float, near: float) -> int:
    """Index in [a, b] from which on a move already lies on the level that follows it."""
    off = np.flatnonzero(np.abs(demand[a:b] - level) > near)
    return a + (int(off[-1]) + 1 if off.size else 0)


def _left_at(demand: FloatArray, first: int, a: int, level: float, noise: float) -> int:
    """Index of the first sample of a move seen at `a` that has left the level it rested at since `first`.

    A move is only seen when it has gone some way; a limiter that starts with the command must not start later.
    """
    while a - 2 > first and abs(demand[a - 1] - level) > _LEFT * noise:
        a -= 1
    return a
