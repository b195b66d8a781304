"""Which stretch of time a page shows, as its address says it: `?span=1h&until=2026-11-24T12:00`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from urllib.parse import parse_qs, urlencode

from asleft.web.when import PlantTime

SECOND_NS = 10**9


@dataclass(frozen=True, slots=True)
class Span:
    """One choice of the span selector."""

    key: str
    words: str
    seconds: int
    stretches: int = 0  # of the overview that is drawn; 0: raw readings

    @property
    def raw(self) -> bool:
        """Drawn from raw readings; longer spans are not, or hours of short cycles would be a block of colour."""
        return self.stretches == 0


SPANS: Mapping[str, Span] = {
    span.key: span
    for span in (
        Span("1min", "1 minute", 60),
        Span("10min", "10 minutes", 600),
        Span("1h", "1 hour", 3600, 180),
        Span("8h", "8 h shift", 8 * 3600, 480),
        Span("1d", "1 day", 86_400, 720),
        Span("1w", "1 week", 7 * 86_400, 900),
        Span("3w", "3 weeks", 21 * 86_400, 900),
    )
}
DEFAULT = SPANS["1min"]


@dataclass(frozen=True, slots=True)
class Choice:
    """A span that ends at a moment, or at the present where `until_ns` is None."""

    span: Span
    until_ns: int | None = None

    @property
    def live(self) -> bool:
        """Whether the picture moves with the clock, second by second."""
        return self.until_ns is None and self.span.key == "1min"

    def window(self, now_ns: int) -> tuple[int, int]:
        """From and to, unix ns."""
        to_ns = now_ns if self.until_ns is None else self.until_ns
        return to_ns - self.span.seconds * SECOND_NS, to_ns

    def query(self, time: PlantTime) -> str:
        """As the address carries it."""
        pairs = {"span": self.span.key}
        if self.until_ns is not None:
            pairs["until"] = time.local(self.until_ns).strftime("%Y-%m-%dT%H:%M:%S")
        return "?" + urlencode(pairs, safe=":")

    def shifted(self, step: int, now_ns: int) -> Choice:
        """Half a span earlier (-1) or later (+1); back to the present once it would pass it."""
        _, to_ns = self.window(now_ns)
        until = to_ns + step * self.span.seconds * SECOND_NS // 2
        return Choice(self.span, None if until >= now_ns else until)


def parse_choice(query: str | None, time: PlantTime) -> Choice:
    """From the address; what is missing or not understood becomes one minute, live."""
    pairs = parse_qs((query or "").lstrip("?"))
    span = SPANS.get(pairs.get("span", [""])[0], DEFAULT)
    until = pairs.get("until", [""])[0]
    if not until:
        return Choice(span)
    try:
        at = datetime.fromisoformat(until)
    except ValueError:
        return Choice(span)
    if at.tzinfo is None:
        at = at.replace(tzinfo=time.zone)
    try:
        return Choice(span, round(at.timestamp()) * SECOND_NS)
    except (OverflowError, OSError):
        return Choice(span)
