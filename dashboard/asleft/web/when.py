"""Time as the plant reads it: its zone, 24 h, ages in plain words; stretches in addresses, times in forms."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
Int64Array = npt.NDArray[np.int64]

_DAY_NS = 86_400 * 10**9
_SLOT_NS = 900 * 10**9  # zones change their offset on quarter hours


class UnknownZoneError(ValueError):
    """The time zone named is not in the zone database."""


@dataclass(frozen=True)
class PlantTime:
    """Formats instants (unix ns, UTC) in the plant's zone."""

    zone: ZoneInfo

    @classmethod
    def named(cls, name: str) -> PlantTime:
        """The zone of an IANA name such as "Europe/Madrid". Raises `UnknownZoneError`."""
        try:
            return cls(ZoneInfo(name))
        except (ZoneInfoNotFoundError, ValueError, OSError) as error:
            raise UnknownZoneError(
                f"--zone {name!r}: not a time zone of the IANA database, e.g. Europe/Madrid"
            ) from error

    @classmethod
    def nearest(cls, name: str) -> PlantTime:
        """The zone of that name; UTC for none, and for a fixed offset, which is right for reading and has no name."""
        try:
            return cls.named(name or "UTC")
        except UnknownZoneError:
            return cls.named("UTC")

    @property
    def name(self) -> str:
        """The zone's IANA name."""
        return self.zone.key

    def local(self, at_ns: int) -> datetime:
        """The instant as an aware datetime in the plant's zone."""
        return datetime.fromtimestamp(at_ns / 1e9, tz=self.zone)

    def full(self, at_ns: int) -> str:
        """As in "Tue 24 Nov 2026 14:22:07"."""
        return f"{self.local(at_ns):%a} {self.local(at_ns).day} {self.local(at_ns):%b %Y %H:%M:%S}"

    def moment(self, at_ns: int, now_ns: int) -> str:
        """As short as is clear from `now_ns`: "14:22" today, "14 Nov 03:10" this year, else with the year."""
        at, now = self.local(at_ns), self.local(now_ns)
        if at.date() == now.date():
            return f"{at:%H:%M}"
        return f"{self.date(at_ns, now_ns)} {at:%H:%M}"

    def date(self, at_ns: int, now_ns: int) -> str:
        """As short as is clear from `now_ns`: "14 Nov" this year, else with the year."""
        at, now = self.local(at_ns), self.local(now_ns)
        near = at.year == now.year or abs(now_ns - at_ns) < 300 * _DAY_NS
        return f"{at.day} {at:%b}" if near else f"{at.day} {at:%b %Y}"

    def day(self, at_ns: int) -> str:
        """As in "24 Nov"."""
        return f"{self.local(at_ns).day} {self.local(at_ns):%b}"

    def plot_ms(self, time_ns: Int64Array) -> FloatArray:
        """Milliseconds that a plot without zones shows as the plant's wall clock, shape (n,) as given."""
        if time_ns.size == 0:
            return np.empty(0)
        slots = time_ns // _SLOT_NS
        unique, inverse = np.unique(slots, return_inverse=True)
        offsets_ms = np.array([self._offset_ms(int(slot) * _SLOT_NS) for slot in unique])
        return np.asarray(time_ns / 1e6 + offsets_ms[inverse], dtype=np.float64)

    def plot_ms_one(self, at_ns: int) -> float:
        """`plot_ms` of one instant."""
        return at_ns / 1e6 + self._offset_ms(at_ns)

    def plot_times(self, time_ns: Int64Array) -> list[str]:
        """Moments as a plot takes them, shape (n,) as given: the plant's wall clock in words (`wall_words`)."""
        return [str(at) for at in wall_words(self.plot_ms(time_ns))]

    def plot_time(self, at_ns: int) -> str:
        """`plot_times` of one instant."""
        return str(wall_words(np.array([self.plot_ms_one(at_ns)]))[0])

    def offsets(self, from_ns: int, to_ns: int) -> list[list[float]]:
        """Pairs of a place (`plot_ms`) and how many ms the wall clock is ahead of UTC from there on, oldest first."""
        pairs: list[list[float]] = []
        for day in range(from_ns // _DAY_NS * _DAY_NS, to_ns + 1, _DAY_NS):
            changes = self._offset_ms(day) != self._offset_ms(day + _DAY_NS)
            for slot in range(day, day + _DAY_NS, _SLOT_NS if changes else _DAY_NS):
                ahead = self._offset_ms(slot)
                if not pairs or pairs[-1][1] != ahead:
                    pairs.append([slot / 1e6 + ahead, ahead])
        return pairs

    def _offset_ms(self, at_ns: int) -> float:
        offset = self.local(at_ns).utcoffset()
        return offset.total_seconds() * 1e3 if offset is not None else 0.0


def last_at(at: time, now: datetime) -> datetime:
    """The latest instant with that time of the day, not after `now`, in the zone of `now`."""
    today = now.replace(hour=at.hour, minute=at.minute, second=at.second, microsecond=0)
    return today if today <= now else today - timedelta(days=1)


def wall_words(wall_ms: FloatArray) -> list[str | None]:
    """Places on a wall clock (`PlantTime.plot_ms`) as "2026-11-24 16:02:07.250"; None for what is no number.

    Without milliseconds where none of them has any. Never as numbers: the plot library takes a number for an instant
    and shows it by the clock of the browser.
    """
    known = np.isfinite(wall_ms)
    stamps = np.where(known, np.round(wall_ms), 0.0).astype("datetime64[ms]")
    whole = not (stamps.astype(np.int64) % 1000).any()
    texts = np.datetime_as_string(stamps, unit="s" if whole else "ms").tolist()
    return [text.replace("T", " ") if there else None for text, there in zip(texts, known.tolist(), strict=True)]


def age(seconds: float) -> str:
    """A duration in one unit, with as many digits as matter: "0.8 s", "42 s", "3 min", "5 h", "2 days"."""
    seconds = max(seconds, 0.0)
    if seconds < 9.95:
        return f"{seconds:.1f} s"
    if seconds < 99.5:
        return f"{seconds:.0f} s"
    if seconds < 90 * 60:
        return f"{seconds / 60:.0f} min"
    if seconds < 36 * 3600:
        return f"{seconds / 3600:.0f} h"
    return f"{seconds / 86_400:.0f} days"


def parse_iso_ns(text: str | None) -> int | None:
    """ISO 8601 UTC, as a judgement carries its times, as unix ns; None for None or what is no time."""
    if not text:
        return None
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        return None
    if at.tzinfo is None:
        at = at.replace(tzinfo=UTC)
    return round(at.timestamp() * 1e3) * 10**6


# A stretch of time as an address names it: `?from=2026-11-20T00:00:00Z&to=2026-11-21T00:00:00Z`, checked.

EARLIEST_NS, LATEST_NS = 0, 4_102_444_800 * 10**9  # 1970 to 2100: beyond, stores cannot count


class BadStretch(ValueError):  # noqa: N818 - reads as what it says
    """What the address says is no stretch of time; the message says what is wrong and what is wanted."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """From and to, unix ns; `from_ns` < `to_ns`."""

    from_ns: int
    to_ns: int

    @property
    def seconds(self) -> float:
        """How long it is."""
        return (self.to_ns - self.from_ns) / 1e9


def ordered(from_ns: int, to_ns: int) -> Stretch:
    """A stretch. Raises `BadStretch` where it ends before it begins."""
    if not from_ns < to_ns:
        raise BadStretch("from must lie before to.")
    return Stretch(from_ns, to_ns)


def stretch_in(
    args: Mapping[str, str],
    now_ns: int,
    usual_ns: int,
    *,
    known: Sequence[str] = ("from", "to"),
    most_s: float | None = None,
) -> Stretch:
    """The stretch of an address; without `to` it ends now, without `from` it is `usual_ns` long.

    `known`: all that the address may say; `most_s`: how long it may be. Raises `BadStretch`, naming the field and
    what it should be.
    """
    for name in args:
        if name not in known:
            takes = f"it takes {', '.join(known)}" if known else "it takes none"
            raise BadStretch(f"{name[:40]}: no such choice here; {takes}.")
    times: dict[str, int] = {}
    for name in ("from", "to"):
        if name in args:
            times[name] = time_in(name, args[name])
    to_ns = times.get("to", now_ns)
    stretch = ordered(times.get("from", to_ns - usual_ns), to_ns)
    if most_s is not None and stretch.seconds > most_s:
        raise BadStretch(f"from, to: {stretch.seconds / 86_400:.1f} days; at most {most_s / 86_400:.0f} are given.")
    return stretch


def time_in(name: str, text: str) -> int:
    """A time, unix ns; one without a zone is UTC. Raises `BadStretch`."""
    try:
        at_ns = parse_iso_ns(text)
    except (OverflowError, OSError):
        at_ns = None
    if at_ns is None:
        raise BadStretch(f"{name} = {text[:40]!r}: wanted is a time as 2026-11-26T10:05:00Z.")
    if not EARLIEST_NS <= at_ns <= LATEST_NS:
        raise BadStretch(f"{name} = {text[:40]!r}: wanted is a time from 1970 to 2100.")
    return at_ns


# Times that people type in a form, by the plant's clock, as the instants they mean.


def typed_ns(time: PlantTime, name: str, text: str) -> int:
    """Unix ns of "2026-11-26T12:10[:05]" on the plant's clock; of a doubled hour in autumn the first.

    Raises:
        BadStretch: it is no time, one that the clock skips in spring, or not from 1970 to 2100; it names the field.
    """
    try:
        typed = datetime.fromisoformat(text.strip())
        at = typed if typed.tzinfo is not None else typed.replace(tzinfo=time.zone)
        at_ns = round(at.timestamp()) * 10**9
    except (ValueError, OverflowError, OSError):
        raise BadStretch(f"{name} = {text[:40]!r}: wanted is a day and a time, as 2026-11-26T12:10.") from None
    if typed.tzinfo is None and time.local(at_ns).replace(tzinfo=None) != typed.replace(microsecond=0):
        raise BadStretch(
            f"{name} = {text[:40]!r}: there is no {typed:%H:%M} on that day in {time.name}, clocks are put forward."
        )
    if not EARLIEST_NS <= at_ns <= LATEST_NS:
        raise BadStretch(f"{name} = {text[:40]!r}: wanted is a time from 1970 to 2100.")
    return at_ns


def for_field(time: PlantTime, at_ns: int) -> str:
    """The instant as such a form field holds it, to the second."""
    return f"{time.local(at_ns):%Y-%m-%dT%H:%M:%S}"
