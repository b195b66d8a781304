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
import math
from dataclasses import dataclass, replace

import numpy as np
from asleft.judge.features import Dwell, Stroke
from asleft.judge.intake.columns import CURRENT, DEMAND, ENABLED, TIME, resolution
from asleft.judge.intake.scale import Scale
from asleft.judge.medians import mean_of
from asleft.judge.ramp_fit.demand_path import moving
from asleft.judge.ramp_fit.learner import Learner
from asleft.judge.ramp_fit.path import MIN_RAMP_S
from asleft.judge.ramp_fit.rests import NO_REST, Rest
from asleft.judge.ramp_fit.strokes import stroke_of
from asleft.judge.segments.dwells import dwell_of
from asleft.judge.types import FloatArray

__all__ = ["Carry", "Cut", "Scale", "cut"]

_MOVE_WINDOW_S = 0.15
_LEAD_S = 0.25  # of settled samples kept before a move, and after settling
_PIECE_S = 5.0
_CLEAR = 5.0  # times what counts as no trend
_SHORTEST_S = 0.25
_LONGEST_OPEN_SAMPLES = 24_000
#: Of a stroke that never settles so much is fitted; a shorter one than the other says too little.
_FITTED_OPEN_SAMPLES = 6_000
_SHORTEST_OPEN_S = 5.0
#: After so long a rest it need not be set aside as the first after enabling.
_RESTED_S = 1.0


@dataclass(frozen=True, slots=True)
class Carry:
    """Where cutting stands."""

    settled: bool = False  # the first kept sample lies in a settled dwell
    emit_from_s: float = -np.inf  # from when dwells are still to be emitted
    arrival: float = 0.0  # at the present level: +1 from below, -1 from above, 0 not known
    pieces: int = 0  # dwells already cut at this level
    aside: bool = True  # the next stroke is to be set aside: the first after enabling
    rest_a: float = 0.0  # mean current of the dwells at the present level, how many readings, until when
    rest_n: float = 0.0
    rest_to_s: float = -np.inf


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
    good = columns if ok.all() else columns[:, ok]
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
            piece = _Piece(rest, scale, learner, out)
            rest = piece.run(closed=flush or not last, disabled=not last and not enabled[b])
    return out


class _Piece:
    """One unbroken, enabled stretch."""

    def __init__(self, data: FloatArray, scale: Scale, learner: Learner, out: Cut) -> None:
        self.data, self.scale, self.learner, self.out = data, scale, learner, out
        self.window = max(3, round(_MOVE_WINDOW_S / scale.interval_s))
        self.lead = max(3, round(_LEAD_S / scale.interval_s))
        self.n = data.shape[1]

    def run(self, *, closed: bool, disabled: bool = False) -> FloatArray | None:
        """Cut what can be cut. Where nothing has settled for too long, give up and return what is to be cut anew.

        `closed`: nothing follows; `disabled`: as the driver was switched off, which may show in the last samples.
        """
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
        rest = Rest(carry.rest_a, carry.rest_n, carry.rest_to_s)
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
                at = self._settled_from(stroke_from, a, b, known=known_start)
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
                    return self._give_up(keep_from, rest if known_start else None, aside=aside)
                shortest = _SHORTEST_S if pieces == 0 or in_stroke else 1.0
                if stop - at < max(round(shortest / self.scale.interval_s), 4):
                    break
                begin = self._flat_from(at, stop)
                listens = True
                if begin is not None and in_stroke:
                    if known_start:
                        until = min(begin + self.lead, stop) if at == begin else stop
                        rising = bool(data[DEMAND, begin] > data[DEMAND, stroke_from])
                        stroke = None
                        listens = aside or self.learner.wants(float(data[TIME, begin]), rising=rising)
                        if listens:
                            after = Rest.of(data[TIME, until:stop], data[CURRENT, until:stop])
                            stroke = self._stroke(stroke_from, until, aside=aside, before=rest, after=after)
                        arrival = self._arrival(stroke_from, begin)
                        if stroke is not None:
                            aside = False
                            self.out.strokes.append(stroke)
                            self.learner.learn(stroke)
                    else:
                        arrival = 0.0
                    in_stroke, rest = False, NO_REST
                if not in_stroke:
                    first = at if begin is None else begin
                    dwell = dwell_of(data[:, first:stop], self.scale, arrival, flat=begin is not None)
                    self.out.dwells.append(dwell)
                    if begin is not None and self.scale.has_current:
                        self.learner.hear(dwell.current_sd_a, self.scale.span_a)
                        self.learner.hear_law(dwell.demand, dwell.current_a)
                        if listens:
                            self._listen(first, stop)
                        rest = rest.joined(Rest(dwell.current_a, dwell.n, dwell.to_s))
                    pieces += 1
                    emit_from = float(data[TIME, stop - 1]) + 0.5 * self.scale.interval_s
                    keep_from = max(stop - 2 * self.lead - self.window, 0)
                at = stop
                if not complete:
                    break
        if in_stroke and self.n > keep_from + _LONGEST_OPEN_SAMPLES:
            return self._give_up(keep_from, rest if known_start else None, aside=aside)
        if closed:
            if in_stroke and known_start and not disabled:
                aside = self._open_stroke(stroke_from, self.n, rest, aside=aside)
            self.out.tail, self.out.carry = data[:, self.n - 1 : self.n], Carry(aside=aside)
            return None
        begins_settled = known_start if in_stroke else True
        self.out.tail = data[:, keep_from:]
        self.out.carry = replace(
            carry,
            settled=begins_settled,
            emit_from_s=emit_from,
            arrival=arrival,
            pieces=pieces,
            aside=aside,
            rest_a=rest.current_a,
            rest_n=rest.n,
            rest_to_s=rest.to_s,
        )
        return None

    def _give_up(self, keep_from: int, before: Rest | None, *, aside: bool) -> FloatArray:
        """What follows a stroke that never settles (an outer loop keeps the command moving): it must not grow on.

        `before`: the level from which it began, None if that is not known.
        """
        if before is not None:
            aside = self._open_stroke(keep_from, keep_from + _FITTED_OPEN_SAMPLES, before, aside=aside)
        self.out.carry = Carry(aside=aside)
        return self.data[:, keep_from + _LONGEST_OPEN_SAMPLES - self.window :]

    def _open_stroke(self, a: int, b: int, before: Rest, *, aside: bool) -> bool:
        """Fit a stroke that began at rest and did not come to rest; whether the next one is to be set aside.

        A driver slower than the command leaves it time for may never settle, and its ramp shows all the same: in what
        it does until the command turns. How far it would have gone is one more unknown, as it is in any stroke.
        """
        time_s = self.data[TIME]
        if time_s[b - 1] - time_s[a] < _SHORTEST_OPEN_S:
            return aside
        if before.n * self.scale.interval_s > _RESTED_S:  # there may be no other: long enough enabled
            aside = False
        rising = bool(self.data[DEMAND, a:b].max() > self.data[DEMAND, a] + self.scale.move)
        if not (aside or self.learner.wants(float(time_s[b - 1]), rising=rising)):
            return aside
        stroke = self._stroke(a, b, aside=aside, before=before, after=NO_REST, far=True)
        if stroke is None:
            return aside
        self.out.strokes.append(stroke)
        self.learner.learn(stroke)
        return False

    def _settled_from(self, stroke_from: int, a: int, b: int, *, known: bool) -> int:
        """First index at which the current may have settled after a move that ended at about `a`.

        The limited demand lies between what the slowest ramps make of the command and the command itself. What the
        lag forgets takes six lags more. Nothing is known before the stroke if it is the first; if the command rests
        from there to `b`, a ramp still at work would show as a trend, which is looked for later.
        """
        if not known and a == stroke_from and self._ramp_would_show(b - a):
            return a
        start = max(a - self.window, stroke_from)  # the flag outlives the move by the window
        ago = self.data[TIME, stroke_from : start + 1] - self.data[TIME, start]
        demand = np.minimum(np.maximum(self.data[DEMAND, stroke_from : start + 1], 0.0), 1.0)
        up, down = self.learner.slowest_s()
        high = float(np.maximum.reduce(demand + ago / down))
        low = float(np.minimum.reduce(demand - ago / up))
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
                0.5 * self.scale.move, 5.0 * self.scale.demand_noise * math.sqrt(2.0 / third)
            ):
                continue
            if self.scale.has_current and self._trend(CURRENT, begin, b, third) > self._no_trend_a(third):
                continue
            return begin
        return None

    def _ramp_would_show(self, n: int) -> bool:
        """Whether the slowest ramp, still at work, would be a clear trend of the current in `n` samples."""
        n = min(n, round(_PIECE_S / self.scale.interval_s))
        moves = 2.0 / 3.0 * n * self.scale.interval_s / max(*self.learner.slowest_s(), MIN_RAMP_S)
        return self.scale.has_current and moves * self.scale.span_a > _CLEAR * self._no_trend_a(max(n // 3, 1))

    def _no_trend_a(self, third: int) -> float:
        """Up to which difference between thirds of a stretch the current has no trend."""
        return max(1e-3 * self.scale.span_a, 6.0 * self.learner.noise_a * math.sqrt(2.0 / third))

    def _trend(self, row: int, a: int, b: int, third: int) -> float:
        values = self.data[row]
        return abs(mean_of(values[b - third : b]) - mean_of(values[a : a + third]))

    def _arrival(self, stroke_from: int, settled: int) -> float:
        before = mean_of(self.data[DEMAND, stroke_from : stroke_from + self.lead // 2])
        after = mean_of(self.data[DEMAND, settled : settled + self.lead // 2])
        highest = float(self.data[DEMAND, stroke_from:settled].max())
        lowest = float(self.data[DEMAND, stroke_from:settled].min())
        margin = 2.0 * self.scale.move
        if highest > max(before, after) + margin:
            return -1.0  # overshot: came down last
        if lowest < min(before, after) - margin:
            return 1.0
        return 1.0 if after > before else -1.0

    def _listen(self, a: int, b: int) -> None:
        """What a settled stretch tells of noise, tones and converters."""
        time_s, current_a = self.data[TIME, a:b], self.data[CURRENT, a:b]
        self.learner.listen(time_s, current_a, self.scale, self.scale.span_a)
        self.learner.hear_command(self.data[DEMAND, a:b])
        self.learner.hear_shared(time_s, self.data[DEMAND, a:b], current_a, self.scale)
        self.learner.see_step(resolution(current_a), self.scale.span_a)

    def _stroke(self, a: int, b: int, *, aside: bool, before: Rest, after: Rest, far: bool = False) -> Stroke | None:
        return stroke_of(
            self.data[:, a:b],
            self.window,
            self.lead,
            self.scale,
            self.learner,
            aside=aside,
            before=before,
            after=after,
            far=far,
        )
