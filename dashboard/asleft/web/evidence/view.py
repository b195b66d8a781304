"""From a finding or an alarm and the stores to the description of its picture."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from asleft.web import units
from asleft.web.availability import Place, Unreachable
from asleft.web.evidence.of_history import history_picture
from asleft.web.evidence.of_readings import clip_picture, moment_picture, readings_picture
from asleft.web.evidence.of_shapes import branches_picture, curve_picture, spectrum_picture, strokes_picture
from asleft.web.evidence.picture import NoPicture, Picture, Shape
from asleft.web.evidence.subject import Subject
from asleft.web.source import Source
from asleft.web.views.valves import Json

#: A picture is made anew when it is older than this: points come every ten minutes of production.
KEPT_NS = 60 * 10**9

_SPOKEN: Mapping[Place, str] = {Place.SAMPLES: "the readings", Place.RECORDS: "the records"}

Make = Callable[[Source, Subject, Json | None], Picture | NoPicture]

_MAKERS: Mapping[Shape, Make] = {
    Shape.HISTORY: history_picture,
    Shape.STROKES: strokes_picture,
    Shape.CLIP: lambda source, subject, _: clip_picture(source, subject),
    Shape.CURVE: curve_picture,
    Shape.BRANCHES: branches_picture,
    Shape.SPECTRUM: spectrum_picture,
    Shape.MOMENT: lambda source, subject, _: moment_picture(source, subject),
    Shape.READINGS: lambda source, subject, _: readings_picture(source, subject),
}


def evidence(source: Source, subject: Subject, judgement: Json | None) -> Picture | NoPicture:
    """The most telling picture that can be made of what is kept; a minute old at most.

    None where a store cannot be reached: the words beside it do without.
    """
    key = ("evidence", subject, units.current().unit)
    try:
        return source.kept(key, KEPT_NS, lambda: _made(source, subject, judgement))
    except Unreachable as away:
        return NoPicture(f"No picture now: {_SPOKEN[away.place]} cannot be reached.")


def _made(source: Source, subject: Subject, judgement: Json | None) -> Picture | NoPicture:
    reasons = []
    for shape in subject.shapes:
        found = _MAKERS[shape](source, subject, judgement)
        if isinstance(found, Picture):
            return found
        reasons.append(found.why)
    return NoPicture(reasons[0] if reasons else "There is no picture of it.")
