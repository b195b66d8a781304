"""From verdicts, charts and watched conditions to findings, each under its cause."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType

from asleft.catalogue.finding_kinds import CURRENT_MOVED, FINDING_KINDS, KIND_OF
from asleft.catalogue.parts import Part
from asleft.judge.finding.context import FindingContext, make, moved
from asleft.judge.finding.departures import borne_out, clipped, departures, headroom_low, rests_on_cut
from asleft.judge.finding.held import decided, held_findings
from asleft.judge.finding.loop_within import widened, widening_explains
from asleft.judge.finding.parts import current_took_the_pressure, with_part
from asleft.judge.finding.pressure_symptoms import scatter_bar, sticking, went_with_current
from asleft.judge.finding.signatures import AS_LEFT
from asleft.judge.finding.symptoms import observe, shorted_turns
from asleft.judge.finding.watched import (
    dead_reading_shows_unasked,
    lost_by_dead_command,
    read_late,
    stroke_findings,
    strokes_unclear,
    watched,
)
from asleft.judge.finding.within import comes_and_goes, moved_within
from asleft.judge.types import Finding, Verdict
from asleft.sheet.names import counted, counted_reason

#: Onsets that lie no further apart are one event, as far as dwells and points tell (s).
_TOGETHER_S = 600.0
#: A dead reading that is the doing of nothing else, and nothing else is its doing.
_ALONE = frozenset({"dead supply"})
_PRESSURE = frozenset({"pressure-changed", "pressure-clipped"})
_TOLD: Mapping[str, int] = {kind: place for place, kind in enumerate(FINDING_KINDS)}


def find(
    context: FindingContext, earlier: Mapping[str, Finding], began_under: Mapping[str, str] = MappingProxyType({})
) -> list[Finding]:
    """All findings now, worst first. `began_under`: the cause under which each earlier one was first told.

    One already known keeps its onset. It stays until each quantity by which it was found is back inside its tolerance
    by the guard band: not seeing a fault is no sign that it has gone, and while one is undecided its finding is no
    less serious than it was. What began with a cause goes with it.
    """
    raised = watched(context) + held_findings(context) + clipped(context) + departures(context)
    raised += (
        (sticking(context) or widened(context))  # one that sticks differs from visit to visit, and is no wider loop
        + shorted_turns(context)
        + headroom_low(context)
        + stroke_findings(context)
        + _missing(context)
    )
    raised += borne_out(context, raised)
    if any(moved_within(context, name) for name in ("pressure_at_zero", "pressure_at_full")):
        # What differs from visit to visit is then a pressure that moved, not a spool that sticks.
        raised = [f for f in raised if f.kind != "hysteresis-changed" or f.quantities]
    now: dict[str, Finding] = {}
    for finding in raised:
        known = now.get(finding.kind)
        now[finding.kind] = finding if known is None else _together(known, finding)
    for kind, known in earlier.items():
        unclear = _unclear(context, known)
        if kind in now:
            now[kind] = _going_on(known, now[kind], context, held=unclear)
        elif unclear:
            now[kind] = known
    _drop_consequences(now, earlier, began_under)
    named = _named(now, earlier, context) if now else now
    linked = [_link(replace(f, consequence_of=None), named, context, now[f.kind].evidence) for f in named.values()]
    return sorted(linked, key=_order)


def _order(finding: Finding) -> tuple[bool, int, bool, int]:
    """Causes first, the most serious first, in the order of the kinds; that an instrument ends too low comes last."""
    ends = finding.kind == "reading-pinned" and finding.severity == 1
    return finding.consequence_of is not None, -finding.severity, ends, _TOLD[finding.kind]


def _together(one: Finding, other: Finding) -> Finding:
    """The more serious of two findings of one kind, found by the quantities of both."""
    leads = one if one.severity >= other.severity else other
    return replace(leads, quantities=tuple(dict.fromkeys((*one.quantities, *other.quantities))))


def _going_on(known: Finding, now: Finding, context: FindingContext, *, held: bool) -> Finding:
    """A finding that goes on: its onset stays, and while what it was found by is unclear, so does its severity."""
    still = [name for name in known.quantities if _unclear_now(context, name)]
    return replace(
        now,
        onset_s=now.onset_s if known.onset_s is None else known.onset_s,
        severity=max(now.severity, known.severity) if held else now.severity,
        quantities=tuple(dict.fromkeys((*now.quantities, *still))),
    )


def _drop_consequences(
    now: dict[str, Finding], earlier: Mapping[str, Finding], began_under: Mapping[str, str]
) -> None:
    """Leave out what only stays from before and began with a cause that has just gone: it was that cause's doing.

    What was told before its cause, by its own onset too, was there by itself, and stays.
    """
    while gone := [
        k
        for k, finding in now.items()
        if finding is earlier.get(k) and _of_a_gone(finding, now, earlier, began_under)
    ]:
        for kind in gone:
            del now[kind]


def _of_a_gone(
    finding: Finding, now: Mapping[str, Finding], earlier: Mapping[str, Finding], began_under: Mapping[str, str]
) -> bool:
    cause = earlier.get(finding.consequence_of or "")
    if cause is None or cause.kind in now:
        return False
    if began_under.get(finding.kind) == cause.kind:
        return True
    return finding.onset_s is None or cause.onset_s is None or finding.onset_s > cause.onset_s - _TOGETHER_S


def _named(now: Mapping[str, Finding], earlier: Mapping[str, Finding], context: FindingContext) -> dict[str, Finding]:
    """Findings with their parts by the fault table; one that only stays from before keeps what it was."""
    seen = observe(context)
    observed = {**seen, "pinned": seen["pinned"] - _ALONE or AS_LEFT}
    unasked = {"current-unwanted": {**observed, "pinned": AS_LEFT}}
    rightly_read = {} if dead_reading_shows_unasked(context) else unasked
    return {
        kind: finding
        if finding is earlier.get(kind)
        else with_part(finding, context, rightly_read.get(kind, observed))
        for kind, finding in now.items()
    }


def _unclear(context: FindingContext, known: Finding) -> bool:
    """Whether what led to a finding is neither seen to be there nor to be gone."""
    kind = known.kind
    names = list(known.quantities or (name for name, k in KIND_OF.items() if k == kind))
    if kind == "pressure-changed" and decided(context):
        return False
    if kind in {"response-changed", "model-misfit"}:
        return strokes_unclear(context, kind)
    if kind == "dither-lost":
        names = ["dither_amplitude"]
    if kind == "headroom-low":
        names = ["headroom"]
    if kind == "current-clipped":
        names = ["current_at_full"]
        if context.found.slow:  # a loop goes where it must, not to the top of the command
            return context.found.line is None
        top = max((level.demand for level in context.found.levels), default=0.0)
        return top < 0.9 or context.results.get("current_at_full") is None or rests_on_cut(context)
    if kind == "hysteresis-changed" and not known.quantities:  # it was the scatter of a spool that sticks
        return scatter_bar(context) is None
    return any(_unclear_now(context, name) for name in names)


def _unclear_now(context: FindingContext, name: str) -> bool:
    result = context.results.get(name)
    return result is not None and result.verdict in {Verdict.UNDECIDED, Verdict.NOT_OBSERVED}


def _missing(context: FindingContext) -> list[Finding]:
    total = sum(context.missing.values())
    if total == 0:
        return []
    reasons = [counted_reason(count, reason) for reason, count in sorted(context.missing.items())]
    if len(reasons) == 1:  # of all of them: the number is said already, and that they failed too
        reasons = [one.split(" ", 1)[1] for one in reasons if "failed" not in context.missing]
    why = f": {', '.join(reasons)}" if reasons else ""
    share = 100.0 * total / max(context.readings + total, 1)
    return [make("data-missing", f"{counted(total, 'reading')} could not be used ({share:.2g} %){why}.", None)]


def _link(finding: Finding, now: Mapping[str, Finding], context: FindingContext, measured: str) -> Finding:
    """Hang a finding under its cause where the numbers say that it is one, whose parts it then has.

    `measured`: its evidence without what spoke for parts of its own.
    """
    for kind in FINDING_KINDS[finding.kind].hangs_under:
        if kind in now and _explains(now[kind], finding, context):
            cause = now[kind]
            if kind in CURRENT_MOVED and finding.kind.startswith("pressure") and cause.part is not finding.part:
                finding = replace(finding, part=cause.part, alternatives=cause.alternatives, evidence=measured)
            return replace(finding, consequence_of=kind)
    return finding


def _parts(finding: Finding) -> set[Part]:
    return {finding.part, *finding.alternatives}


def _explains(cause: Finding, finding: Finding, context: FindingContext) -> bool:
    if cause.kind == "reading-pinned":
        return _dead_reading_explains(cause, finding, context)
    if cause.kind == "response-changed" and finding.kind != "model-misfit":  # levels and ways by a wrong clock
        return bool(read_late(context))
    if cause.kind == "coil-changed" and finding.kind != "headroom-low":  # shorted turns: less force, more dither
        return finding.part is Part.COIL
    if finding.kind == "current-full-changed" and cause.kind == "supply-low":  # it takes less than it is asked for
        return finding.part is Part.SUPPLY
    if finding.kind == "current-zero-changed" and cause.kind == "current-full-changed":  # one gain, one shift
        return finding.part is cause.part and finding.part is not Part.DRIVER_SETTING
    return _explains_pressure(cause, finding, context) if finding.kind.startswith("pressure") else True


def _dead_reading_explains(cause: Finding, finding: Finding, context: FindingContext) -> bool:
    """A dead reading explains what was concluded from it, and nothing else."""
    if finding.kind == "current-unwanted" and not dead_reading_shows_unasked(context):
        return False
    if finding.kind == "current-lost" and lost_by_dead_command(context):
        return True
    if observe(context)["pinned"] == AS_LEFT:  # it only ends too low: what is read is right
        return False
    if finding.kind == "current-lost":  # a reading of nothing, while the pressure shows that current flows
        return Part.CURRENT_SENSOR in {cause.part, *cause.alternatives} and finding.part is Part.CURRENT_SENSOR
    rests_on = {Part.COMMAND_WIRING}
    if finding.kind.startswith(("pressure", "hysteresis")):
        rests_on.add(Part.PRESSURE_SENSOR)
    # Where no channel says so, a machine whose driver lets no current flow counts as not enabled.
    if not finding.kind.startswith("pressure") or finding.kind == "pressure-unwanted":
        rests_on.add(Part.CURRENT_SENSOR)
    return cause.severity > 1 and bool(rests_on & {cause.part, *cause.alternatives})


def _explains_pressure(cause: Finding, finding: Finding, context: FindingContext) -> bool:
    if finding.kind == "pressure-changed" and cause.kind == "hysteresis-changed":
        # A spool that sticks (found by no quantity) stops elsewhere each time; a wider loop moves both ends alike.
        return not cause.quantities or widening_explains(context)
    if finding.kind == "pressure-unwanted" and cause.kind in CURRENT_MOVED:
        return bool(observe(context).get("following", frozenset()) == {"yes"})
    if finding.kind in _PRESSURE and cause.kind in CURRENT_MOVED:
        if comes_and_goes(cause, context) and (
            comes_and_goes(finding, context) or current_took_the_pressure(context)
        ):
            return True
        if cause.part is Part.CURRENT_SENSOR or _current_is_right(context):
            return False
        return cause.kind == "current-clipped" or cause.part in _parts(finding) or went_with_current(context, finding)
    return True


def _current_is_right(context: FindingContext) -> bool:
    if context.found.clip is not None or rests_on_cut(context):
        return False
    return not any(moved(context, n) for n in ("current_at_zero", "current_at_full"))
