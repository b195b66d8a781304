"""What a picture is asked for, which picture shows each kind, and the readings of production it rests on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import cast

import numpy as np
from asleft.alarms.states import AlarmView
from asleft.catalogue.finding_kinds import quantities_of
from asleft.judge.types import State
from asleft.store.protocols import StoredSamples
from asleft.web.evidence.picture import Shape
from asleft.web.source import Source
from asleft.web.views.valves import Json
from asleft.web.when import parse_iso_ns

_RAMP = (Shape.STROKES, Shape.HISTORY)
_SETTING = (Shape.HISTORY, Shape.MOMENT)
_HAPPENED = (Shape.MOMENT, Shape.READINGS)

#: Kind of finding -> its pictures, the most telling first: the first for which there are readings is drawn.
SHAPES: Mapping[str, tuple[Shape, ...]] = {
    "current-unwanted": _HAPPENED,
    "pressure-unwanted": _HAPPENED,
    "current-lost": _HAPPENED,
    "command-failed": _HAPPENED,
    "reading-pinned": _HAPPENED,
    "current-clipped": (Shape.CLIP, Shape.HISTORY),
    "command-clipped": _HAPPENED,
    "pressure-clipped": (Shape.CURVE, Shape.HISTORY),
    "ramp-up-changed": _RAMP,
    "ramp-down-changed": _RAMP,
    "current-zero-changed": _SETTING,
    "current-full-changed": _SETTING,
    "dither-lost": (Shape.SPECTRUM, Shape.HISTORY),
    "dither-changed": (Shape.SPECTRUM, Shape.HISTORY),
    "pressure-changed": (Shape.CURVE, Shape.HISTORY),
    "hysteresis-changed": (Shape.BRANCHES, Shape.CURVE, Shape.HISTORY),
    "response-changed": (Shape.STROKES, Shape.MOMENT),
    "coil-changed": (Shape.HISTORY,),
    "supply-low": (Shape.MOMENT, Shape.HISTORY),
    "headroom-low": (Shape.HISTORY,),
    "model-misfit": (Shape.MOMENT, Shape.HISTORY),
    "data-missing": (Shape.READINGS,),
    "clock-wrong": (Shape.READINGS,),
}


@dataclass(frozen=True, slots=True)
class Subject:
    """One departure of one valve: since when (None: not known), and until when (None: it is there)."""

    valve: str
    kind: str
    onset_ns: int | None
    until_ns: int | None = None

    @property
    def shapes(self) -> tuple[Shape, ...]:
        """Its pictures; of a kind of an older release the history, where there is one."""
        return SHAPES.get(self.kind, (Shape.HISTORY,))

    @property
    def quantities(self) -> tuple[str, ...]:
        """Of which it speaks."""
        return quantities_of(self.kind)


def judged(judgement: Json | None, quantity: str) -> Json:
    """One quantity of a judgement in its JSON form; empty where it is not judged."""
    quantities = cast("list[Json]", (judgement or {}).get("quantities", ()))
    return next((one for one in quantities if one["id"] == quantity), {})


def of_finding(valve: str, finding: Json) -> Subject:
    """From a finding of a judgement in its JSON form."""
    return Subject(valve, str(finding["kind"]), parse_iso_ns(cast("str | None", finding.get("onset"))))


def of_alarm(view: AlarmView) -> Subject:
    """From an alarm as it stands."""
    return Subject(view.valve, view.kind, view.onset_ns, None if view.active else view.returned_ns)


# Readings of production near the onset and now: what the pictures of raw readings rest on.

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
