"""The alarms of two settings side by side: which are the same, which only one of them would have given. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from typing import Any

from asleft.alarms.states import AlarmView
from asleft.cli.ink import Ink

#: Two alarms of one kind are the same event if they overlap, or were raised this near to each other (s).
SAME_EVENT_S = 6.0 * 3600.0
#: Times nearer than the steps in which history is judged are the same (s).
SAME_TIME_S = 600.5


@dataclass(frozen=True, slots=True)
class Pair:
    """One event under either setting; None where it would have raised no alarm."""

    now: AlarmView | None
    other: AlarmView | None

    @property
    def either(self) -> AlarmView:
        """The one there is."""
        one = self.now or self.other
        if one is None:
            raise ValueError("a pair of no alarms")
        return one

    @property
    def difference(self) -> str:
        """What is different, "" if nothing is."""
        if self.now is None:
            return "only with the other"
        if self.other is None:
            return "only as now"
        words = [
            _shift("raised", self.now.raised_ns, self.other.raised_ns),
            _end_shift(self.now.returned_ns, self.other.returned_ns),
            f"part {self.other.part}" if self.now.part != self.other.part else "",
        ]
        return ", ".join(word for word in words if word)


def paired(now: Sequence[AlarmView], other: Sequence[AlarmView]) -> list[Pair]:
    """Alarms of two settings matched event by event, by the time of raising."""
    left = list(other)
    pairs = []
    for alarm in now:
        candidates = [one for one in left if one.kind == alarm.kind and _same_event(alarm, one)]
        if not candidates:
            pairs.append(Pair(alarm, None))
            continue
        nearest = min(candidates, key=lambda one: abs(one.raised_ns - alarm.raised_ns))
        left.remove(nearest)
        pairs.append(Pair(alarm, nearest))
    pairs += [Pair(None, alarm) for alarm in left]
    return sorted(pairs, key=lambda pair: (pair.either.raised_ns, pair.either.kind))


def within(pairs: Sequence[Pair], from_ns: int, to_ns: int) -> list[Pair]:
    """Events of which either alarm stood at some time in from_ns <= time < to_ns."""

    def stood(alarm: AlarmView | None) -> bool:
        if alarm is None or alarm.raised_ns >= to_ns:
            return False
        return alarm.returned_ns is None or alarm.returned_ns >= from_ns

    return [pair for pair in pairs if stood(pair.now) or stood(pair.other)]


def table(valve: str, pairs: Sequence[Pair], ink: Ink, zone: tzinfo) -> str:
    """One valve's alarms as text: a sentence, then a line for each."""
    different = sum(bool(pair.difference) for pair in pairs)
    now = sum(pair.now is not None for pair in pairs)
    other = sum(pair.other is not None for pair in pairs)
    if not pairs:
        return f"{ink.strong(valve)}: no alarm, under either setting.\n"
    verdict = "the same" if not different else f"{different} of {len(pairs)} differ"
    lines = [f"{ink.strong(valve)}: {_count(now)} as now, {_count(other)} with the other setting; {verdict}."]
    rows = [("", "alarm", "likely part", "as now", "with the other", "difference")]
    rows += [
        (
            "*" if pair.difference else "",
            pair.either.kind,
            pair.either.part,
            _span(pair.now, zone),
            _span(pair.other, zone),
            pair.difference,
        )
        for pair in pairs
    ]
    widths = [max(len(row[column]) for row in rows) for column in range(6)]
    for number, row in enumerate(rows):
        text = "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        marked = ink.quiet(text) if number == 0 else ink.strong(text) if row[0] else text
        lines.append(f"  {marked}")
    return ink.spell("\n".join(lines)) + "\n"


def as_json(pairs: Sequence[Pair]) -> list[dict[str, Any]]:
    """The same for machines; times ISO 8601 UTC, null where there is none."""
    return [
        {
            "kind": pair.either.kind,
            "now": _alarm_json(pair.now),
            "other": _alarm_json(pair.other),
            "difference": pair.difference or None,
        }
        for pair in pairs
    ]


def _alarm_json(alarm: AlarmView | None) -> Mapping[str, Any] | None:
    if alarm is None:
        return None
    return {
        "part": alarm.part,
        "severity": alarm.severity,
        "onset": iso(alarm.onset_ns),
        "raised": iso(alarm.raised_ns),
        "cleared": None if alarm.returned_ns is None else iso(alarm.returned_ns),
        "evidence": alarm.evidence,
    }


def iso(at_ns: int) -> str:
    """ISO 8601 in UTC, to the millisecond."""
    return datetime.fromtimestamp(at_ns / 1e9, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _same_event(a: AlarmView, b: AlarmView) -> bool:
    if abs(a.raised_ns - b.raised_ns) <= SAME_EVENT_S * 1e9:
        return True
    first, second = sorted((a, b), key=lambda alarm: alarm.raised_ns)
    return first.returned_ns is None or first.returned_ns >= second.raised_ns


def _shift(what: str, now_ns: int, other_ns: int) -> str:
    late_s = (other_ns - now_ns) / 1e9
    if abs(late_s) <= SAME_TIME_S:
        return ""
    return f"{what} {_length(abs(late_s))} {'later' if late_s > 0 else 'earlier'}"


def _end_shift(now_ns: int | None, other_ns: int | None) -> str:
    if now_ns is None or other_ns is None:
        return "" if now_ns is other_ns else "does not clear" if other_ns is None else "clears"
    return _shift("cleared", now_ns, other_ns)


def _length(seconds: float) -> str:
    if seconds < 5400.0:
        return f"{seconds / 60.0:.0f} min"
    return f"{seconds / 3600.0:.1f} h" if seconds < 2 * 86_400.0 else f"{seconds / 86_400.0:.1f} days"


def _span(alarm: AlarmView | None, zone: tzinfo) -> str:
    if alarm is None:
        return "none"
    raised = datetime.fromtimestamp(alarm.raised_ns / 1e9, zone)
    if alarm.returned_ns is None:
        return f"{raised:%d %b %H:%M} – stays"
    cleared = datetime.fromtimestamp(alarm.returned_ns / 1e9, zone)
    same_day = cleared.date() == raised.date()
    return f"{raised:%d %b %H:%M} – {cleared:%H:%M}" if same_day else f"{raised:%d %b %H:%M} – {cleared:%d %b %H:%M}"


def _count(number: int) -> str:
    return f"{number} alarm" if number == 1 else f"{number} alarms"
