"""Readings of production near the onset and now: what the pictures of raw readings rest on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from asleft.judge.types import State
from asleft.store.protocols import StoredSamples
from asleft.web.evidence.subject import Subject
from asleft.web.source import Source

S = 10**9
#: Production looked at on either side: some ten cycles of a press.
LOOK_NS = 300 * S
#: How far back production is looked for.
BACK_NS = 14 * 86_400 * S
#: An onset is not known to the second: so long before it nothing is taken for "before".
CLEAR_NS = 30 * S


@dataclass(eq=False, frozen=True, slots=True)
class Production:
    """Readings of a stretch of production. `inside_ns`: where within it the machine was producing (unix ns)."""

    from_ns: int
    to_ns: int
    samples: StoredSamples
    inside_ns: list[tuple[int, int]]

    @property
    def empty(self) -> bool:
        """Nothing is kept of it."""
        return self.samples.time_ns.size == 0


def before_onset(source: Source, subject: Subject) -> Production | None:
    """The last production before it began, under the same sheet; None where there is none or it is not known when."""
    if subject.onset_ns is None:
        return None
    return _last(source, subject.valve, subject.onset_ns - CLEAR_NS)


def newest(source: Source, subject: Subject) -> Production | None:
    """The last production while it stood."""
    now = source.now_ns()
    found = _last(source, subject.valve, now if subject.until_ns is None else subject.until_ns)
    if found is None or (subject.onset_ns is not None and found.to_ns <= subject.onset_ns):
        return None
    return found


def _last(source: Source, valve: str, until_ns: int) -> Production | None:
    made = [
        (round(one.from_s * 1e9), min(round(one.to_s * 1e9), until_ns))
        for one in source.records.intervals(valve, until_ns - BACK_NS, until_ns)
        if one.state is State.PRODUCING
    ]
    made = [(a, b) for a, b in made if b > a]
    if not made:
        return None
    to_ns = made[-1][1]
    sheet = source.sheet(valve, to_ns)
    revised = round(sheet.revision.at.timestamp() * S) if sheet is not None and sheet.revision.at is not None else 0
    from_ns = max(to_ns - LOOK_NS, min(revised, to_ns))
    stored = source.samples.samples(valve, from_ns, to_ns + 1)
    inside = [(max(a, from_ns), b) for a, b in made if b > from_ns]
    return Production(from_ns, to_ns, stored, inside)


def producing(production: Production) -> np.ndarray:
    """Which readings lie in production, shape (n,)."""
    out = np.zeros(production.samples.time_ns.size, dtype=bool)
    for a, b in production.inside_ns:
        out |= (production.samples.time_ns >= a) & (production.samples.time_ns <= b)
    return out
