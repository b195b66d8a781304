"""Cut samples into dwells and strokes, in time order, with what is unfinished carried to the next call.

A command is *moving* while its range over the last 0.15 s exceeds a threshold well above its noise. After a move the
current is taken as settled when an allowance has passed (what the slower of the as-left and the as-found ramp of that
direction still has to go, and six lags) *and* it shows no trend: the allowance alone would trust the very ramp that
is being judged.
Settled stretches are cut into dwells of at most 5 s; a stroke runs from one settled level to the next and may contain
several moves. Decisions look at past samples only, so that cutting the data elsewhere gives the same segments.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from asleft.judge.columns import (
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
    resolution,
)
from asleft.judge.features import NAN, Dwell, Stroke
from asleft.judge.learner import Learner
from asleft.judge.states import PRODUCING
from asleft.judge.types import FloatArray
from numpy.lib.stride_tricks import sliding_window_view

_MOVE_WINDOW_S = 0.15
_LEAD_S = 0.25  # of settled samples kept before a move, and after settling
_PIECE_S = 5.0
_SHORTEST_S = 0.25
_STEP_LASTS_S = 0.08  # a step is over within this, its filter's tail included
_STEP_S = 1e-6
_LONGEST_OPEN_SAMPLES = 24_000


@dataclass(frozen=True, slots=True)
class Scale:
    """Fixed for a valve: sample interval (s), noise of demand, threshold of a move, span (A)."""

    interval_s: float
    demand_noise: float
    move: float
    span_a: float
    has_current: bool


@dataclass(frozen=True, slots=True)
class Carry:
    """Where cutting stands."""

    settled: bool = False  # the first kept sample lies in a settled dwell
    emit_from_s: float = -np.inf  # from when dwells are still to be emitted
    arrival: float = 0.0  # at the present level: +1 from below, -1 from above, 0 not known
    pieces: int = 0  # dwells already cut at this level
    aside: bool = True  # the next stroke is to be set aside: the first after enabling


@dataclass(slots=True)
class Cut:
    """What a call found, and what it keeps."""

    dwells: list[Dwell]
    strokes: list[Stroke]
    tail: FloatArray
    carry: Carry


def cut(columns: FloatArray, carry: Carry, scale: Scale, learner: Learner, *, flush: bool = False) -> Cut:
    """Cut `columns` (tail of the last call followed by new samples, shape (ROWS, n)).

    `learner` gives the fit its start and learns from each stroke. `flush` closes what is open (end of a log).
    """
    ok = np.isfinite(columns[DEMAND])
    if scale.has_current:
        ok &= np.isfinite(columns[CURRENT])
    out = Cut([], [], columns[:, :0], carry)
    good = columns[:, ok]
    if good.shape[1] == 0:
        return out
    gap = np.diff(good[TIME]) > max(0.1, 5.0 * scale.interval_s)
    enabled = good[ENABLED] > 0.5
    breaks = [0, *(np.flatnonzero(gap | (np.diff(enabled) != 0)) + 1).tolist(), good.shape[1]]
    for number, (a, b) in enumerate(itertools.pairwise(breaks)):
        if number > 0:
            after_enable = enabled[a] and not enabled[a - 1]
            out.carry = Carry(aside=bool(after_enable or out.carry.aside or gap[a - 1]))
        last = b == good.shape[1]
        if not enabled[a]:
            out.carry, out.tail = Carry(aside=True), good[:, b - 1 : b]
            continue
        rest: FloatArray | None = good[:, a:b]
        while rest is not None:
            rest = _Piece(rest, scale, learner, out).run(closed=flush or not last)
    return out


def moving(demand: FloatArray, window: int, threshold: float) -> npt.NDArray[np.bool_]:
    """Where the range of the last `window` samples exceeds `threshold`, shape (n,)."""
    if demand.size < 2:
        return np.zeros(demand.size, dtype=bool)
    padded = np.concatenate((np.full(window - 1, demand[0]), demand))
    view = sliding_window_view(padded, window)
    result: npt.NDArray[np.bool_] = (view.max(axis=1) - view.min(axis=1)) > threshold
    return result


class _Piece:
    """One unbroken, enabled stretch."""

    def __init__(self, data: FloatArray, scale: Scale, learner: Learner, out: Cut) -> None:
        self.data, self.scale, self.learner, self.out = data, scale, learner, out
        self.window = max(3, round(_MOVE_WINDOW_S / scale.interval_s))
        self.lead = max(3, round(_LEAD_S / scale.interval_s))
        self.n = data.shape[1]

    def run(self, *, closed: bool) -> FloatArray | None:
        """Cut what can be cut. Where nothing has settled for too long, give up and return what is to be cut anew."""
        data, carry = self.data, self.out.carry
        flags = moving(data[DEMAND], self.window, self.scale.move)
        change = np.flatnonzero(np.diff(flags)) + 1
        edges = [0, *change.tolist(), self.n]
        stroke_from = 0  # index where the open stroke's lead starts
        keep_from = 0
        settled = carry.settled
        in_stroke = not settled
        arrival, pieces, aside, emit_from = carry.arrival, carry.pieces, carry.aside, carry.emit_from_s
        known_start = settled
        for a, b in itertools.pairwise(edges):
            if flags[a]:
                if not in_stroke:
                    stroke_from = max(a - self.lead, 0)
                    in_stroke, known_start, pieces = True, True, 0
                    keep_from = stroke_from
                    emit_from = float(data[TIME, a])
                continue
            ends = b < self.n or closed
            at = a
            if in_stroke:
                at = self._settled_from(stroke_from, a, known=known_start)
            elif a == 0:
                at = int(np.searchsorted(data[TIME], emit_from)) if np.isfinite(emit_from) else a
                at = min(max(at, a), b)
            while True:
                length = round(_PIECE_S / self.scale.interval_s)
                stop = at + length
                complete = stop <= b
                if not complete:
                    if not ends:
                        break
                    stop = b
                if in_stroke and stop > keep_from + _LONGEST_OPEN_SAMPLES:
                    return self._give_up(keep_from, aside=aside)
                shortest = _SHORTEST_S if pieces == 0 or in_stroke else 1.0
                if stop - at < max(round(shortest / self.scale.interval_s), 4):
                    break
                begin = self._flat_from(at, stop)
                if begin is not None and in_stroke:
                    if known_start:
                        until = min(begin + self.lead, stop) if at == begin else stop
                        stroke = self._stroke(stroke_from, until, aside=aside)
                        arrival = self._arrival(stroke_from, begin)
                        if stroke is not None:
                            aside = False
                            self.out.strokes.append(stroke)
                            self.learner.learn(stroke)
                    else:
                        arrival = 0.0
                    in_stroke = False
                if not in_stroke:
                    first = at if begin is None else begin
                    dwell = self._dwell(first, stop, arrival, flat=begin is not None)
                    self.out.dwells.append(dwell)
                    if begin is not None and self.scale.has_current:
                        self.learner.hear(dwell.current_sd_a, self.scale.span_a)
                        self.learner.see_step(resolution(data[CURRENT, first:stop]), self.scale.span_a)
                    pieces += 1
                    emit_from = float(data[TIME, stop - 1]) + 0.5 * self.scale.interval_s
                    keep_from = max(stop - 2 * self.lead - self.window, 0)
                at = stop
                if not complete:
                    break
        if in_stroke and self.n > keep_from + _LONGEST_OPEN_SAMPLES:
            return self._give_up(keep_from, aside=aside)
        if closed:
            self.out.tail, self.out.carry = data[:, self.n - 1 : self.n], Carry(aside=aside)
            return None
        begins_settled = known_start if in_stroke else True
        self.out.tail = data[:, keep_from:]
        self.out.carry = replace(
            carry, settled=begins_settled, emit_from_s=emit_from, arrival=arrival, pieces=pieces, aside=aside
        )
        return None

    def _give_up(self, keep_from: int, *, aside: bool) -> FloatArray:
        """What follows a stroke that never settles (an outer loop keeps the command moving): it must not grow on."""
        self.out.carry = Carry(aside=aside)
        return self.data[:, keep_from + _LONGEST_OPEN_SAMPLES - self.window :]

    def _settled_from(self, stroke_from: int, a: int, *, known: bool) -> int:
        """First index at which the current may have settled after a move that ended at about `a`.

        The limited demand lies between what the slowest ramps make of the command and the command itself. What the
        lag forgets takes six lags more. Nothing is known before the stroke if it is the first.
        """
        start = max(a - self.window, stroke_from)  # the flag outlives the move by the window
        ago = self.data[TIME, stroke_from : start + 1] - self.data[TIME, start]
        demand = np.clip(self.data[DEMAND, stroke_from : start + 1], 0.0, 1.0)
        up, down = self.learner.slowest_s()
        high, low = float((demand + ago / down).max()), float((demand - ago / up).min())
        if not known:
            high, low = max(high, 1.0 + float(ago[0]) / down), min(low, -float(ago[0]) / up)
        level = min(max(float(self.data[DEMAND, a]), 0.0), 1.0)
        wait = 1.1 * max((high - level) * down, (level - low) * up, 0.0) + 6.0 * self.learner.lag_s
        return max(a - self.window // 2, start + round(wait / self.scale.interval_s))

    def _flat_from(self, a: int, b: int) -> int | None:
        """`a` if current and demand show no trend in [a, b), its middle if only the second half is flat, or None."""
        for begin in (a, a + (b - a) // 2):
            n = b - begin
            if n < max(round(_SHORTEST_S / self.scale.interval_s), 4) * (0.5 if begin > a else 1.0):
                return None
            third = max(n // 3, 1)
            if self._trend(DEMAND, begin, b, third) > max(
                0.5 * self.scale.move, 5.0 * self.scale.demand_noise * np.sqrt(2.0 / third)
            ):
                continue
            if self.scale.has_current:
                limit = max(1e-3 * self.scale.span_a, 6.0 * self.learner.noise_a * np.sqrt(2.0 / third))
                if self._trend(CURRENT, begin, b, third) > limit:
                    continue
            return begin
        return None

    def _trend(self, row: int, a: int, b: int, third: int) -> float:
        values = self.data[row]
        return abs(float(values[b - third : b].mean() - values[a : a + third].mean()))

    def _arrival(self, stroke_from: int, settled: int) -> float:
        before = float(self.data[DEMAND, stroke_from : stroke_from + self.lead // 2].mean())
        after = float(self.data[DEMAND, settled : settled + self.lead // 2].mean())
        highest = float(self.data[DEMAND, stroke_from:settled].max())
        lowest = float(self.data[DEMAND, stroke_from:settled].min())
        margin = 2.0 * self.scale.move
        if highest > max(before, after) + margin:
            return -1.0  # overshot: came down last
        if lowest < min(before, after) - margin:
            return 1.0
        return 1.0 if after > before else -1.0

    def _dwell(self, a: int, b: int, arrival: float, *, flat: bool) -> Dwell:
        data = self.data[:, a:b]
        n = b - a
        demand, current = data[DEMAND], data[CURRENT]
        late = data[:, n - max(int(0.4 * n), min(n, 10)) :]
        pressure = late[PRESSURE][np.isfinite(late[PRESSURE])]
        p_mean = p_se = p_moves = NAN
        if pressure.size >= 4:
            half = pressure.size // 2
            p_mean = float(pressure.mean())
            p_se = float(pressure.std()) / np.sqrt(_effective_n(pressure))
            p_moves = float(pressure[half:].mean() - pressure[:half].mean())
        return Dwell(
            from_s=float(data[TIME, 0]),
            to_s=float(data[TIME, -1]),
            n=float(n),
            demand=float(demand.mean()),
            demand_se=max(float(demand.std()), self.scale.demand_noise) / np.sqrt(n),
            current_a=float(current.mean()) if self.scale.has_current else NAN,
            current_se_a=float(current.std()) / np.sqrt(_effective_n(current)) if self.scale.has_current else NAN,
            current_sd_a=float(current.std()) if self.scale.has_current else NAN,
            pressure_bar=p_mean,
            pressure_se_bar=p_se,
            pressure_moves_bar=p_moves,
            arrival=arrival,
            producing=float(np.all(data[STATE] == PRODUCING)),
            oil_degc=_mean(data[OIL]),
            supply_v=_mean(data[SUPPLY]),
            mode=float(data[MODE, -1]) if np.all(data[MODE] == data[MODE, -1]) else NAN,
            flat=float(flat),
            coil_v=_mean(data[COIL_V]),
            clock_s=float(data[CLOCK, -1]),
        )

    def _stroke(self, a: int, b: int, *, aside: bool) -> Stroke | None:
        """Fit the stroke in [a, b); None if the command did not really move or there is no current."""
        demand, time_s = self.data[DEMAND, a:b], self.data[TIME, a:b]
        low, high = float(demand.min()), float(demand.max())
        if not self.scale.has_current or high - low < 3.0 * self.scale.move or b - a < 2 * self.lead:
            return None
        flags = moving(demand, self.window, self.scale.move)
        path_t, path_u = demand_path(time_s, demand, flags, self.scale.move, self.scale.demand_noise)
        steep_up, steep_down = steepness(time_s, demand, self.scale.interval_s)
        fit = self.learner.fit(path_t, path_u, time_s, self.data[CURRENT, a:b], self.scale)
        upper = fit.information[np.triu_indices(fit.theta.size)]
        head = (
            float(time_s[0]),
            float(time_s[-1]),
            path_u[0],
            path_u[-1],
            low,
            high,
            fit.active_up_s,
            fit.active_down_s,
            steep_up,
            steep_down,
            fit.chi2,
        )
        numbers = np.concatenate((fit.theta, fit.gradient, upper, fit.own)).tolist()
        return Stroke._make((*head, *numbers, float(aside), float(self.data[CLOCK, b - 1])))


def demand_path(
    time_s: FloatArray, demand: FloatArray, flags: npt.NDArray[np.bool_], move: float, noise: float
) -> tuple[list[float], list[float]]:
    """The command as a path: a constant (its mean) where it rests, a jump where it steps, else its own samples.

    Samples at the end of a move that already lie on the next level are dropped: fewer vertices, less noise. Beyond
    the ends of its range the driver sees the end, and so does the path.
    """
    edges = [0, *(np.flatnonzero(np.diff(flags)) + 1).tolist(), flags.size]
    runs = list(itertools.pairwise(edges))
    path_t: list[float] = []
    path_u: list[float] = []
    near = max(0.5 * move, 4.0 * noise)

    def level_of(a: int, b: int) -> float:
        return min(max(float(demand[a:b].mean()), 0.0), 1.0)

    for number, (a, b) in enumerate(runs):
        if not flags[a]:
            level = level_of(a, b)
            path_t += [float(time_s[a]), float(time_s[b - 1])]
            path_u += [level, level]
            continue
        stop = b
        if number + 1 < len(runs):
            following = level_of(*runs[number + 1])
            at_s = step_time(time_s, demand, a, b, following, near) if number > 0 else None
            if at_s is not None:
                path_t += [at_s, at_s + _STEP_S]
                path_u += [path_u[-1], following]
                continue
            off = np.flatnonzero(np.abs(demand[a:b] - following) > near)
            stop = a + (int(off[-1]) + 1 if off.size else 0)
            path_t += [float(x) for x in time_s[a:stop]]
            path_u += np.clip(demand[a:stop], 0.0, 1.0).tolist()
            if stop < b:
                path_t.append(float(time_s[stop]))
                path_u.append(following)
        else:
            path_t += [float(x) for x in time_s[a:b]]
            path_u += np.clip(demand[a:b], 0.0, 1.0).tolist()
    kept = [0] + [k for k in range(1, len(path_t)) if path_t[k] > path_t[k - 1] + 1e-9]
    return [path_t[k] for k in kept], [path_u[k] for k in kept]


def step_time(time_s: FloatArray, demand: FloatArray, a: int, b: int, following: float, near: float) -> float | None:
    """When the command stepped to `following` in the move [a, b), or None if it did not go there in one step.

    The sum over what was still missing, sample by sample: right to a fraction of an interval where the reading's
    filter spreads the step over a few samples, and the middle of the interval where it does not. The driver sees the
    step itself; a path through the samples would soften its beginning and lengthen short ramps by about 1 %.
    """
    before = float(demand[a - 1])
    off = np.flatnonzero(np.abs(demand[a:b] - following) > near)
    end = a + (int(off[-1]) + 1 if off.size else 0)
    if end >= b or time_s[end] - time_s[a - 1] > max(_STEP_LASTS_S, 1.5 * float(np.median(np.diff(time_s)))):
        return None
    share = (demand[a - 1 : end + 1] - before) / (following - before)
    if share.min() < -0.1 or share.max() > 1.1:
        return None
    share[-1] = 1.0
    missing = 1.0 - 0.5 * (share[1:] + share[:-1])
    return float(time_s[a - 1] + missing @ np.diff(time_s[a - 1 : end + 1]))


def steepness(time_s: FloatArray, demand: FloatArray, interval_s: float) -> tuple[float, float]:
    """Steepest sustained rise and fall of the command itself (1/s, both >= 0).

    Over the longest stretch that is still as steep (to 15 %) for a ramp, because the steepest of many short stretches
    is steeper than the ramp by its noise. A move over within 60 ms or five samples is a step: from sample to sample.
    """
    shortest = max(5, round(0.06 / interval_s))
    return _steepest(time_s, demand, shortest), _steepest(time_s, -demand, shortest)


def _steepest(time_s: FloatArray, demand: FloatArray, shortest: int) -> float:
    best, k = 0.0, shortest
    while k < demand.size:
        slope = float(((demand[k:] - demand[:-k]) / (time_s[k:] - time_s[:-k])).max())
        if slope <= 0.0 or slope < 0.85 * best:
            break
        best, k = slope, 2 * k
    if best * shortest * float(np.median(np.diff(time_s))) > 0.9 * float(np.ptp(demand)):
        best = float((np.diff(demand) / np.diff(time_s)).max())
    return best


def _effective_n(values: FloatArray) -> float:
    """Number of independent readings that are worth as much, from the lag-1 autocorrelation (AR(1))."""
    n = values.size
    centred = values - values.mean()
    power = float(centred @ centred)
    if power <= 0.0 or n < 3:
        return float(n)
    rho = min(max(float(centred[1:] @ centred[:-1]) / power, 0.0), 0.95)
    return max(n * (1.0 - rho) / (1.0 + rho), 1.0)


def _mean(values: FloatArray) -> float:
    finite = values[np.isfinite(values)]
    return float(finite.mean()) if finite.size else NAN
