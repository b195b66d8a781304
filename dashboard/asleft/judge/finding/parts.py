"""Name the part of each finding by the fault table, and say in plain words what told it from the others."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import replace

import numpy as np
from asleft.catalogue.parts import Part
from asleft.judge.features import Dwell
from asleft.judge.finding.context import FindingContext, LevelChange
from asleft.judge.finding.level_changes import slope_at
from asleft.judge.finding.pressure_symptoms import (
    follows,
    likelier_following,
    likelier_of,
    pressure_tolerance_bar,
)
from asleft.judge.finding.signatures import ANY_SHAPE, AS_LEFT, Conclusion, Values, isolate, places_of
from asleft.judge.finding.symptoms import likelier_currents
from asleft.judge.finding.within import comes_and_goes, moved_within
from asleft.judge.types import Finding, Verdict
from asleft.judge.valve.pressure import LevelKey, key_of
from asleft.sheet.names import with_minus

# Whether the pressure comes and goes with a current that does.
#
# Segments that showed it are compared with those of the same level that did not, in the same log, so that nothing
# must be known of how the valve was left. What was not looked at says nothing: a pressure whose own change would be
# lost in its tolerance is no sign that the reading of current is wrong.
#
# It misses what lasts for less than two visits of a level.

#: Visits of a level, of either kind, that are compared, and commands that are one: two lower ones may be one level.
_LEAST_VISITS, _ONE_COMMAND = 2, 0.01


def followed_at_times(context: FindingContext, at_s: Collection[float]) -> Values | None:
    """Whether the pressure came and went with a current that was off in dwells beginning at `at_s`; None: unseen."""
    levels, tolerance = _changes_at_times(context, at_s), pressure_tolerance_bar(context)
    return follows(levels, tolerance) if levels and tolerance is not None else None


def _changes_at_times(context: FindingContext, at_s: Collection[float]) -> list[LevelChange]:
    """How pressure and current of each level differ between dwells that begin at `at_s` and the others."""
    levels = []
    for (step, arrival), (there, usual) in _pairs(context.at_rest, at_s).items():
        now, then = (np.array([(d.pressure_bar, d.current_a) for d in group]) for group in (there, usual))
        change_bar, change_a = (np.median(now, axis=0) - np.median(then, axis=0)).tolist()
        demand = float(np.median([d.demand for d in usual]))
        slope, sure = slope_at(context, demand, float(arrival), change_a)
        se = math.hypot(*(float(group[:, 0].std()) / math.sqrt(len(group)) for group in (now, then)))
        left = float(np.median(then[:, 0]))
        levels.append(LevelChange(0.05 * step, float(arrival), left, change_bar, se, change_a, slope, sure))
    return levels


def current_took_the_pressure(context: FindingContext) -> bool:
    """Whether a current was off at times, is not now, and the pressure was off at the same times because of it."""
    times = [moved_within(context, name) for name in ("current_at_zero", "current_at_full")]
    at_s = frozenset().union(*(one.at_times for one in times if one is not None))
    return bool(at_s) and followed_at_times(context, at_s) == frozenset({"yes"})


def _pairs(dwells: Sequence[Dwell], at_s: Collection[float]) -> Mapping[LevelKey, tuple[list[Dwell], list[Dwell]]]:
    """Level -> its dwells that begin at `at_s`, and the others at the same command; only with enough of both."""
    groups: dict[LevelKey, tuple[list[Dwell], list[Dwell]]] = {}
    for dwell in dwells:
        if math.isfinite(dwell.current_a):
            groups.setdefault(key_of(dwell), ([], []))[0 if dwell.from_s in at_s else 1].append(dwell)
    for key, (there, usual) in groups.items():
        demand = float(np.median([d.demand for d in there])) if there else math.nan
        groups[key] = (there, [d for d in usual if abs(d.demand - demand) < _ONE_COMMAND])
    return {key: rows for key, rows in groups.items() if min(len(row) for row in rows) >= _LEAST_VISITS}


#: Findings name at most this many parts; the rest are less likely than all of these.
_MOST_PARTS = 6


_BOTH_ENDS: Mapping[str, tuple[str, str]] = {
    "current": ("current_at_zero", "current_at_full"),
    "pressure": ("pressure_at_zero", "pressure_at_full"),
}
#: Symptoms worth a word wherever they are known, decisive or not.
_CONTEXT: Mapping[str, tuple[str, ...]] = {
    "pressure-changed": ("currents", "vented"),
    "pressure-clipped": ("currents",),
    "hysteresis-changed": ("currents",),
    "current-zero-changed": ("following", "idle"),
    "current-full-changed": ("following", "idle"),
}


def with_part(finding: Finding, context: FindingContext, observed: Mapping[str, Values]) -> Finding:
    """The finding with its likely part, what else it may be, and the evidence that ruled the others out."""
    if finding.kind == "reading-pinned":
        return finding  # its channel says which part it is, whatever else is seen
    if finding.kind == "pressure-unwanted" and "pressure" not in observed:
        return finding  # no shape over levels, which is all that could tell
    taken = finding.kind.startswith("pressure") and current_took_the_pressure(context)
    cut_at_times = finding.kind == "current-clipped" and context.found.clip is None
    if taken or cut_at_times or comes_and_goes(finding, context) or _is_over(finding, observed):
        # What is seen of other quantities is how they are now: what counts is whether they came and went too.
        observed, likelier = _seen_at_times(finding, context, taken=taken)
        then = isolate(observed, places_of(context.sheet), finding.kind, likelier=likelier)
        return (
            finding if then is None else replace(finding, part=then.parts[0], alternatives=then.parts[1:_MOST_PARTS])
        )
    likelier = {**likelier_following(context), **likelier_currents(context)}
    conclusion = isolate(observed, places_of(context.sheet), finding.kind, likelier=likelier)
    if conclusion is None:
        return finding
    parts = conclusion.parts[:_MOST_PARTS]
    why = "".join(f" {words}" for words in _reasons(conclusion, finding, context, observed))
    return replace(finding, part=parts[0], alternatives=parts[1:], evidence=finding.evidence + why)


def _is_over(finding: Finding, observed: Mapping[str, Values]) -> bool:
    """Whether a pressure nobody asked for has gone again, so that the shape of the pressures tells nothing of it."""
    return finding.kind == "pressure-unwanted" and observed["pressure"] == AS_LEFT


def _seen_at_times(
    finding: Finding, context: FindingContext, *, taken: bool = False
) -> tuple[dict[str, Values], dict[str, Values]]:
    """Symptoms of what comes and goes: any shape, and whether current, pressure and supply came and went together.

    And those that are likelier, though not sure. `taken`: a current that came and went took the pressure of the
    finding with it.
    """
    if not (finding.kind.startswith("current") or taken):
        at_s = _times_of(_BOTH_ENDS["pressure"], context)
        seen = any(_is_observed(context, name) for name in _BOTH_ENDS["current"])
        explained = "yes" in (followed_at_times(context, at_s) or AS_LEFT)
        return {"pressure": ANY_SHAPE, **({"currents": AS_LEFT} if seen and not explained else {})}, {}
    at_s = _times_of(_BOTH_ENDS["current"], context)
    follows, likelier = followed_at_times(context, at_s), likelier_of(context, _changes_at_times(context, at_s))
    out: dict[str, Values] = {} if follows is None else {"following": follows}
    if _is_observed(context, "supply_voltage"):
        out["supply"] = AS_LEFT if moved_within(context, "supply_voltage") is None else frozenset({"low"})
    if finding.kind == "current-clipped":
        return {"currents": AS_LEFT, "top": frozenset({"cut"}), **out}, likelier
    return {"currents": ANY_SHAPE, **out}, likelier


def _times_of(names: Sequence[str], context: FindingContext) -> frozenset[float]:
    """Beginnings of the segments that show any of these quantities off at times (unix s)."""
    within = [moved_within(context, name) for name in names if _is_observed(context, name)]
    return frozenset().union(*(one.at_times for one in within if one is not None))


def _is_observed(context: FindingContext, name: str) -> bool:
    result = context.results.get(name)
    return result is not None and result.verdict is not Verdict.NOT_OBSERVED


def _reasons(
    conclusion: Conclusion, finding: Finding, context: FindingContext, observed: Mapping[str, Values]
) -> list[str]:
    """At most two sentences on what was decisive, and one on what is missing where parts are left together."""
    out: list[str] = []
    for symptom in dict.fromkeys((*conclusion.decisive, *_CONTEXT.get(finding.kind, ()))):
        values, words = observed.get(symptom, frozenset()), _WORDS.get(symptom)
        if words is not None and len(values) == 1:
            said = words(next(iter(values)), finding, context)
            if said and said not in finding.evidence:
                out.append(said)
    out = out[:2]
    parts = set(conclusion.parts)
    if {Part.CURRENT_SENSOR} < parts and finding.kind.startswith("current") and not _known(observed, "following"):
        out.append(f"{_why_not_following(context)}, so driver and current reading cannot be told apart.")
    elif "currents" not in observed and finding.kind.startswith(("pressure", "hysteresis")) and len(parts) > 1:
        source = Part.PRESSURE_SOURCE in parts and Part.VALVE not in parts
        out.append(f"No current reading to tell driver and {'pressure source' if source else 'valve'} apart.")
    elif "supply" not in observed and finding.kind == "current-clipped" and Part.SUPPLY in parts:
        out.append("Supply not recorded, so coil and supply cannot be told apart.")
    return out


def _known(observed: Mapping[str, Values], symptom: str) -> bool:
    return len(observed.get(symptom, ())) == 1


def _why_not_following(context: FindingContext) -> str:
    """Why the pressure does not say whether the current really changed."""
    if not context.seen.has_pressure:
        return "No pressure is recorded"
    ends = [context.results.get(name) for name in ("pressure_at_zero", "pressure_at_full")]
    asked = [end for end in ends if end is not None]
    if not asked:
        return "The sheet gives no pressures"
    reasons = list(dict.fromkeys(end.reason for end in asked if end.verdict is Verdict.NOT_OBSERVED and end.reason))
    if reasons and all(end.verdict is Verdict.NOT_OBSERVED for end in asked):
        return f"The pressure was not judged ({reasons[0]})"
    return "What was seen of the pressure does not say whether it moved with the current"


def _following(value: str, finding: Finding, context: FindingContext) -> str:
    del finding, context
    if value == "yes":
        return "Pressure moved with it, so the current really changed."
    return "Pressure did not move with it."


def _ramps(value: str, finding: Finding, context: FindingContext) -> str:
    del context
    other = "down" if finding.kind == "ramp-up-changed" else "up"
    if value == "both":
        return f"Ramp {other} moved with it."
    return f"Ramp {other} did not move."


def _currents(value: str, finding: Finding, context: FindingContext) -> str:
    del context
    if value == "as left":
        return "The current is as left."
    if not finding.kind.startswith("current"):
        return "The current changed with it."
    shape = value[:-1]
    if shape == "gain":
        return "Both ends of the current changed in proportion."
    if shape == "offset":
        return "Both ends of the current shifted alike."
    return "The other end of the current did not move." if shape in {"zero", "full"} else ""


def _vented(value: str, finding: Finding, context: FindingContext) -> str:
    if value == "as left":
        return "With the press stopped and vented the reading is right." if finding.kind.startswith("press") else ""
    return with_minus(f"With the press stopped and vented it reads {context.vented_shift_bar or 0.0:+.1f} bar too.")


def _idle(value: str, finding: Finding, context: FindingContext) -> str:
    if value == "as left":
        return "With the driver off the current reads right." if finding.kind.startswith("current") else ""
    return with_minus(f"With the driver off the current reads {context.idle_shift_a or 0.0:+.3f} A too.")


def _supply(value: str, finding: Finding, context: FindingContext) -> str:
    result = context.results.get("supply_voltage")
    if result is None or result.as_found is None or result.as_left is None or finding.kind == "supply-low":
        return ""
    if value == "low":
        return f"The supply is at {result.as_found:.1f} V, left at {result.as_left:.1f} V."
    return "" if finding.kind != "current-clipped" else f"The supply is as left, {result.as_found:.1f} V."


def _resistance(value: str, finding: Finding, context: FindingContext) -> str:
    del context
    if finding.kind == "coil-changed":
        return ""
    words = {"as left": "is as left", "+": "rose", "-": "fell"}[value]
    return f"The coil's resistance {words}."


def _dither(value: str, finding: Finding, context: FindingContext) -> str:
    del context
    if finding.kind.startswith("dither"):
        return ""
    if value == "as left":
        return "The dither is as left."
    return "The dither is gone." if value == "lost" else "The dither changed too."


_SHAPE_WORDS = {
    "spring": "The higher the level, the more it moved.",
    "gain": "The higher the level, the more it moved.",
    "force": "It moved as the force of the coil would.",
    "offset": "Every level moved alike.",
    "loop": "It falls short on the way up and stays high on the way down.",
    "top": "Only the top is cut off; lower levels are as left.",
    "foot": "Only the lowest levels are held up, at one height; those above are as left.",
    "zero": "The lower the level, the more it moved.",
    "gon": "It is gone at every level.",
}


def _pressure(value: str, finding: Finding, context: FindingContext) -> str:
    del context
    if value == "as left":
        return (
            "" if finding.kind.startswith(("pressure", "hysteresis")) else "The pressure is as the current makes it."
        )
    return _SHAPE_WORDS.get(value[:-1], "")


def _scatter(value: str, finding: Finding, context: FindingContext) -> str:
    del finding, context
    return "" if value == "as left" else "It differs from one cycle to the next at the same command."


def _flow(value: str, finding: Finding, context: FindingContext) -> str:
    del context
    return "It comes back by itself." if value == "at times" and finding.kind == "current-lost" else ""


_WORDS: Mapping[str, Callable[[str, Finding, FindingContext], str]] = {
    "following": _following,
    "ramps": _ramps,
    "currents": _currents,
    "vented": _vented,
    "idle": _idle,
    "supply": _supply,
    "resistance": _resistance,
    "dither": _dither,
    "pressure": _pressure,
    "scatter": _scatter,
    "flow": _flow,
}
