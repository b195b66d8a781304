"""Time as the plant reads it: its own zone, a 24 h clock, ages in plain words."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
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
        if at.year == now.year or abs(now_ns - at_ns) < 300 * 86_400 * 10**9:
            return f"{at.day} {at:%b %H:%M}"
        return f"{at.day} {at:%b %Y %H:%M}"

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
