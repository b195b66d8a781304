"""Verifications for the pages: readings of a stretch, graded, kept for a moment; sweeps found in the past."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass, field
from threading import Lock

import numpy as np
from asleft.judge.types import FastBurst, Samples
from asleft.judge.verify.grade import CONDITIONING, check, demand_of
from asleft.judge.verify.recognise import motion_of
from asleft.judge.verify.result import Check
from asleft.sheet.model import Sheet
from asleft.web.source import Source
from asleft.web.when import BadStretch, PlantTime, Stretch, ordered, typed_ns

S = 10**9
#: A verification takes minutes; more than this is production.
LONGEST_S = 2 * 3600
#: How far back sweeps are looked for without being asked.
LOOK_BACK_NS = 8 * 3600 * S
#: Cycles this close before a sweep belong to it, as many as it needs.
BELONGS_S = 120.0
_MARGIN_S = 3.0
_KEPT = 12


@dataclass(frozen=True, slots=True)
class FoundSweep:
    """A sweep in what was recorded, with the stretch that grades it."""

    stretch: Stretch
    at_ns: int
    lasted_s: float
    cycles_before: int


def gradable(from_ns: int, to_ns: int) -> Stretch:
    """A stretch that can be graded. Raises `BadStretch`."""
    stretch = ordered(from_ns, to_ns)
    if stretch.seconds > LONGEST_S:
        raise BadStretch(f"from, to: {stretch.seconds / 3600:.1f} hours; a verification takes 2 at most.")
    return stretch


def typed_in(time: PlantTime, args: Mapping[str, str], *, graded: bool) -> Stretch:
    """The stretch typed into the form under the list of sweeps, to be `graded` or looked through.

    Raises `BadStretch`.
    """
    ends = [typed_ns(time, key, args.get(key, "")) for key in ("plant_from", "plant_to")]
    if graded:
        return gradable(*ends)
    stretch = ordered(*ends)
    if stretch.seconds > 2 * LOOK_BACK_NS / 1e9:
        raise BadStretch("From, to: sweeps are looked for in 16 hours at most.")
    return stretch


def samples_in(source: Source, valve: str, stretch: Stretch) -> Samples:
    """All readings and bursts of current of a stretch, times strictly increasing."""
    stored = source.samples.samples(valve, stretch.from_ns, stretch.to_ns)
    time_s = stored.time_ns / 1e9
    keep = np.ones(time_s.size, dtype=bool)
    if time_s.size:
        keep[1:] = time_s[1:] > np.maximum.accumulate(time_s)[:-1]
    bursts = tuple(
        FastBurst(b.start_ns / 1e9, b.rate_hz, b.values)
        for b in source.samples.bursts(valve, stretch.from_ns, stretch.to_ns)
        if b.channel == "current"
    )
    return Samples(time_s[keep], {name: values[keep] for name, values in stored.channels.items()}, bursts)


@dataclass
class Checks:
    """Grades stretches; the same stretch of a live one is graded anew only when readings have come."""

    source: Source
    _kept: OrderedDict[tuple[str, int, int, int], Check] = field(default_factory=OrderedDict, repr=False)
    _lock: Lock = field(default_factory=Lock, repr=False)

    def check(self, valve: str, sheet: Sheet, stretch: Stretch) -> Check | None:
        """Graded against `sheet`; None where nothing was recorded in the stretch."""
        newest = self.source.samples.span(valve)
        to_ns = min(stretch.to_ns, newest[1] + 1) if newest is not None else stretch.from_ns
        if to_ns <= stretch.from_ns:
            return None
        key = (valve, stretch.from_ns, to_ns, sheet.revision.number)
        with self._lock:
            if key in self._kept:
                return self._kept[key]
        samples = samples_in(self.source, valve, Stretch(stretch.from_ns, to_ns))
        made = check(sheet, samples) if samples.time_s.size else None
        if made is not None:
            with self._lock:
                self._kept[key] = made
                while len(self._kept) > _KEPT:
                    self._kept.popitem(last=False)
        return made

    def sweeps(self, valve: str, sheet: Sheet, stretch: Stretch) -> list[FoundSweep]:
        """Sweeps in a stretch, newest first, each with the cycles that belong to it."""
        stored = self.source.samples.samples(valve, stretch.from_ns, stretch.to_ns)
        samples = Samples(stored.time_ns / 1e9, stored.channels)
        cycles = motion_of(samples.time_s, demand_of(sheet, samples)).cycles
        out = []
        for number, cycle in enumerate(cycles):
            if not cycle.sweep:
                continue
            first, count = cycle, 0
            for before in reversed(cycles[:number]):
                if before.sweep or first.from_s - before.to_s > BELONGS_S or count == CONDITIONING:
                    break
                first, count = before, count + 1
            from_ns, to_ns = round((first.from_s - _MARGIN_S) * S), round((cycle.to_s + _MARGIN_S) * S)
            out.append(FoundSweep(Stretch(from_ns, to_ns), round(cycle.from_s * S), cycle.to_s - cycle.from_s, count))
        return out[::-1]
