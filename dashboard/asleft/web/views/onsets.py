"""Since when something was found: by the present findings, and by the log of alarms for what stands no more."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

from asleft.alarms.states import fold_all
from asleft.web.source import Source
from asleft.web.views.valves import findings_of
from asleft.web.when import parse_iso_ns
from asleft.web.words import kind_words

#: Closer together than this share of the stretch, onsets of one kind are told as one.
TOGETHER = 1 / 40


@dataclass(frozen=True, slots=True)
class Onset:
    """Since when a finding stood, and until when where it stands no more; `times`: how many are told as one."""

    at_ns: int
    words: str
    until_ns: int | None = None
    times: int = 1

    @property
    def said(self) -> str:
        """In the picture."""
        return self.words if self.times == 1 else f"{self.words}, {self.times} times"


def cut_stretches(source: Source, valve: str, from_ns: int, to_ns: int) -> list[tuple[int, int]]:
    """Within the stretch, since when and until when the current stopped short of what was asked (unix ns)."""
    found = onsets_in(source, valve, 0, to_ns, kinds=("current-clipped",), bunch=False)
    stretches = [(one.at_ns, to_ns if one.until_ns is None else one.until_ns) for one in found]
    return [(max(a, from_ns), min(b, to_ns)) for a, b in stretches if b > from_ns]


def onsets_in(
    source: Source, valve: str, from_ns: int, to_ns: int, *, kinds: Collection[str] = (), bunch: bool = True
) -> list[Onset]:
    """Onsets that lie in the stretch, oldest first, whether or not what they began still stands.

    `kinds`: of these kinds of findings alone, all where it is empty; `bunch`: tell those close together as one.
    """
    standing: dict[tuple[str, int], int | None] = {}
    for alarm in fold_all(source.records.alarm_events(valve), source.now_ns()):
        standing[(alarm.kind, alarm.onset_ns)] = None if alarm.active else alarm.returned_ns
    for finding in findings_of(source.records.judgement(valve)):
        onset = parse_iso_ns(finding.get("onset"))
        kind = str(finding["kind"])
        # Written by the judge to the millisecond, in the alarm's name to the nanosecond.
        known = onset is not None and any(k == kind and abs(at - onset) < 10**6 for k, at in standing)
        if onset is not None and not known:
            standing[(kind, onset)] = None
    found = [
        Onset(at, kind_words(kind), until)
        for (kind, at), until in sorted(standing.items(), key=lambda item: item[0][1])
        if from_ns <= at <= to_ns and (not kinds or kind in kinds)
    ]
    return found if not bunch else _together(found, round((to_ns - from_ns) * TOGETHER))


def _together(found: Sequence[Onset], within_ns: int) -> list[Onset]:
    """What begins and ends again and again would be a fence of marks: one for each bunch."""
    told: list[Onset] = []
    last: dict[str, int] = {}  # place in `told` by words
    newest: dict[str, int] = {}
    for onset in found:
        place = last.get(onset.words)
        if place is not None and onset.at_ns - newest[onset.words] <= within_ns:
            first = told[place]
            told[place] = Onset(first.at_ns, first.words, onset.until_ns, first.times + 1)
        else:
            last[onset.words] = len(told)
            told.append(onset)
        newest[onset.words] = onset.at_ns
    return told
