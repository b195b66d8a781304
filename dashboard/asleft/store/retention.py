"""How long samples are kept: raw readings and the figures of overviews, each in days."""

from __future__ import annotations

from dataclasses import dataclass

DAY_NS = 86_400 * 1_000_000_000


@dataclass(frozen=True, slots=True)
class Retention:
    """Days to keep; None keeps for ever. The overview is to be kept at least as long as the readings."""

    raw_days: float | None = None
    overview_days: float | None = None

    def __post_init__(self) -> None:
        """Raise `ValueError` for days that are none, or an overview shorter than the readings."""
        for what, days in (("raw readings", self.raw_days), ("the overview", self.overview_days)):
            if days is not None and not 0.05 <= days <= 36_500:
                raise ValueError(f"{what} kept for {days:g} days: between 0.05 and 36500 are expected")
        if self.overview_days is not None and (self.raw_days is None or self.raw_days > self.overview_days):
            raise ValueError("the overview would be kept for less than the readings that it sums up")

    def raw_before_ns(self, now_ns: int) -> int | None:
        """Readings that end before this time may go."""
        return _before(now_ns, self.raw_days)

    def overview_before_ns(self, now_ns: int) -> int | None:
        """Figures of overviews before this time may go."""
        return _before(now_ns, self.overview_days)


def days_words(days: float | None) -> str:
    """For the health page."""
    return "for ever" if days is None else f"{days:g} days"


def _before(now_ns: int, days: float | None) -> int | None:
    return None if days is None else now_ns - round(days * DAY_NS)
