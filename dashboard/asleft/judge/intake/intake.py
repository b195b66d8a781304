"""Readings on their way in: single wild ones are set aside and counted before anything is made of them.

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
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt
from asleft.judge.intake.columns import CURRENT, DEMAND, PRESSURE, ROWS, TIME, columns_of
from asleft.judge.types import FloatArray, Samples
from asleft.sheet.model import Sheet

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
        change = np.abs(np.diff(values))
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
    step = np.diff(values)
    big = np.abs(step) > least
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
