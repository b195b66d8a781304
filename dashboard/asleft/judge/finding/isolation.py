"""Which part moved: the causes of the fault table that observed symptoms leave standing."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from asleft.catalogue.finding_kinds import FINDING_KINDS
from asleft.judge.finding.signatures import (
    AS_LEFT,
    CAUSES,
    SYMPTOMS,
    WEIGHTS,
    Cause,
    Values,
    without_current,
)
from asleft.judge.types import Part
from asleft.sheet.model import Sheet, Where

_OF_THE_CURRENT, _OF_THE_PRESSURE = ("currents", "top"), ("pressure", "hysteresis")
#: How much it weighs against a cause that a symptom it always shows is surely not there.
_ABSENT = 2
#: How much it weighs against a cause that its own signs of the very finding were looked for and are not there.
_NOT_SHOWN = 0.5


@dataclass(frozen=True, slots=True)
class Conclusion:
    """Parts, the likeliest first; the symptoms that ruled the others out; the causes left standing."""

    parts: tuple[Part, ...]
    decisive: tuple[str, ...]
    causes: tuple[Cause, ...]


def isolate(
    observed: Mapping[str, Values],
    places: Mapping[str, Where],
    kind: str,
    causes: Sequence[Cause] = CAUSES,
    likelier: Mapping[str, Values] = MappingProxyType({}),
) -> Conclusion | None:
    """Causes of a kind of finding that contradict what was observed least. None if the table has no cause for it.

    `observed`: symptom -> values it may have; absent: not known. A cause is contradicted by each symptom of which it
    can show none of the possible values; one whose own sign was looked for and is surely not there is out of the
    question. Usually one fault is there and its cause has no contradiction; with several at once the one with the
    fewest is named. Where that is a tie of parts nothing tells apart, all of them are; those that show what is
    `likelier`, though not sure, come first.

    It misses a second cause of the same part, and names the wrong one where two faults imitate a third.
    """
    rows = [row for row in _rows(observed, places, causes) if _explains(row, kind, observed)]
    rows = [row for row in rows if not any(row.departs(s) and values == AS_LEFT for s, values in observed.items())]
    if not rows:
        return None
    left = _least_contradicted(rows, kind, observed)
    if contradictions(left[0], observed) and FINDING_KINDS[kind].own_symptoms:
        # No cause alone shows all of this: there are several, and what others show says nothing of this one.
        own = FINDING_KINDS[kind].own_symptoms
        whole, observed = observed, {name: values for name, values in observed.items() if name in own}
        left = _least_contradicted(rows, kind, observed, whole)
        shown = {name: values for name, values in observed.items() if name in FINDING_KINDS[kind].symptoms}
        if contradictions(left[0], shown):  # what it shows itself rules that out: an odd command is another fault
            observed = _without(observed, "command")
            left = _least_contradicted(rows, kind, observed, whole)
    decisive = tuple(
        symptom
        for symptom in SYMPTOMS
        if symptom in observed
        and _parts(_least_contradicted(rows, kind, _without(observed, symptom))) != _parts(left)
    )
    left.sort(key=lambda row: any(not (row.allows(s) or values) & values for s, values in likelier.items()))
    return Conclusion(_parts(left), decisive, tuple(left))


def places_of(sheet: Sheet) -> dict[str, Where]:
    """Where each channel is read, as far as the sheet says so."""
    return {name: i.where for name, i in sheet.instruments.items() if i.where is not None}


def contradictions(cause: Cause, observed: Mapping[str, Values]) -> int:
    """Weighted number of observed symptoms a cause cannot show.

    One that it always shows and that is surely not there weighs more than one that has another shape.
    """
    count = 0
    for symptom, values in observed.items():
        allowed = cause.allows(symptom)
        if allowed is not None and not allowed & values:
            count += max(WEIGHTS.get(symptom, 1), _ABSENT if values == AS_LEFT else 1)
    return count


def expected_parts(
    cause: Cause, visible: Iterable[str], places: Mapping[str, Where], causes: Sequence[Cause] = CAUSES
) -> frozenset[Part]:
    """Parts that cannot be told apart from `cause` when only the symptoms `visible` are known, its own included.

    Two causes are told apart by a visible symptom for which they have no value in common. Empty if the cause shows
    itself in none of them.
    """
    known = set(visible)
    rows = [row for row in causes if _in_place(row, places) and known.issuperset(row.known)]
    if "currents" not in known:
        rows, cause = [without_current(row) for row in rows], without_current(cause)
    if not any(cause.departs(symptom) for symptom in known):
        return frozenset()
    out = {cause.part}
    for row in rows:
        apart = any(
            a is not None and b is not None and not a & b
            for a, b in ((cause.allows(s), row.allows(s)) for s in known)
        )
        shows = any(bool((row.allows(s) or AS_LEFT) - AS_LEFT) for s in known)
        if not apart and shows:
            out.add(row.part)
    return frozenset(out)


def _rows(observed: Mapping[str, Values], places: Mapping[str, Where], causes: Sequence[Cause]) -> list[Cause]:
    rows = [row for row in causes if _in_place(row, places) and all(symptom in observed for symptom in row.known)]
    return rows if "currents" in observed else [without_current(row) for row in rows]


def _in_place(cause: Cause, places: Mapping[str, Where]) -> bool:
    return all(places.get(channel) is where for channel, where in cause.where.items())


def _explains(cause: Cause, kind: str, observed: Mapping[str, Values]) -> bool:
    """Whether a cause may lead to a kind of finding: by a value of its own, or, once it is seen itself, by any."""
    itself = any(
        cause.departs(s) and s != "following" and bool((cause.allows(s) or values) & values)
        for s, values in observed.items()
    )
    for symptom in FINDING_KINDS[kind].symptoms:
        allowed = cause.allows(symptom)
        if symptom in _OF_THE_CURRENT and kind.startswith(_OF_THE_PRESSURE) and not _reaches_the_pressure(cause):
            continue
        if allowed is None:
            if itself:
                return True
        elif any(_of_sign(value, FINDING_KINDS[kind].sign) for value in allowed - AS_LEFT):
            return True
    return False


def _reaches_the_pressure(cause: Cause) -> bool:
    """Whether what a cause shows in the current is really there, so that the pressure follows it."""
    follows = cause.allows("following")
    return follows is None or "yes" in follows


def _is_shown(cause: Cause, kind: str, observed: Mapping[str, Values]) -> bool:
    """Whether a cause may show in what leads to a kind of finding, by what was seen of it."""
    for symptom in FINDING_KINDS[kind].symptoms:
        allowed, values = cause.allows(symptom), observed.get(symptom)
        if allowed is None or (values is None and allowed - AS_LEFT):
            return True
        if values is not None and (allowed - AS_LEFT) & values:
            return True
    return False


def _of_sign(value: str, sign: str | None) -> bool:
    return sign is None or value[-1] == sign or value[-1] not in "+-"


def _least_contradicted(
    rows: Sequence[Cause], kind: str, observed: Mapping[str, Values], whole: Mapping[str, Values] | None = None
) -> list[Cause]:
    """Rows that contradict `observed` least; `whole`: what else was seen, by which a row may be shown at all."""
    seen = observed if whole is None else whole
    counts = [contradictions(row, observed) + (0.0 if _is_shown(row, kind, seen) else _NOT_SHOWN) for row in rows]
    fewest = min(counts)
    return [row for row, count in zip(rows, counts, strict=True) if count == fewest]


def _parts(rows: Sequence[Cause]) -> tuple[Part, ...]:
    return tuple(dict.fromkeys(row.part for row in rows))


def _without(observed: Mapping[str, Values], symptom: str) -> dict[str, Values]:
    return {name: values for name, values in observed.items() if name != symptom}
