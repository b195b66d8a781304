"""When shifts begin, by the plant's clock, and the stretch since the last of them."""

from __future__ import annotations

from datetime import datetime, time, timedelta

from asleft.web.stretch import BadStretch, Stretch
from asleft.web.when import PlantTime

#: Three shifts of eight hours: common practice. A plant with others says so in the page's address.
USUAL = (time(6), time(14), time(22))
#: A shift that has only just begun has nothing to tell yet: the one before is shown with it.
_JUST_BEGUN_NS = 3600 * 10**9
_MOST = 12


def shifts_in(text: str | None) -> tuple[time, ...]:
    """From "06,14,22" or "05:30,13:30,21:30"; the usual ones for None. Raises `BadStretch`."""
    if text is None:
        return USUAL
    try:
        found = {time.fromisoformat(part.strip()) for part in text.split(",")}
    except ValueError:
        found = set()
    if not 0 < len(found) <= _MOST or any(one.tzinfo is not None for one in found):
        raise BadStretch(f"shifts = {text[:40]!r}: wanted are times of the day, as 06,14,22 or 05:30,17:30.")
    return tuple(sorted(found))


def last_at(at: time, now: datetime) -> datetime:
    """The latest instant with that time of the day, not after `now`, in the zone of `now`."""
    today = now.replace(hour=at.hour, minute=at.minute, second=at.second, microsecond=0)
    return today if today <= now else today - timedelta(days=1)


def since_last_shift(time_of: PlantTime, now_ns: int, shifts: tuple[time, ...]) -> Stretch:
    """Up to now, from the beginning of the last shift that began an hour ago or more."""
    then = time_of.local(now_ns - _JUST_BEGUN_NS)
    began = max(last_at(one, then) for one in shifts)
    return Stretch(round(began.timestamp()) * 10**9, now_ns)
