"""What readings tell of their own sensors: dead ones, and what they show while there is nothing to read.

A current or pressure reading is stuck when it has been exactly constant for 5 s while the command moved by a fifth,
and for 2 s after that move. Where the driver seems off by that very current, and no channel says so, the pressure
must have moved by a fifth of full pressure as well: then something flows. A command reading is stuck when it has been
exactly constant while the current went up and down three times (between a quarter and 55 % of the span: a driver does
not do that by itself); a supply reading as the first two, if it flickered by several steps of its converter before,
with the driver enabled or without, each by itself.

Misses: a reading stuck at a time when nothing moves, one that still flickers by a count, a supply reading dead from
the first row on, a stuck command where production's current stays on one side of that band. Cries wolf: a converter
so coarse that a pressure the load makes stays within one step for 5 s of a moving command.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from asleft.judge.intake.holding import BoolArray
from asleft.judge.intake.intake import CURRENT, DEMAND, ENABLE, ENABLED, PRESSURE, STATE, SUPPLY, TIME
from asleft.judge.intake.states import PRODUCING
from asleft.judge.types import FloatArray
from asleft.judge.watching.stretches import Stretch, WatchCarry, stretches
from asleft.sheet.model import Sheet

_STUCK_S = 5.0
_ANSWERS_S = 2.0  # within this what is alive moves by a step of its converter after the command has moved
_PINNED_S = 1.0
_MOVED = 0.2  # of the command
_LOW, _HIGH, _SWINGS = 0.25, 0.55, 3  # of the span
_STANDS_S, _MOVES = 0.2, 0.05  # a current stands if it has moved by less than this share of the span
_LOOK_BACK_S = 0.5  # as far as readings are remembered: slower ones show no standing current
_OF_ZERO = 0.7  # of the current at zero
#: A supply reading's noise is told from so many readings: half of them must change, a fifth of these by more than the
#: least change (a reading between two steps of a converter only changes by one).
_FIRST_READINGS, _FLICKERS, _SEVERAL, _SHARE_SEVERAL = 500, 0.5, 1.5, 0.2
_ROUNDING = 1e-9


def dead_readings(columns: FloatArray, sheet: Sheet, carry: WatchCarry, gap: BoolArray) -> list[Stretch]:
    """Stretches `pinned:<channel>` and `stuck:<channel>` in new samples (shape (ROWS, n)); updates `carry`."""
    out: list[Stretch] = []
    for name, row in (("command", DEMAND), ("current", CURRENT), ("pressure", PRESSURE), ("supply", SUPPLY)):
        values = columns[row]
        if not np.isfinite(values).any():
            carry.since.pop(f"pinned:{name}", None)
            carry.same_since.pop(f"stuck:{name}", None)
            continue
        out += _at_end(name, values, columns, sheet, carry, gap)
        if name == "command":
            out += _stuck_command(columns, sheet, carry, gap)
        elif name == "supply":
            out += _stuck("stuck:supply", values, _shows_noise(values, columns, carry), columns, carry, gap)
        elif name == "pressure":
            out += _stuck("stuck:pressure", values, columns[STATE] == PRODUCING, columns, carry, gap)
        else:
            watched = (columns[ENABLED] > 0.5) | np.isnan(columns[ENABLE])
            out += _stuck(
                "stuck:current", values, watched, columns, carry, gap, full_bar=sheet.as_left.get("pressure_at_full")
            )
    return out


def _at_end(
    name: str, values: FloatArray, columns: FloatArray, sheet: Sheet, carry: WatchCarry, gap: BoolArray
) -> list[Stretch]:
    """At the upper end of the instrument's range, as the sheet gives it, for 1 s."""
    instrument = sheet.instruments.get(name)
    if instrument is None or instrument.range_high is None:
        return []
    reading = values
    if name == "command":
        reading = sheet.signal.at_zero + values * (sheet.signal.at_full - sheet.signal.at_zero)
    span = instrument.range_high - (instrument.range_low or 0.0)
    at_end = reading >= instrument.range_high - 0.001 * span
    found = stretches(f"pinned:{name}", at_end, columns, carry, _PINNED_S, gap)
    for stretch in found:
        stretch.detail["value"] = instrument.range_high
    return found


def _stuck(
    kind: str,
    values: FloatArray,
    watched: BoolArray,
    columns: FloatArray,
    carry: WatchCarry,
    gap: BoolArray,
    *,
    full_bar: float | None = None,
) -> list[Stretch]:
    """Runs of one exact value, watched throughout, over which the command moved by more than a fifth.

    They go on for so long after that move that what is alive would have answered: it may rest to the last digit
    before it, and a command that is read late moves when the answer is over. Where the driver seems not enabled at
    its end, the pressure must have moved by a fifth of `full_bar` as well.
    """
    time_s, demand, answer = columns[TIME], columns[DEMAND], f"{kind}:answer"
    out: list[Stretch] = []
    for a, b, begin, carried in _same(kind, values, watched & np.isfinite(values), time_s, carry, gap):
        lows, highs = _range(kind, demand[a:b], carry, carried=carried)
        moved_s = carry.same_moved_s.get(kind, np.inf) if carried else np.inf
        if not np.isfinite(moved_s) and highs[-1] - lows[-1] > _MOVED:
            moved_s = float(time_s[a + int(np.argmax(highs[1:] - lows[1:] > _MOVED))])
        least_bar, most_bar = _range(answer, columns[PRESSURE, a:b], carry, carried=carried)
        flows = columns[ENABLED, b - 1] > 0.5 or kind != "stuck:current"
        flows |= full_bar is not None and most_bar[-1] - least_bar[-1] > _MOVED * full_bar
        last_s = float(time_s[b - 1])
        if last_s - begin >= _STUCK_S and last_s - moved_s >= _ANSWERS_S and flows:
            out.append(Stretch(kind, begin, last_s, {"value": float(values[a])}))
        if b == values.size:
            carry.same_low[kind], carry.same_high[kind] = float(lows[-1]), float(highs[-1])
            carry.same_low[answer], carry.same_high[answer] = float(least_bar[-1]), float(most_bar[-1])
            carry.same_moved_s[kind] = moved_s
    return out


def _range(key: str, values: FloatArray, carry: WatchCarry, *, carried: bool) -> tuple[FloatArray, FloatArray]:
    """Lowest and highest of a run's values (n,) up to each, shape (n + 1,) both, from what was `carried` on."""
    low, high = np.inf, -np.inf
    if carried:
        low, high = carry.same_low.get(key, np.inf), carry.same_high.get(key, -np.inf)
    lows: FloatArray = np.fmin.accumulate(np.concatenate(([low], values)))
    highs: FloatArray = np.fmax.accumulate(np.concatenate(([high], values)))
    return lows, highs


def _shows_noise(values: FloatArray, columns: FloatArray, carry: WatchCarry) -> BoolArray:
    """Where a supply reading that is alive would flicker: all but its first readings, if these did; shape (n,).

    A steady supply may read one value for long where a converter's step is coarse. A reading whose noise spans
    several steps, whatever the supply, does not. That is known from its first 500 readings with the driver enabled,
    and from as many without: what it does without a load is another thing.
    """
    read, on = np.isfinite(values), columns[ENABLED] > 0.5
    with_load = _flickering(values, read & on, carry.supply_flickers, carry.first_supply_v)
    without = _flickering(values, read & ~on, carry.idle_supply_flickers, carry.first_idle_supply_v)
    carry.supply_flickers, carry.idle_supply_flickers = with_load.flickers, without.flickers
    return with_load.shows | without.shows


class _Flickering(NamedTuple):
    """Whether a reading flickers (None: not known yet), and where, (n,), one that is alive would."""

    flickers: bool | None
    shows: BoolArray


def _flickering(values: FloatArray, watched: BoolArray, flickers: bool | None, first: list[float]) -> _Flickering:
    """`first`: the readings seen until it is known; further ones are taken in."""
    if flickers is None:
        at = np.flatnonzero(watched)[: _FIRST_READINGS - len(first)]
        first += values[at].tolist()
        watched[: at[-1] + 1 if at.size else 0] = False
        if len(first) < _FIRST_READINGS:
            return _Flickering(None, np.zeros_like(watched))
        change = np.abs(np.diff(first))
        change = change[change > _ROUNDING * max(first)]
        several = np.mean(change > _SEVERAL * change.min()) if change.size > _FLICKERS * _FIRST_READINGS else 0.0
        flickers = bool(several > _SHARE_SEVERAL)
        first.clear()
    return _Flickering(flickers, watched if flickers else np.zeros_like(watched))


def _stuck_command(columns: FloatArray, sheet: Sheet, carry: WatchCarry, gap: BoolArray) -> list[Stretch]:
    """Runs of one exact command over which the current went up and down three times."""
    zero, full = sheet.as_left.get("current_at_zero"), sheet.as_left.get("current_at_full")
    if zero is None or full is None:
        return []
    kind, demand, time_s = "stuck:command", columns[DEMAND], columns[TIME]
    share = _settled_share(columns, zero, full, carry)
    enabled = (columns[ENABLED] > 0.5) & np.isfinite(demand)
    out: list[Stretch] = []
    for a, b, begin, carried in _same(kind, demand, enabled, time_s, carry, gap):
        here = share[a:b]
        sides = np.sign(here[(here < _LOW) | (here > _HIGH)] - _HIGH)
        before = carry.swung_high if carried else 0.0
        sides = np.concatenate(([before], sides)) if before else sides
        swings = (carry.swings if carried else 0) + int(np.count_nonzero(np.diff(sides)))
        if time_s[b - 1] - begin >= _STUCK_S and swings >= _SWINGS:
            reading = sheet.signal.at_zero + float(demand[a]) * (sheet.signal.at_full - sheet.signal.at_zero)
            out.append(Stretch(kind, begin, float(time_s[b - 1]), {"value": reading}))
        if b == demand.size:
            carry.swings, carry.swung_high = swings, float(sides[-1]) if sides.size else 0.0
    return out


def _settled_share(columns: FloatArray, zero_a: float, full_a: float, carry: WatchCarry) -> FloatArray:
    """The current as a share of the span where it is that of an enabled driver and stands, else NaN; shape (n,).

    A coil that breaks off now and then swings too, but does not stand at what an enabled driver lets flow.
    """
    read = np.flatnonzero(np.isfinite(columns[CURRENT]))
    current = np.concatenate((carry.recent_a, columns[CURRENT, read]))
    time_s = np.concatenate((carry.recent_s, columns[TIME, read]))
    before = np.searchsorted(time_s, time_s - _STANDS_S, side="right") - 1
    apart_s = time_s - time_s[np.maximum(before, 0)]
    stands = (before >= 0) & (apart_s <= _LOOK_BACK_S)
    stands &= np.abs(current - current[np.maximum(before, 0)]) < _MOVES * (full_a - zero_a)
    stands &= current >= _OF_ZERO * zero_a
    out = np.full(columns.shape[1], np.nan)
    out[read] = np.where(stands, (current - zero_a) / (full_a - zero_a), np.nan)[len(carry.recent_a) :]
    return out


def _same(
    kind: str, values: FloatArray, watched: BoolArray, time_s: FloatArray, carry: WatchCarry, gap: BoolArray
) -> Iterator[tuple[int, int, float, bool]]:
    """Runs of one exact value, watched throughout, that may be long enough: (first, end, begin, goes on from before).

    The value and beginning of the last run are kept for the next call; the caller keeps what it has seen in it.
    """
    cuts = np.flatnonzero((values[1:] != values[:-1]) | (watched[1:] != watched[:-1]) | gap[1:]) + 1
    since_s = carry.same_since.pop(kind, None)
    if not watched[0] or gap[0] or carry.same_value.get(kind) != values[0]:
        since_s = None
    first, end = np.concatenate(([0], cuts)), np.concatenate((cuts, [values.size]))
    last = end - 1
    worth = (time_s[last] - time_s[first] >= _STUCK_S) | (first == 0) | (last == values.size - 1)
    for number in np.flatnonzero(worth & watched[first]).tolist():
        a, b = int(first[number]), int(end[number])
        carried = a == 0 and since_s is not None
        begin = since_s if a == 0 and since_s is not None else float(time_s[a])
        yield a, b, begin, carried
        if b == values.size:
            carry.same_value[kind], carry.same_since[kind] = float(values[-1]), begin


# What a reading shows while there is nothing to read: the sensor's own zero, a free check in every stop.
#
# Pressure while the machine is stopped and vented, current while the driver is switched off. As left is the first
# such reading; how far it has moved since parts a sensor from what it measures.

_LEAST_READINGS = 50


@dataclass(slots=True)
class Zero:
    """A sensor's zero: as left, now, and what the present stop has given so far (begin, sum, number of readings)."""

    left: float | None = None
    now: float | None = None
    since_s: float | None = None
    total: float = 0.0
    count: int = 0

    @property
    def shift(self) -> float | None:
        """How far the zero has moved since it was left; None: not known."""
        return None if self.left is None or self.now is None else self.now - self.left


def take_zero(
    zero: Zero,
    quiet: npt.NDArray[np.bool_],
    columns: FloatArray,
    row: int,
    gap: npt.NDArray[np.bool_],
    window_s: tuple[float, float],
    limit: float,
) -> None:
    """Take readings of `row` while `quiet` (n,), in a window of time after that began; `zero` is changed in place.

    A mean beyond `limit` is no zero: something is still there, or the sensor is so far off that nobody can tell; then
    the zero is not known. Cuts of the samples change nothing.
    """
    cuts = [0, *(np.flatnonzero(np.diff(quiet) | gap[1:]) + 1).tolist(), quiet.size]
    for a, b in itertools.pairwise(cuts):
        since = zero.since_s
        if since is not None and (a > 0 or gap[0] or not quiet[a]):
            _end(zero, limit)
            zero.since_s = since = None
        if not quiet[a]:
            continue
        if since is None:
            zero.since_s = since = float(columns[TIME, a])
        age = columns[TIME, a:b] - since
        values = columns[row, a:b][(age > window_s[0]) & (age <= window_s[1])]
        values = values[np.isfinite(values)]
        zero.total += float(values.sum())
        zero.count += int(values.size)
        if age[-1] > window_s[1]:
            _end(zero, limit)


def _end(zero: Zero, limit: float) -> None:
    if zero.count >= _LEAST_READINGS:
        mean = zero.total / zero.count
        zero.now = mean if abs(mean) <= limit else None
        if zero.left is None:
            zero.left = zero.now
    zero.total, zero.count = 0.0, 0
