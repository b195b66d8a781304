"""What a picture is asked for: a finding, or an alarm that stands or stood; and which picture shows each kind."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import cast

from asleft.alarms.states import AlarmView
from asleft.catalogue.finding_kinds import quantities_of
from asleft.web.evidence.picture import Shape
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
