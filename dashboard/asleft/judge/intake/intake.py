"""Readings on their way in: one matrix, what is known of it at large, single wild ones set aside.

Known at large are interval, noise and the threshold of a move. Wild readings are counted before anything is made of
the others.

A converter's glitch, a disturbed bus or a contact's spark gives one or two readings far from both neighbours,
which agree with each other. As a command it would open a stroke, as a current switch the driver off, as a pressure
be a peak that nobody asked for. It becomes a failed reading (NaN): the rest bridges those.

Wild is what lies off both neighbours by more than 0.5 % of the command's range, 1 % of the span or 1 % of full
pressure, and by more than eight times the third largest of the eight steps before it, while the neighbours differ
by less than half of that; where a converter is coarse, by more than three of its steps (`Steps`). Two readings count
within a tenth of a second, one within a quarter. The last two samples wait for their neighbours, so the judge is
behind by that much (20 ms at 100 Hz).

Misses: three wild readings in a row; those among several others or failed ones, in the very instant of a step, or
within eight readings of a beginning. Cries wolf: a true pulse of one or two samples is set aside (at 100 Hz no valve
answers one; at 10 Hz that is a tenth of a second).
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt
from asleft.judge.packing import pack, unpack
from asleft.judge.types import FloatArray, Samples
from asleft.sheet.model import Sheet, Signal

# Samples as one matrix: a row per channel the judge uses, a column per sample time.

#: Row numbers.
TIME, DEMAND, CURRENT, PRESSURE, SUPPLY, OIL, MODE, COIL_V, ENABLE, PUMP, STATE, ENABLED, CLOCK = range(13)
ROWS = 13

_CHANNEL_ROW = {
    "current": CURRENT,
    "pressure": PRESSURE,
    "supply": SUPPLY,
    "oil_temperature": OIL,
    "mode": MODE,
    "coil_voltage": COIL_V,
    "enable": ENABLE,
    "pump_running": PUMP,
}


#: Differences below this share of the readings are rounding; steps this alike (share) are one.
_ROUNDING, _SAME_STEP = 1e-9, 1e-3
#: A reading between two codes is back within so many samples.
_BACK_WITHIN = 15


def columns_of(samples: Samples, signal: Signal, before: FloatArray | None = None) -> FloatArray:
    """Matrix of shape (ROWS, n), NaN where a channel is absent or a reading failed. Demand: 1 = full command.

    `before`: earlier columns, shape (ROWS, m), to be put in front; the result is then (ROWS, m + n).
    """
    first = 0 if before is None else before.shape[1]
    out = np.empty((ROWS, first + samples.time_s.size))
    if before is not None:
        out[:, :first] = before
    new = out[:, first:]
    new[TIME] = samples.time_s
    command = samples.channels.get("command")
    new[DEMAND] = np.nan if command is None else (command - signal.at_zero) / (signal.at_full - signal.at_zero)
    for name, row in _CHANNEL_ROW.items():
        new[row] = samples.channels.get(name, np.nan)
    new[STATE:] = np.nan  # what the judge itself fills in
    return out


def resolution(values: FloatArray) -> float:
    """Smallest step between distinct readings of one quantity at rest (a converter's step); 0 if it shows none."""
    ordered = np.sort(values[np.isfinite(values)])
    if ordered.size == 0 or ordered[0] == ordered[-1]:
        return 0.0
    steps = ordered[1:] - ordered[:-1]
    steps = steps[steps > _ROUNDING * max(abs(float(ordered[-1])), abs(float(ordered[0])))]
    return float(steps.min(initial=np.inf))


def toggled_step(values: FloatArray, largest: float = np.inf) -> float:
    """Smallest step by which readings change and, within a few of them, change back; 0 if none does.

    A converter between two of its codes does that. A command from a register goes from level to level: its levels,
    however close, are no converter's steps. Nor is what is larger than `largest`.
    """
    change = np.diff(values[np.isfinite(values)])
    at = np.flatnonzero(np.abs(change) > _ROUNDING * np.abs(values[np.isfinite(values)]).max(initial=0.0))
    size = change[at]
    back = (np.abs(size[1:] + size[:-1]) < _SAME_STEP * np.abs(size[:-1])) & (np.diff(at) <= _BACK_WITHIN)
    steps = np.abs(size[:-1][back])
    return float(steps[steps <= largest].min(initial=np.inf)) if np.any(steps <= largest) else 0.0


def noise_of(values: FloatArray, largest_step: float = np.inf) -> float:
    """Standard deviation of one sample's noise from differences, robust to the moves of the signal; 0 if none shows.

    1.4826 MAD of first differences / sqrt 2 or of second differences / sqrt 6, whichever is less: steps leave either
    alone, slopes and bends the second. At least a converter's step / sqrt 12 where readings toggle by one (of at most
    `largest_step`), because such noise may hide between two codes.
    """
    finite = values[np.isfinite(values)]
    if finite.size < 3:
        return 0.0
    first = 1.4826 * float(np.median(np.abs(np.diff(finite)))) / np.sqrt(2.0)
    second = 1.4826 * float(np.median(np.abs(np.diff(finite, 2)))) / np.sqrt(6.0)
    return float(max(min(first, second), toggled_step(finite, largest_step) / np.sqrt(12.0)))


def pack_matrix(matrix: FloatArray) -> str:
    """Exact text of a (ROWS, n) matrix."""
    return pack(matrix)


def unpack_matrix(text: str) -> FloatArray:
    """Inverse of `pack_matrix`."""
    return unpack(text, ROWS)


WATCHED: Mapping[str, int] = {"command": DEMAND, "current": CURRENT, "pressure": PRESSURE}
_ROWS = (TIME, *WATCHED.values())
_WAIT = 2
_PAST = 10
_LEAST_COMMAND = 0.005
_LEAST_SHARE = 0.01
_LEAST_A, _LEAST_BAR = 0.02, 2.0  # where the sheet does not say
#: The third largest of eight steps: one wild reading among them (two steps) does not hide the next.
_USUAL = 5
_TIMES_USUAL = 8.0
#: Noise of half a converter's step seldom moves a reading by three of them; so many changes make a step known.
_TIMES_STEP, _BELIEVED = 3.5, 8
_SAME = 1e-9  # relative difference of readings that are the same
_ONE_S, _TWO_S = 0.25, 0.1
_HOUR_S, _DAY_H = 3600.0, 24


@dataclass(frozen=True, slots=True)
class Steps:
    """A channel's converter: the smallest change between neighbouring readings so far, and how many there were.

    A change is believed to be a converter's step once there were eight: a single wild reading makes only two.
    """

    smallest: float = math.inf
    changes: int = 0

    @property
    def known(self) -> float:
        """The converter's step in units of the channel; 0 while not known."""
        return self.smallest if self.changes >= _BELIEVED and math.isfinite(self.smallest) else 0.0

    def follow(self, values: FloatArray) -> tuple[FloatArray, Steps]:
        """Step known by each of the readings (n,), the one before them first; and what is known after the last."""
        change = np.abs(values[1:] - values[:-1])
        change[~(change > _SAME * np.abs(values[1:]))] = np.inf  # no change, or one that was not read
        smallest = np.minimum(np.minimum.accumulate(change), self.smallest)
        changes = self.changes + np.cumsum(np.isfinite(change))
        known = np.where((changes >= _BELIEVED) & np.isfinite(smallest), smallest, 0.0)
        if change.size == 0:
            return known, self
        return known, Steps(float(smallest[-1]), int(changes[-1]))


@dataclass(eq=False, frozen=True, slots=True)
class Intake:
    """What waits, what came before it (raw: time, command, current, pressure), and counts set aside by channel."""

    waiting: FloatArray = field(default_factory=lambda: np.empty((ROWS, 0)))
    past: FloatArray = field(default_factory=lambda: np.empty((len(_ROWS), 0)))
    excluded: Mapping[str, int] = field(default_factory=dict)  # "time": times that came twice or out of order
    found_s: tuple[float, ...] = ()  # when the readings set aside in the last call were taken (unix s)
    newest_s: float | None = None  # of all samples seen
    lately: tuple[tuple[int, str, int], ...] = ()  # hour since 1970, name, count: of the last day of them
    steps: Mapping[str, Steps] = field(default_factory=dict)  # of each watched channel's converter

    def counting(self, name: str, at_s: FloatArray) -> Intake:
        """The same with more set aside under `name`, at these times (n,)."""
        if not at_s.size:
            return self
        hours = Counter({(hour, known): count for hour, known, count in self.lately})
        # A time that is no number belongs to the newest that is one.
        known_s = np.where(np.isfinite(at_s), at_s, self.newest_s or 0.0)
        hours.update((int(hour), name) for hour in known_s // _HOUR_S)
        oldest = max(hour for hour, _ in hours) - _DAY_H
        lately = tuple((hour, known, count) for (hour, known), count in sorted(hours.items()) if hour > oldest)
        return replace(self, excluded={**self.excluded, name: self.excluded.get(name, 0) + at_s.size}, lately=lately)

    def counts(self, *, lately: bool) -> Mapping[str, int]:
        """What was set aside by name, of all that was seen or of the last day."""
        if not lately:
            return self.excluded
        oldest = (self.newest_s or 0.0) // _HOUR_S - _DAY_H
        counts: Counter[str] = Counter()
        for hour, name, count in self.lately:
            counts[name] += count if hour > oldest else 0
        return +counts

    def step_of(self, name: str) -> float:
        """Step of a channel's converter, in its unit; 0 while not known."""
        return self.steps.get(name, Steps()).known


def take_in(samples: Samples, sheet: Sheet, intake: Intake, *, flush: bool = False) -> tuple[FloatArray, Intake]:
    """Columns (ROWS, m) ready to be judged, wild readings NaN, and what waits. `flush`: nothing follows soon."""
    raw = columns_of(samples, sheet.signal, before=intake.waiting)
    n = raw.shape[1]
    ready = n if flush else max(n - _WAIT, 0)
    newest_s = float(raw[TIME, -1]) if n else intake.newest_s
    if ready == 0:
        return raw[:, :0], replace(intake, waiting=raw, found_s=(), newest_s=newest_s)
    waiting = raw[:, ready:].copy()
    counted, found_s = intake, list[float]()
    before = intake.past if intake.past.shape[1] else np.full((len(_ROWS), _PAST), np.nan)
    new = before.shape[1]
    time_s = np.concatenate((before[0], raw[TIME]))
    past = [time_s[ready : ready + new]]
    steps = dict[str, Steps]()
    for k, (name, row) in enumerate(WATCHED.items(), start=1):
        values = np.concatenate((before[k], raw[row]))
        past.append(values[ready : ready + new])
        known, steps[name] = _steps(intake.steps.get(name, Steps()), values, new, ready)
        found = wild(time_s, values, _least(name, sheet), known) - new
        found = found[(found >= 0) & (found < ready)]
        if found.size:
            raw[row, found] = np.nan
            counted = counted.counting(name, raw[TIME, found])
            found_s += raw[TIME, found].tolist()
    taken = replace(
        counted, waiting=waiting, past=np.array(past), found_s=tuple(found_s), newest_s=newest_s, steps=steps
    )
    return raw[:, :ready], taken


def _steps(before: Steps, values: FloatArray, new: int, ready: int) -> tuple[FloatArray, Steps]:
    """The converter's step known by each of `values`, (n,), and by the last ready one; the first `new` are old."""
    known = np.full(values.size, before.known)
    known[new : new + ready], after = before.follow(values[new - 1 : new + ready])
    known[new + ready :] = after.known
    return known, after


def _least(name: str, sheet: Sheet) -> float:
    """How far off a reading must be to be wild: demand, A or bar."""
    if name == "command":
        return _LEAST_COMMAND
    if name == "current":
        zero, full = sheet.as_left.get("current_at_zero"), sheet.as_left.get("current_at_full")
        return _LEAST_A if zero is None or full is None else _LEAST_SHARE * (full - zero)
    bar = sheet.as_left.get("pressure_at_full")
    return _LEAST_BAR if bar is None else _LEAST_SHARE * bar


def remarks_of(intake: Intake, *, lately: bool) -> tuple[str, ...]:
    """What was set aside and left out, in sentences: of the last day, or of all that was seen."""
    excluded = intake.counts(lately=lately)
    when = " in the last day" if lately else ""
    counts = ", ".join(f"{count} of {name}" for name, count in sorted(excluded.items()) if name != "time")
    out = [f"Set aside as single wild readings{when}: {counts}."] if counts else []
    if excluded.get("time"):
        out.append(f"Left out{when}: {excluded['time']} samples whose time came twice or went back.")
    return tuple(out)


def wild(
    time_s: FloatArray, values: FloatArray, least: float, step_known: FloatArray | None = None
) -> npt.NDArray[np.intp]:
    """Indices of single and double wild readings, ascending; each follows from ten readings before and two after.

    `step_known`: the converter's step as far as it was known by each reading, (n,), 0 where it was not.
    """
    step = values[1:] - values[:-1]
    big = np.abs(step) > least
    if not big.any():
        return np.zeros(0, dtype=np.intp)
    one = np.flatnonzero(big[:-1] & big[1:]) + 1  # off both neighbours
    two = np.flatnonzero(big[:-2] & big[2:]) + 1  # a pair off both its neighbours
    coarse = np.zeros(values.size) if step_known is None else _TIMES_STEP * step_known
    one = one[_off(time_s, values, step, one, 1, np.maximum(least, coarse[one - 1]))]
    two = two[_off(time_s, values, step, two, 2, np.maximum(least, coarse[two - 1]))]
    return np.unique(np.concatenate((one, two, two + 1)))


def _off(
    time_s: FloatArray,
    values: FloatArray,
    step: FloatArray,
    at: npt.NDArray[np.intp],
    length: int,
    least: FloatArray,
) -> npt.NDArray[np.bool_]:
    """Whether the readings from `at` on, `length` of them, lie off the reading before and the one after."""
    if at.size == 0:
        return np.zeros(0, dtype=bool)
    before, after = values[at - 1], values[at + length]
    inside = np.stack([values[at + k] for k in range(length)])
    away = np.minimum(np.abs(inside - before), np.abs(inside - after)).min(axis=0)
    usual = np.abs(step[np.maximum(at[:, None] - np.arange(2, 10), 0)])
    usual = np.partition(np.where(np.isfinite(usual), usual, np.inf), _USUAL, axis=1)[:, _USUAL]
    limit = np.maximum(least, _TIMES_USUAL * usual)
    soon = time_s[at + length] - time_s[at - 1] <= (_ONE_S if length == 1 else _TWO_S) + 1e-6
    alone: npt.NDArray[np.bool_] = (away > limit) & (np.abs(after - before) < 0.5 * away) & soon
    return alone


# What is known of a valve's readings at large: interval, noise, the threshold of a move.
#
# First from its first samples, because nothing can be cut before; and again from the first samples of every later
# minute, because those may have been odd: a command that only moved, a converter that happened to stand between two
# codes. The middle of the latest estimates counts. Minutes are those of the clock, so that nothing depends on how
# the samples are cut.

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
