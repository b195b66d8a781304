"""A stretch of time as an address names it: `?from=2026-11-20T00:00:00Z&to=2026-11-21T00:00:00Z`, checked."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from asleft.web.when import parse_iso_ns

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
    from_ns = times.get("from", to_ns - usual_ns)
    if not from_ns < to_ns:
        raise BadStretch("from must lie before to.")
    stretch = Stretch(from_ns, to_ns)
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
