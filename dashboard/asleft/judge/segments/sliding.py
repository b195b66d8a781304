"""Cut samples of a valve whose command never rests: a controller outside closes the loop and keeps it moving.

Every whole second in which the driver's ramps were surely not at work becomes a dwell of its own kind: means, and how
much demand and pressure moved in it. Whether the ramps were at work is told from the command alone, in tenths of a
second: a limiter twice as slow as left follows it, and a second counts where that is nowhere behind by more than a
thousandth, nor was 0.3 s before (the lag's tail). Where that limiter falls behind by a twentieth, the command
may have outrun the ramp: the samples from just before until it has caught up become a stroke.

`arrival` is the side from which the command came to where it is: +1 or -1 since it last turned by more than the play
of a spool's friction. What it misses: ramps more than twice as slow as left, and what jumps less than a
twentieth says of ramps.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from asleft.judge.features import NAN, Dwell, Stroke
from asleft.judge.intake.intake import (
    CLOCK,
    COIL_V,
    CURRENT,
    DEMAND,
    ENABLED,
    MODE,
    OIL,
    PRESSURE,
    STATE,
    SUPPLY,
    TIME,
    Scale,
    resolution,
)
from asleft.judge.intake.states import PRODUCING
from asleft.judge.ramp_fit.learner import Learner
from asleft.judge.ramp_fit.ramps import without
from asleft.judge.ramp_fit.strokes import identifiable_ramps
from asleft.judge.types import FloatArray

# A stretch in which a controller's command outran the driver's ramp, fitted, as one row of numbers.
#
# Such a command does not rest before or after its jump: the controller goes on correcting. So its path is its own
# readings, averaged over a few samples, and a jump where it jumps; the driver sees the jump itself, while the
# reading's filter spreads it over some samples.
#
# A ramp the command hardly outruns is told from the command's own way by its finest details, which a sampled reading
# does not have; so a direction in which the limiter never fell behind by a tenth of the command says nothing of its
# ramp, whatever the fit makes of it.

#: A change of this much from one reading to the next (and eight times the noise) belongs to a jump.
_JUMP = 0.02
_OVER = 0.1  # of the steepest change: where a jump ends
_JUMP_LASTS_S = 0.08
_BLOCK = 5
_STEP_S = 1e-6
#: How far the command must have been ahead of a limiter with the ramps found, in that direction.
_AHEAD = 0.1


def outrun_stroke(data: FloatArray, scale: Scale, learner: Learner) -> Stroke | None:
    """Fit samples of shape (ROWS, n) that begin and end with the ramps not at work; None without a current."""
    if not scale.has_current or data.shape[1] < 4 * _BLOCK:
        return None
    time_s, demand = data[TIME], data[DEMAND]
    path_t, path_u = creeping_path(time_s, demand, scale)
    fit = learner.fit(path_t, path_u, time_s, data[CURRENT], scale)
    ahead = _ahead(path_t, path_u, float(fit.own[0]), float(fit.own[1]))
    information, gradient, active = fit.information, fit.gradient, [fit.active_up_s, fit.active_down_s]
    for k in (0, 1):
        if ahead[k] < _AHEAD:
            information, gradient = without(information, gradient, k)
            active[k] = 0.0
    head = (
        float(time_s[0]),
        float(time_s[-1]),
        path_u[0],
        path_u[-1],
        min(path_u),
        max(path_u),
        *active,
        *identifiable_ramps(path_t, path_u, scale.demand_noise),
        fit.chi2,
    )
    upper = information[np.triu_indices(fit.theta.size)]
    numbers = np.concatenate((fit.theta, gradient, upper, fit.own)).tolist()
    return Stroke._make((*head, *numbers, float(max(ahead) < _AHEAD), float(data[CLOCK, -1])))


def _ahead(path_t: list[float], path_u: list[float], up_s: float, down_s: float) -> tuple[float, float]:
    """How far the path gets ahead of a limiter with these ramps, upwards and downwards."""
    rise, fall = 1.0 / max(up_s, _STEP_S), 1.0 / max(down_s, _STEP_S)
    limited, above, below = path_u[0], 0.0, 0.0
    for (t0, t1), u in zip(itertools.pairwise(path_t), path_u[1:], strict=True):
        limited += min(max(u - limited, -fall * (t1 - t0)), rise * (t1 - t0))
        above, below = max(above, u - limited), max(below, limited - u)
    return above, below


def creeping_path(time_s: FloatArray, demand: FloatArray, scale: Scale) -> tuple[list[float], list[float]]:
    """Vertices of a command that creeps and jumps, times ascending, demand within 0..1."""
    path_t: list[float] = []
    path_u: list[float] = []
    at = 0
    for a, b in _jumps(time_s, demand, scale):
        if a < at + 3:
            continue
        _creep(time_s[at:a], demand[at:a], path_t, path_u)
        before = float(np.clip(demand[a - 3 : a], 0.0, 1.0).mean())
        after = float(np.clip(demand[b : b + 3], 0.0, 1.0).mean())
        share = np.clip((demand[a - 1 : b + 1] - before) / (after - before), 0.0, 1.0)
        share[0], share[-1] = 0.0, 1.0
        missing = 1.0 - 0.5 * (share[1:] + share[:-1])
        at_s = float(time_s[a - 1] + missing @ np.diff(time_s[a - 1 : b + 1]))
        path_t += [at_s, at_s + _STEP_S]
        path_u += [before, after]
        at = b + 1
    _creep(time_s[at:], demand[at:], path_t, path_u)
    kept = [0] + [k for k in range(1, len(path_t)) if path_t[k] > path_t[k - 1] + 1e-9]
    return [path_t[k] for k in kept], [path_u[k] for k in kept]


def _jumps(time_s: FloatArray, demand: FloatArray, scale: Scale) -> list[tuple[int, int]]:
    """First and last sample of each jump: the one on which it is first seen, and the one that has all of it."""
    change = np.abs(np.diff(demand))
    least = max(_JUMP, 8.0 * scale.demand_noise)
    out: list[tuple[int, int]] = []
    k = 0
    while k < change.size:
        if change[k] < least:
            k += 1
            continue
        top = k
        while top + 1 < change.size and change[top + 1] > change[top]:
            top += 1
        first, last = k, top
        while first > 0 and change[first - 1] > _OVER * change[top]:
            first -= 1
        while last + 1 < change.size and change[last + 1] > _OVER * change[top]:
            last += 1
        if time_s[last + 1] - time_s[first] <= max(_JUMP_LASTS_S, 2.5 * scale.interval_s) and last + 3 < demand.size:
            out.append((first + 1, last + 1))
        k = last + 1
    return out


def _creep(time_s: FloatArray, demand: FloatArray, path_t: list[float], path_u: list[float]) -> None:
    """Add the readings of a stretch without a jump: first and last at their times, between them means of blocks."""
    n = time_s.size
    if n == 0:
        return
    inside = np.clip(demand, 0.0, 1.0)
    edge = min(3, n)
    path_t.append(float(time_s[0]))
    path_u.append(float(inside[:edge].mean()))
    whole = n - n % _BLOCK
    if n >= 3 * _BLOCK:
        times = time_s[:whole].reshape(-1, _BLOCK).mean(axis=1)
        path_t += times.tolist()
        path_u += inside[:whole].reshape(-1, _BLOCK).mean(axis=1).tolist()
    if n > 1:
        path_t.append(float(time_s[-1]))
        path_u.append(float(inside[n - edge :].mean()))


_TENTHS = 10
#: A command that turns by this much comes from the other side: more than a spool's play of friction.
_TURN = 0.015
#: A ramp is taken as no shorter than this (s over the full span): what is faster is lag.
_SHORTEST_RAMP_S = 0.2
_BEHIND = 0.001
_OUTRUN = 0.05
_LEAD_S = 0.3
_LONGEST_STROKE_S = 10.0  # and twice the slowest ramp; a stroke must not grow on
_LAG_S = 0.3  # in which the lag forgets


@dataclass(frozen=True, slots=True)
class SlideCarry:
    """Where sliding stands. Times in unix s."""

    done_s: float = -np.inf  # whole seconds before this one are cut
    last_s: float = -np.inf  # time and demand of the last tenth
    last_demand: float = NAN
    highest: float = 1.0  # what a limiter twice as slow as left may have reached
    lowest: float = 0.0
    busy_s: float = -np.inf  # when it was last behind
    open_s: float = NAN  # since when it is; NaN: not, or not known from where
    outrun: float = 0.0  # the most it was behind since then
    way: float = 0.0
    high: float = -np.inf  # extremes since the command last turned
    low: float = np.inf


@dataclass(eq=False, slots=True)
class Slid:
    """What a call found, and what it keeps."""

    dwells: list[Dwell]
    strokes: list[Stroke]
    tail: FloatArray
    carry: SlideCarry


def slide(columns: FloatArray, carry: SlideCarry, scale: Scale, learner: Learner, *, flush: bool = False) -> Slid:
    """Cut `columns` (tail of the last call followed by new samples, shape (ROWS, n)). `flush`: nothing follows."""
    ok = np.isfinite(columns[DEMAND]) & (columns[ENABLED] > 0.5)
    if scale.has_current:
        ok &= np.isfinite(columns[CURRENT])
    data = columns[:, ok]
    if data.shape[1] == 0:
        return Slid([], [], data, carry)
    second = np.floor(data[TIME])
    until_s = second[-1] + 1.0 if flush else second[-1]
    first, last = (int(np.searchsorted(second, s)) for s in (carry.done_s, until_s))
    out = Slid([], [], data, carry)
    if last > first:
        _Seconds(data, first, last, scale, learner, out).run()
        out.carry = replace(out.carry, done_s=float(until_s))
    keep_s = out.carry.done_s - 1.0
    if np.isfinite(out.carry.open_s):
        keep_s = min(keep_s, out.carry.open_s - 2.0 * _LEAD_S)
    out.tail = data[:, int(np.searchsorted(data[TIME], keep_s)) :]
    return out


class _Seconds:
    """Whole seconds of enabled samples `first`..`last` of `data`."""

    def __init__(self, data: FloatArray, first: int, last: int, scale: Scale, learner: Learner, out: Slid) -> None:
        self.data, self.first, self.last = data, first, last
        self.scale, self.learner, self.out = scale, learner, out
        up = 2.0 * max(learner.left_up_s, 0.5 * _SHORTEST_RAMP_S)
        down = 2.0 * max(learner.left_down_s, 0.5 * _SHORTEST_RAMP_S)
        self.rise, self.fall = 1.0 / up, 1.0 / down
        self.outruns: list[tuple[float, float, float]] = []  # caught up when, behind since when, by how much
        self.longest_s = _LONGEST_STROKE_S + max(up, down)

    def run(self) -> None:
        """Fill `out`."""
        now = self.data[:, self.first : self.last]
        starts = _starts(np.floor(now[TIME] * _TENTHS))
        counts = np.diff(np.append(starts, now.shape[1]))
        demand = np.add.reduceat(np.clip(now[DEMAND], 0.0, 1.0), starts) / counts
        before = np.append(self.out.carry.last_demand, demand)
        busy, way = self._follow(now[TIME, starts], demand)
        seconds = np.floor(now[TIME])
        begins = _starts(seconds)
        tenth_of = np.searchsorted(starts, begins)
        quiet = ~np.logical_or.reduceat(busy, tenth_of)
        lowest, highest = np.minimum.reduceat(way, tenth_of), np.maximum.reduceat(way, tenth_of)
        arrival = np.where(lowest == highest, lowest, 0.0)
        ends = np.append(begins[1:], now.shape[1])
        least = max(0.8 / self.scale.interval_s, 4.0)
        # From the tenth before the second to its last: what follows with a lag is there at the second's ends.
        before = before[tenth_of]
        tenth_ends = np.append(tenth_of[1:], starts.size) - 1
        # In order of time, because what strokes and dwells teach of lag and noise serves the next stroke.
        outruns = [*self.outruns, (np.inf, 0.0, 0.0)]
        for k in np.flatnonzero(quiet & (ends - begins >= least)).tolist():
            while outruns[0][0] < seconds[begins[k]]:
                self._stroke(*outruns.pop(0))
            moves = demand[tenth_ends[k]] - before[k]
            self._dwell(now[:, begins[k] : ends[k]], float(arrival[k]), float(moves))
        for outrun in outruns[:-1]:
            self._stroke(*outrun)

    def _follow(self, time_s: FloatArray, demand: FloatArray) -> tuple[npt.NDArray[np.bool_], FloatArray]:
        """Per tenth: whether the slow limiter is behind, and the way; `outruns` where it has caught up again."""
        c = self.out.carry
        u, last_s, highest, lowest = c.last_demand, c.last_s, c.highest, c.lowest
        busy_s, open_s, outrun = c.busy_s, c.open_s, c.outrun
        way, high, low = c.way, c.high, c.low
        rise, fall = self.rise, self.fall
        busy, ways = [], []
        for t, u in zip(time_s.tolist(), demand.tolist(), strict=True):
            since = t - last_s
            if since > 0.5:  # nothing is known of what the ramp still had to do
                highest, lowest, open_s, outrun = 1.0, 0.0, NAN, 0.0
                way, high, low = 0.0, u, u
                since = 0.0
            highest += min(max(u - highest, -fall * since), rise * since)
            lowest += min(max(u - lowest, -fall * since), rise * since)
            behind = max(abs(u - highest), abs(u - lowest))
            if behind > _BEHIND:
                if t - busy_s > _LAG_S:
                    open_s, outrun = t, 0.0
                busy_s, outrun = t, max(outrun, behind)
            if t - open_s > self.longest_s:
                open_s = NAN
            if t - busy_s > _LAG_S and open_s == open_s:
                self.outruns.append((t, open_s, outrun))
                open_s = NAN
            high, low = max(high, u), min(low, u)
            if way >= 0.0 and high - u > _TURN:
                way, high, low = -1.0, u, u
            elif way <= 0.0 and u - low > _TURN:
                way, high, low = 1.0, u, u
            busy.append(t - busy_s <= _LAG_S)
            ways.append(way)
            last_s = t
        self.out.carry = SlideCarry(c.done_s, last_s, u, highest, lowest, busy_s, open_s, outrun, way, high, low)
        return np.array(busy), np.array(ways)

    def _stroke(self, to_s: float, from_s: float, outrun: float) -> None:
        """The samples round an outrun ramp as a stroke."""
        if outrun < _OUTRUN:
            return
        time_s = self.data[TIME]
        a, b = (int(x) for x in np.searchsorted(time_s, (from_s - _LEAD_S, to_s)))
        gap = np.diff(time_s[a:b]) > max(0.1, 5.0 * self.scale.interval_s)
        if from_s - time_s[a] < 0.5 * _LEAD_S or gap.any():
            return
        stroke = outrun_stroke(self.data[:, a:b], self.scale, self.learner)
        if stroke is not None:
            self.out.strokes.append(stroke)
            self.learner.learn(stroke)

    def _dwell(self, data: FloatArray, arrival: float, moves: float) -> None:
        """A quiet second of samples as a dwell."""
        n = data.shape[1]
        time_s = data[TIME] - data[TIME].mean()
        spread = float(time_s @ time_s)
        demand, current, pressure = np.clip(data[DEMAND], 0.0, 1.0), data[CURRENT], data[PRESSURE]
        has = self.scale.has_current
        current_sd = NAN
        if has:
            slope = float(time_s @ current) / spread
            current_sd = float(np.sqrt(max(float(current.var()) - slope**2 * spread / n, 0.0)))
            self.learner.update_noise(current_sd, self.scale.span_a)
            self.learner.see_step(resolution(current), self.scale.span_a)
        dwell = Dwell(
            from_s=float(data[TIME, 0]),
            to_s=float(data[TIME, -1]),
            n=float(n),
            demand=float(demand.mean()),
            demand_se=self.scale.demand_noise / float(np.sqrt(n)),
            current_a=float(current.mean()) if has else NAN,
            current_se_a=current_sd / float(np.sqrt(n)),
            current_sd_a=current_sd,
            pressure_bar=float(pressure.mean()),
            pressure_se_bar=float(pressure.std()) / float(np.sqrt(n)),
            pressure_moves_bar=float(time_s @ pressure) / spread,
            arrival=arrival,
            producing=float(np.all(data[STATE] == PRODUCING)),
            oil_degc=_mean(data[OIL]),
            supply_v=_mean(data[SUPPLY]),
            mode=float(data[MODE, -1]) if np.all(data[MODE] == data[MODE, -1]) else NAN,
            flat=1.0,
            coil_v=_mean(data[COIL_V]),
            clock_s=float(data[CLOCK, -1]),
            demand_moves=moves,
        )
        self.out.dwells.append(dwell)


def _starts(groups: FloatArray) -> npt.NDArray[np.intp]:
    """Index of the first of each run of equal values."""
    return np.concatenate(([0], np.flatnonzero(np.diff(groups)) + 1)).astype(np.intp)


def _mean(values: FloatArray) -> float:
    finite = values[np.isfinite(values)]
    return float(finite.mean()) if finite.size else NAN
