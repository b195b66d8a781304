"""When each press of the plant works, pauses, is set up, is stopped; and how warm it is by then.

Everything follows from the press's name and the local date, so that any two processes agree on it without talking.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Literal
from zoneinfo import ZoneInfo

ZONE = ZoneInfo("Europe/Madrid")

Kind = Literal["producing", "break", "set-up", "verification", "emergency", "night", "weekend"]

SHIFT_BEGINS, SHIFT_ENDS = time(6, 0), time(22, 0)
#: Beginning (local) and minutes of the pauses; each press takes them a little later than its neighbour.
BREAKS = ((time(9, 30), 15), (time(13, 45), 30), (time(18, 0), 20))
HOUR_S = 3600.0
#: A live plant begins with this much production: who starts it shall see presses at work.
AT_WORK_FIRST_S = 300.0
#: Where a technician verifies the valves once an hour: both ramps, then a sweep, by hand.
VERIFIED_PRESSES = ("press-2",)


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of machine time of one kind; `from_s`, `to_s` in unix seconds."""

    kind: Kind
    from_s: float
    to_s: float


def local_hour(time_s: float) -> float:
    """Hour of the day in the plant, 0 to 24."""
    local = datetime.fromtimestamp(time_s, ZONE)
    return local.hour + local.minute / 60 + local.second / 3600


def _at(day: date, clock: time, minutes: float = 0.0) -> float:
    return datetime.combine(day, clock, ZONE).timestamp() + minutes * 60.0


def midnight_s(day: date) -> float:
    """Unix seconds at which the local `day` begins."""
    return _at(day, time(0))


def _events(press: str, day: date) -> list[Stretch]:
    """What interrupts production on a working day, in order, not overlapping."""
    chance = random.Random(f"{press} {day.isoformat()}")
    later_min = 4.0 * (sum(press.encode()) % 5)
    begins_s = _at(day, SHIFT_BEGINS)
    events = []
    if chance.random() < 0.3:
        events.append(Stretch("set-up", begins_s, begins_s + chance.uniform(15, 35) * 60))
    for clock, minutes in BREAKS:
        from_s = _at(day, clock, later_min)
        events.append(Stretch("break", from_s, from_s + minutes * 60))
    if chance.random() < 0.45:
        from_s = _at(day, chance.choice((time(10, 30), time(15, 0))), chance.uniform(0, 110))
        events.append(Stretch("emergency", from_s, from_s + chance.uniform(60, 240)))
    if chance.random() < 0.3:
        from_s = _at(day, time(19, 15), chance.uniform(0, 60))
        events.append(Stretch("set-up", from_s, from_s + chance.uniform(12, 25) * 60))
    return sorted(events, key=lambda stretch: stretch.from_s)


def _day(press: str, day: date) -> Iterator[Stretch]:
    """The whole local day, midnight to midnight."""
    midnight_s, next_s = _at(day, time(0)), _at(day + timedelta(days=1), time(0))
    if day.weekday() >= 5:
        yield Stretch("weekend", midnight_s, next_s)
        return
    cursor_s, ends_s = _at(day, SHIFT_BEGINS), _at(day, SHIFT_ENDS)
    yield Stretch("night", midnight_s, cursor_s)
    for event in _events(press, day):
        if event.from_s > cursor_s:
            yield Stretch("producing", cursor_s, event.from_s)
        yield event
        cursor_s = event.to_s
    yield Stretch("producing", cursor_s, ends_s)
    yield Stretch("night", ends_s, next_s)


def stretches(press: str, from_s: float, to_s: float) -> Iterator[Stretch]:
    """The calendar of `press` over `from_s`..`to_s`, cut to it, without gaps, in order."""
    day = datetime.fromtimestamp(from_s, ZONE).date()
    while _at(day, time(0)) < to_s:
        for stretch in _day(press, day):
            if stretch.to_s > from_s and stretch.from_s < to_s:
                yield Stretch(stretch.kind, max(from_s, stretch.from_s), min(to_s, stretch.to_s))
        day += timedelta(days=1)


def live_stretches(press: str, from_s: float) -> Iterator[Stretch]:
    """Work round the clock from `from_s` on, without end: in each hour one set-up, one emergency stop, one break.

    Where valves are verified, that comes between set-up and stop.

    Those that would begin within the first five minutes, or have begun, are left out.
    """
    hour = math.floor(from_s / HOUR_S)
    cursor_s = from_s
    while True:
        chance = random.Random(f"{press} live {hour}")
        base_s = hour * HOUR_S
        set_up_s = base_s + chance.uniform(8, 13) * 60
        stop_s = base_s + chance.uniform(24, 32) * 60
        break_s = base_s + chance.uniform(42, 50) * 60
        for kind, begins_s, length_s in (
            ("set-up", set_up_s, 180.0),
            *((("verification", base_s + 18.0 * 60, 150.0),) if press in VERIFIED_PRESSES else ()),
            ("emergency", stop_s, 60.0),
            ("break", break_s, 240.0),
        ):
            if begins_s < from_s + AT_WORK_FIRST_S:
                continue
            yield Stretch("producing", cursor_s, begins_s)
            yield Stretch(kind, begins_s, begins_s + length_s)
            cursor_s = begins_s + length_s
        hour += 1


def hours_at_work(time_s: float) -> tuple[float, float]:
    """Hours since the last beginning of a shift, and hours the plant had then stood still.

    While it stands still the first number is that of the whole last shift and the second the hours since its end,
    negative: (16.0, -2.5) is two and a half hours after the end.
    """
    day = datetime.fromtimestamp(time_s, ZONE).date()
    while day.weekday() >= 5 or _at(day, SHIFT_BEGINS) > time_s:
        day -= timedelta(days=1)
    begins_s, ends_s = _at(day, SHIFT_BEGINS), _at(day, SHIFT_ENDS)
    if time_s > ends_s:
        return (ends_s - begins_s) / HOUR_S, -(time_s - ends_s) / HOUR_S
    before = day - timedelta(days=1)
    while before.weekday() >= 5:
        before -= timedelta(days=1)
    return (time_s - begins_s) / HOUR_S, (begins_s - _at(before, SHIFT_ENDS)) / HOUR_S


def warmth(time_s: float, warm_up_h: float, cool_down_h: float) -> float:
    """How warm something at work is, 0 (ambient) to 1 (working temperature), from first-order heating and cooling."""
    work_h, rest_h = hours_at_work(time_s)
    if rest_h < 0:
        return (1.0 - math.exp(-work_h / warm_up_h)) * math.exp(rest_h / cool_down_h)
    left = math.exp(-rest_h / cool_down_h)
    return 1.0 - (1.0 - left) * math.exp(-work_h / warm_up_h)
