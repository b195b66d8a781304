"""Stored history judged again, under any settings: what would have alarmed. It reads the stores and writes nothing.

The same judge and the same rule for alarms as live. Live, a valve is looked at every few seconds; here every ten
minutes of what is stored, which is as long as what is found rests on. Where a condition seen sample by sample begins
or ends within the ten minutes, they are gone through again in steps of ten seconds, so that what lasts seconds alarms
here as it does there.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

from asleft.alarms.events import AlarmEvent
from asleft.alarms.raising import alarm_events
from asleft.alarms.states import AlarmView, fold
from asleft.judge.drift import BUDGET_YEARS
from asleft.judge.judge import Advance, advance, begin
from asleft.judge.state import JudgeState
from asleft.judge.steps.summary import summarise
from asleft.judge.types import FastBurst, Samples
from asleft.recorder.effective_sheet import WrongUnit
from asleft.recorder.misread import misread_since_ns
from asleft.sheet.model import Sheet
from asleft.store.protocols import SampleReader, StoredSamples

HOUR_NS = 3_600_000_000_000
"""Readings are taken from the store by the hour: that bounds memory."""
LOOK_S = 600.0
FINE_S = 10.0
#: A condition that goes on to within this of the end of a step has not ended in it (s).
_GOES_ON_S = 1.5


@dataclass(frozen=True, slots=True)
class Setting:
    """What to judge under: sheets with the time from which each is in force (ns, ascending), and the budget."""

    sheets: tuple[tuple[int, Sheet], ...]
    budget_years: float = BUDGET_YEARS

    def sheet_at(self, at_ns: int) -> Sheet | None:
        """The sheet in force, None before the first."""
        return next((sheet for from_ns, sheet in reversed(self.sheets) if from_ns <= at_ns), None)


@dataclass(slots=True)
class Course:
    """How one valve goes under one setting."""

    setting: Setting
    sheet: Sheet | None = None
    state: JudgeState | None = None
    alarms: dict[str, AlarmView] = field(default_factory=dict)
    log: dict[str, list[AlarmEvent]] = field(default_factory=dict)

    def take(self, sheet: Sheet, samples: Samples) -> None:
        """Judge further samples, all under one sheet."""
        if samples.time_s.size == 0:
            return
        if self.state is None or sheet != self.sheet:
            self.sheet, self.state = sheet, begin(sheet, budget_years=self.setting.budget_years)
        before = self.state
        done = advance(sheet, before, samples)
        if not _changes(done, float(samples.time_s[0]), float(samples.time_s[-1])):
            self._look(sheet, done, samples)
            return
        for part in split(samples, FINE_S):
            done = advance(sheet, before, part)
            before = done.state
            self._look(sheet, done, part)

    def _look(self, sheet: Sheet, done: Advance, samples: Samples) -> None:
        self.state = done.state
        if done.nothing_new:
            return
        at_ns = round(float(samples.time_s[-1]) * 1e9)
        said = summarise(sheet, done.state)
        for event in alarm_events(
            sheet.valve,
            self.alarms.values(),
            said.findings,
            said.current_state.value,
            at_ns,
            misread_since_ns=misread_since_ns(said.fit),
        ):
            log = self.log.setdefault(event.alarm, [])
            log.append(event)
            self.alarms[event.alarm] = fold(log, at_ns)


def _changes(done: Advance, from_s: float, to_s: float) -> bool:
    """Whether a condition began or ended within the step."""
    return any(c.from_s > from_s or c.to_s < to_s - _GOES_ON_S for c in done.conditions)


def replay(
    reader: SampleReader,
    valve: str,
    settings: Sequence[Setting],
    from_ns: int,
    to_ns: int,
    tell: Callable[[int], None] = lambda _at_ns: None,
    work: tuple[tuple[float, float], ...] = (),
) -> list[list[AlarmView]]:
    """Judge what is stored of a valve in from_ns <= time < to_ns under each setting; the alarms, by time of raising.

    `tell` hears, hour by hour, up to what time it has come. `work`: when work in progress was declared, (from, until)
    in unix s: not judged here either. Memory holds an hour of readings. Raises `WrongUnit`
    where the command was recorded in another unit than a sheet's signal has.
    """
    courses = [Course(setting) for setting in settings]
    for first_ns, last_ns in hours(from_ns, to_ns):
        stored = reader.samples(valve, first_ns, last_ns)
        if stored.time_ns.size:
            bursts = tuple(
                FastBurst(b.start_ns / 1e9, b.rate_hz, b.values)
                for b in reader.bursts(valve, first_ns, last_ns)
                if b.channel == "current"
            )
            samples = Samples(stored.time_ns / 1e9, stored.channels, bursts, work)
            for course in courses:
                for part, sheet in _under_one_sheet(samples, course.setting):
                    _check_unit(sheet, stored)
                    for look in split(part, LOOK_S):
                        course.take(sheet, look)
        tell(last_ns)
    return [sorted(course.alarms.values(), key=lambda view: (view.raised_ns, view.alarm)) for course in courses]


def hours(from_ns: int, to_ns: int) -> Iterator[tuple[int, int]]:
    """The span hour by hour."""
    for first_ns in range(from_ns, to_ns, HOUR_NS):
        yield first_ns, min(first_ns + HOUR_NS, to_ns)


def split(samples: Samples, length_s: float) -> Iterator[Samples]:
    """Samples in stretches of at most `length_s`, cut at whole multiples of it, bursts where they begin."""
    time_s = samples.time_s
    if time_s.size == 0:
        return
    edges = [0]
    while edges[-1] < time_s.size:
        until_s = (time_s[edges[-1]] // length_s + 1.0) * length_s
        edges.append(max(int(time_s.searchsorted(until_s)), edges[-1] + 1))
    for a, b in itertools.pairwise(edges):
        yield _part(samples, a, b)


def _part(samples: Samples, a: int, b: int) -> Samples:
    time_s = samples.time_s
    first_s = float("-inf") if a == 0 else time_s[a]
    last_s = float("inf") if b >= time_s.size else time_s[b]
    return Samples(
        time_s[a:b],
        {name: values[a:b] for name, values in samples.channels.items()},
        tuple(burst for burst in samples.bursts if first_s <= burst.start_s < last_s),
        samples.work,
    )


def _under_one_sheet(samples: Samples, setting: Setting) -> Iterator[tuple[Samples, Sheet]]:
    """Samples cut where another sheet comes into force; what lies before the first is left out."""
    changes = [int(samples.time_s.searchsorted(from_ns / 1e9)) for from_ns, _ in setting.sheets]
    edges = sorted({0, samples.time_s.size, *changes})
    for a, b in itertools.pairwise(edges):
        sheet = setting.sheet_at(round(float(samples.time_s[b - 1]) * 1e9))
        if sheet is not None:
            yield _part(samples, a, b), sheet


def _check_unit(sheet: Sheet, stored: StoredSamples) -> None:
    unit = stored.units.get("command", sheet.signal.unit)
    if unit != sheet.signal.unit:
        raise WrongUnit(
            f"{stored.valve}: the command was recorded in {unit!r}, the sheet's signal is in {sheet.signal.unit!r}"
        )
