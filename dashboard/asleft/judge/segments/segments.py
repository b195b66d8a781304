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
from dataclasses import dataclass, field

import numpy as np
from asleft.judge.features import Dwell, PressureDelay, Stroke
from asleft.judge.intake.intake import CURRENT, DEMAND, ENABLED, PRESSURE, TIME, Scale, resolution
from asleft.judge.medians import mean_of
from asleft.judge.ramp_fit.demand_path import moving
from asleft.judge.ramp_fit.learner import Learner
from asleft.judge.ramp_fit.preparing import NO_REST, Rest
from asleft.judge.ramp_fit.response import MIN_RAMP_S
from asleft.judge.ramp_fit.strokes import stroke_of
from asleft.judge.segments.dwells import dwell_of, pressure_delay
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
    excluded: bool = True  # the next stroke is to be set aside: the first after enabling
    rest_a: float = 0.0  # mean current of the dwells at the present level, how many readings, until when
    rest_n: float = 0.0
    rest_to_s: float = -np.inf


@dataclass(eq=False, slots=True)
class Cut:
    """What a call found, and what it keeps."""

    dwells: list[Dwell]
    strokes: list[Stroke]
    tail: FloatArray
    carry: Carry
    delays: list[PressureDelay] = field(default_factory=list)


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
            out.carry = Carry(excluded=bool(after_enable or out.carry.excluded or gap[a - 1]))
        last = b == good.shape[1]
        if not enabled[a]:
            out.carry, out.tail = Carry(excluded=True), good[:, b - 1 : b]
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
        carry = out.carry
        self.in_stroke = not carry.settled
        self.known_start = carry.settled  # the open stroke began at a level that was seen
        self.stroke_from = 0  # index where the open stroke's lead starts
        self.keep_from = 0  # index of the first sample that the next call needs
        self.arrival, self.pieces, self.excluded = carry.arrival, carry.pieces, carry.excluded
        self.emit_from_s = carry.emit_from_s
        self.rest = Rest(carry.rest_a, carry.rest_n, carry.rest_to_s)

    def run(self, *, closed: bool, disabled: bool = False) -> FloatArray | None:
        """Cut what can be cut. Where nothing has settled for too long, give up and return what is to be cut anew.

        `closed`: nothing follows; `disabled`: as the driver was switched off, which may show in the last samples.
        """
        flags = moving(self.data[DEMAND], self.window, self.scale.move)
        edges = [0, *(np.flatnonzero(np.diff(flags)) + 1).tolist(), self.n]
        for a, b in itertools.pairwise(edges):
            if flags[a]:
                self._move_at(a)
            elif not self._rest_between(a, b, ends=b < self.n or closed):
                return self._give_up()
        if self.in_stroke and self._open_too_long(self.n):
            return self._give_up()
        if closed:
            if self.in_stroke and self.known_start and not disabled:
                self._open_stroke(self.stroke_from, self.n, self.rest)
            self.out.tail, self.out.carry = self.data[:, self.n - 1 : self.n], Carry(excluded=self.excluded)
            return None
        self.out.tail = self.data[:, self.keep_from :]
        self.out.carry = Carry(
            settled=self.known_start or not self.in_stroke,
            emit_from_s=self.emit_from_s,
            arrival=self.arrival,
            pieces=self.pieces,
            excluded=self.excluded,
            rest_a=self.rest.current_a,
            rest_n=self.rest.n,
            rest_to_s=self.rest.to_s,
        )
        return None

    def _move_at(self, a: int) -> None:
        """The command moves from index `a` on: a stroke begins, unless one is open."""
        if self.in_stroke:
            return
        self.in_stroke, self.known_start, self.pieces = True, True, 0
        self.stroke_from = self.keep_from = max(a - self.lead, 0)
        self.emit_from_s = float(self.data[TIME, a])

    def _rest_between(self, a: int, b: int, *, ends: bool) -> bool:
        """Cut a stretch [a, b) in which the command rests into pieces; False if its stroke is open for too long.

        `ends`: the rest is over at `b`, so that a last, shorter piece is taken too.
        """
        at = self._rests_from(a, b)
        length = round(_PIECE_S / self.scale.interval_s)
        while at + length <= b or ends:
            stop = min(at + length, b)
            if self.in_stroke and self._open_too_long(stop):
                return False
            shortest_s = _SHORTEST_S if self.pieces == 0 or self.in_stroke else 1.0
            if stop - at < max(round(shortest_s / self.scale.interval_s), 4):
                break
            self._take_piece(at, stop)
            if stop - at < length:
                break
            at = stop
        return True

    def _rests_from(self, a: int, b: int) -> int:
        """Index in [a, b] from which on what rests is still to be cut."""
        if self.in_stroke:
            return self._settled_from(self.stroke_from, a, b, known=self.known_start)
        if a == 0 and np.isfinite(self.emit_from_s):
            return min(max(int(np.searchsorted(self.data[TIME], self.emit_from_s)), a), b)
        return a

    def _take_piece(self, at: int, stop: int) -> None:
        """One piece of a rest: it may end the open stroke; a dwell if none is open then."""
        begin = self._flat_from(at, stop)
        to_fit = True
        if begin is not None and self.in_stroke:
            to_fit = self._end_stroke(at, begin, stop)
        if self.in_stroke:
            return
        first = at if begin is None else begin
        dwell = dwell_of(self.data[:, first:stop], self.scale, self.arrival, flat=begin is not None)
        self.out.dwells.append(dwell)
        if begin is not None and self.scale.has_current:
            self.learner.update_noise(dwell.current_sd_a, self.scale.span_a)
            self.learner.hear_law(dwell.demand, dwell.current_a, dwell.current_sd_a, self.scale.span_a)
            if to_fit:
                self._listen(first, stop)
            self.rest = self.rest.joined(Rest(dwell.current_a, dwell.n, dwell.to_s))
        self.pieces += 1
        self.emit_from_s = float(self.data[TIME, stop - 1]) + 0.5 * self.scale.interval_s
        self.keep_from = max(stop - 2 * self.lead - self.window, 0)

    def _end_stroke(self, at: int, begin: int, stop: int) -> bool:
        """The open stroke has come to rest at `begin`; whether the rest [begin, stop) is to be listened to."""
        to_fit = True
        if self.known_start:
            until = min(begin + self.lead, stop) if at == begin else stop
            rising = bool(self.data[DEMAND, begin] > self.data[DEMAND, self.stroke_from])
            to_fit = self.excluded or self.learner.should_fit(float(self.data[TIME, begin]), rising=rising)
            stroke = None
            if to_fit:
                after = Rest.of(self.data[TIME, until:stop], self.data[CURRENT, until:stop])
                stroke = self._stroke(self.stroke_from, until, before=self.rest, after=after)
            self.arrival = self._arrival(self.stroke_from, begin)
            if to_fit and self.scale.has_current:
                self._pressure_delay(self.stroke_from, stop, self.arrival)
            self._keep(stroke)
        else:
            self.arrival = 0.0
        self.in_stroke, self.rest = False, NO_REST
        return to_fit

    def _keep(self, stroke: Stroke | None) -> None:
        if stroke is None:
            return
        self.excluded = False
        self.out.strokes.append(stroke)
        self.learner.learn(stroke)

    def _open_too_long(self, to: int) -> bool:
        return to > self.keep_from + _LONGEST_OPEN_SAMPLES

    def _give_up(self) -> FloatArray:
        """What follows a stroke that never settles (an outer loop keeps the command moving): it must not grow on."""
        if self.known_start:
            self._open_stroke(self.keep_from, self.keep_from + _FITTED_OPEN_SAMPLES, self.rest)
        self.out.carry = Carry(excluded=self.excluded)
        return self.data[:, self.keep_from + _LONGEST_OPEN_SAMPLES - self.window :]

    def _open_stroke(self, a: int, b: int, before: Rest) -> None:
        """Fit a stroke that began at rest and did not come to rest.

        A driver slower than the command leaves it time for may never settle, and its ramp shows all the same: in what
        it does until the command turns. How far it would have gone is one more unknown, as it is in any stroke.
        """
        time_s = self.data[TIME]
        if time_s[b - 1] - time_s[a] < _SHORTEST_OPEN_S:
            return
        if before.n * self.scale.interval_s > _RESTED_S:  # there may be no other: long enough enabled
            self.excluded = False
        rising = bool(self.data[DEMAND, a:b].max() > self.data[DEMAND, a] + self.scale.move)
        if self.excluded or self.learner.should_fit(float(time_s[b - 1]), rising=rising):
            self._keep(self._stroke(a, b, before=before, after=NO_REST, far=True))

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

    def _pressure_delay(self, a: int, b: int, arrival: float) -> None:
        time_s, current_a, pressure_bar = self.data[TIME, a:b], self.data[CURRENT, a:b], self.data[PRESSURE, a:b]
        late = pressure_delay(time_s, current_a, pressure_bar, self.scale.span_a)
        if late is not None:
            dead_s = math.nan if late.dead_s is None else late.dead_s
            self.out.delays.append(PressureDelay(float(time_s[0]), arrival, dead_s, late.behind_s))

    def _listen(self, a: int, b: int) -> None:
        """What a settled stretch tells of noise, tones and converters."""
        time_s, current_a = self.data[TIME, a:b], self.data[CURRENT, a:b]
        self.learner.update_tone(time_s, current_a, self.scale, self.scale.span_a)
        self.learner.hear_command(self.data[DEMAND, a:b])
        self.learner.hear_shared(time_s, self.data[DEMAND, a:b], current_a, self.scale)
        self.learner.see_step(resolution(current_a), self.scale.span_a)

    def _stroke(self, a: int, b: int, *, before: Rest, after: Rest, far: bool = False) -> Stroke | None:
        return stroke_of(
            self.data[:, a:b],
            self.window,
            self.lead,
            self.scale,
            self.learner,
            excluded=self.excluded,
            before=before,
            after=after,
            far=far,
        )
