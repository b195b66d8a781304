"""Which stretch of time a page shows, as its address says it, and fewer points that look the same.

`?span=1h` is the last hour, which moves with the clock; `?from=2026-11-24T11:00:00Z&to=2026-11-24T12:00:00Z` stays
where it is. Times are ISO 8601; without a zone they are the plant's.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from urllib.parse import parse_qs, urlencode

import numpy as np
import numpy.typing as npt
from asleft.web.csv_text import utc
from asleft.web.when import EARLIEST_NS, LATEST_NS, PlantTime, age

SECOND_NS = 10**9
MS_NS = 10**6
#: Longer stretches are drawn from stored overviews: hours of short cycles would be a block of colour.
MOST_RAW_S = 900.0


@dataclass(frozen=True, slots=True)
class Span:
    """One choice of the span selector."""

    key: str
    words: str
    seconds: int


SPANS: Mapping[str, Span] = {
    span.key: span
    for span in (
        Span("1s", "1 second", 1),
        Span("10s", "10 s", 10),
        Span("1min", "1 minute", 60),
        Span("10min", "10 minutes", 600),
        Span("1h", "1 hour", 3600),
        Span("8h", "8 h shift", 8 * 3600),
        Span("1d", "1 day", 86_400),
        Span("1w", "1 week", 7 * 86_400),
        Span("3w", "3 weeks", 21 * 86_400),
        Span("13w", "3 months", 91 * 86_400),
        Span("1y", "1 year", 365 * 86_400),
    )
}
DEFAULT = SPANS["1min"]
LEAST_NS = SECOND_NS
MOST_NS = 366 * 86_400 * SECOND_NS


@dataclass(frozen=True, slots=True)
class Choice:
    """A stretch of `length_ns` that ends at a moment, or at the present where `until_ns` is None."""

    length_ns: int
    until_ns: int | None = None

    @classmethod
    def of(cls, key: str, until_ns: int | None = None) -> Choice:
        """The stretch of a named span. Raises `KeyError` for a name that is none."""
        return cls(SPANS[key].seconds * SECOND_NS, until_ns)

    @property
    def key(self) -> str:
        """Name of the span, empty for a length that has none."""
        return next((span.key for span in SPANS.values() if span.seconds * SECOND_NS == self.length_ns), "")

    @property
    def words(self) -> str:
        """The length as people read it."""
        return SPANS[self.key].words if self.key else age(self.seconds)

    @property
    def seconds(self) -> float:
        """The length."""
        return self.length_ns / 1e9

    @property
    def live(self) -> bool:
        """Whether the picture moves with the clock, second by second."""
        return self.until_ns is None and self.key == DEFAULT.key

    @property
    def raw(self) -> bool:
        """Whether it is drawn from raw readings."""
        return self.seconds <= MOST_RAW_S

    @property
    def stretches(self) -> int:
        """Of the overview that is drawn, never more than there are pixels."""
        return stretches_for(self.seconds)

    def window(self, now_ns: int) -> tuple[int, int]:
        """From and to, unix ns."""
        to_ns = now_ns if self.until_ns is None else self.until_ns
        return to_ns - self.length_ns, to_ns

    def query(self) -> str:
        """As the address carries it."""
        if self.until_ns is None and self.key:
            return "?" + urlencode({"span": self.key})
        from_ns, to_ns = self.window(self.until_ns or 0)
        return "?" + urlencode({"from": utc(from_ns), "to": utc(to_ns)}, safe=":")

    def shifted(self, step: int, now_ns: int) -> Choice:
        """Half a length earlier (-1) or later (+1); back to the present once it would pass it."""
        _, to_ns = self.window(now_ns)
        until = (to_ns + step * self.length_ns // 2) // MS_NS * MS_NS
        passed = until >= now_ns and bool(self.key)
        return Choice(self.length_ns, None if passed else min(until, now_ns // MS_NS * MS_NS))

    def scaled(self, step: int, now_ns: int) -> Choice:
        """The next shorter (-1) or longer (+1) named span round the same middle; itself where there is none.

        What ends at the present keeps ending there.
        """
        lengths = [span.seconds * SECOND_NS for span in SPANS.values()]
        others = [n for n in lengths if (n < self.length_ns if step < 0 else n > self.length_ns)]
        if not others:
            return self
        length = max(others) if step < 0 else min(others)
        if self.until_ns is None:
            return Choice(length)
        until = (self.until_ns - self.length_ns // 2 + length // 2) // MS_NS * MS_NS
        return Choice(length, None if until >= now_ns else until)


def stretches_for(seconds: float) -> int:
    """How many stretches of an overview a picture of that length has: few for hours, whose cycles hide in each."""
    if seconds < 2 * 3600:
        return max(60, round(seconds / 20))
    return 480 if seconds <= 10 * 3600 else 720 if seconds <= 2 * 86_400 else 900


def parse_choice(query: str | None, time: PlantTime, now_ns: int) -> Choice:
    """From the address; what is missing or not understood becomes one minute, live.

    A stretch shorter than a second or longer than a year is taken round its middle at that length; one that ends in
    the future ends at the present.
    """
    pairs = {key: values[0] for key, values in parse_qs((query or "").lstrip("?")).items()}
    from_ns, to_ns = _moment(pairs.get("from"), time), _moment(pairs.get("to"), time)
    if from_ns is not None and to_ns is not None and from_ns < to_ns:
        return _fixed(from_ns, to_ns, now_ns)
    span = SPANS.get(pairs.get("span", ""), DEFAULT)
    return Choice(span.seconds * SECOND_NS, _moment(pairs.get("until"), time))


def _fixed(from_ns: int, to_ns: int, now_ns: int) -> Choice:
    length = min(max(to_ns - from_ns, LEAST_NS), MOST_NS)
    until = (from_ns + to_ns + length) // 2 // MS_NS * MS_NS
    return Choice(length // MS_NS * MS_NS, min(until, now_ns // MS_NS * MS_NS))


def _moment(text: str | None, time: PlantTime) -> int | None:
    if not text:
        return None
    try:
        # A "+" of an address is a space, and one typed by hand is rarely escaped.
        at = datetime.fromisoformat(text.replace(" ", "+") if text[10:11] == "T" else text)
        if at.tzinfo is None:
            at = at.replace(tzinfo=time.zone)
        at_ns = round(at.timestamp() * 1e3) * MS_NS
    except (ValueError, OverflowError, OSError):
        return None
    return at_ns if EARLIEST_NS <= at_ns <= LATEST_NS else None


# Fewer points that look the same: minimum and maximum per bin, gaps kept as gaps. Pure numpy.

FloatArray = npt.NDArray[np.float64]
Int64Array = npt.NDArray[np.int64]


def thin(time_ns: Int64Array, values: FloatArray, bin_ns: int, origin_ns: int) -> tuple[Int64Array, FloatArray]:
    """Minimum and maximum of each bin of `bin_ns`, in the order in which they occur, shape (<= 2 bins,).

    Bins count from `origin_ns`, so that a window cut in pieces gives the same points. Non-finite readings are left
    out; a bin without any becomes nothing.
    """
    chosen = extremes(time_ns, values, bin_ns, origin_ns)
    return time_ns[chosen], values[chosen]


def extremes(time_ns: Int64Array, values: FloatArray, bin_ns: int, origin_ns: int) -> Int64Array:
    """Which of the readings `thin` keeps, as indices."""
    finite = np.flatnonzero(np.isfinite(values))
    time_ns, values = time_ns[finite], values[finite]
    if values.size == 0:
        return finite
    bins = (time_ns - origin_ns) // bin_ns
    order = np.lexsort((values, bins))
    starts = np.flatnonzero(np.diff(bins[order], prepend=bins[order[0]] - 1))
    ends = np.append(starts[1:], order.size) - 1
    chosen: Int64Array = finite[np.unique(np.concatenate([order[starts], order[ends]]))]
    return chosen


def with_gaps(time_ns: Int64Array, values: FloatArray, longest_ns: int) -> tuple[Int64Array, FloatArray]:
    """Puts a NaN where neighbours are further apart than `longest_ns`, so that a line is not drawn across."""
    if time_ns.size < 2:
        return time_ns, values
    after = np.flatnonzero(np.diff(time_ns) > longest_ns)
    return (
        np.insert(time_ns, after + 1, time_ns[after] + longest_ns // 2),
        np.insert(values.astype(np.float64), after + 1, np.nan),
    )
