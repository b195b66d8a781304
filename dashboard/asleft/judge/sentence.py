"""The one sentence a colleague would say about a valve, the same on every surface; times are added there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from asleft.catalogue.finding_kinds import FINDING_KINDS
from asleft.catalogue.parts import PART_WORDS
from asleft.judge.types import Finding, QuantityResult, State, Verdict
from asleft.sheet.model import Sheet
from asleft.sheet.names import LABELS, format_quantity


def likely(finding: Finding) -> str:
    """Say which part is likely: one, a pair that cannot be told apart, or one and what else it may be."""
    parts = (finding.part, *finding.alternatives)
    if len(parts) == 1:
        return f"Likely {PART_WORDS[parts[0]]}."
    if len(parts) == 2:
        first, second = PART_WORDS[parts[0]], PART_WORDS[parts[1]]
        return f"Likely {first}, or {second}."
    rest = ", ".join(PART_WORDS[p] for p in parts[1:-1])
    return f"Likely {PART_WORDS[parts[0]]}; else {rest} or {PART_WORDS[parts[-1]]}."


def sentence(sheet: Sheet, results: Mapping[str, QuantityResult], findings: Sequence[Finding], state: State) -> str:
    """What a colleague would say first."""
    causes = [f for f in findings if f.consequence_of is None]
    if causes:
        first = causes[0]
        more = len(causes) - 1
        tail = "" if more == 0 else f" And {more} more finding{'s' if more > 1 else ''}."
        return f"{_lead(first, results)} {likely(first)}{tail}"
    observed = [r for r in results.values() if r.verdict is not Verdict.NOT_OBSERVED]
    if not observed:
        if state in {State.STOPPED, State.NOT_ENABLED}:
            return "Nothing judged yet: the machine has not produced since this sheet came into force."
        return "Nothing judged yet: not enough production seen since this sheet came into force."
    undecided = [r for r in observed if r.verdict is Verdict.UNDECIDED]
    lead = f"As left. Nothing moved since sheet {sheet.revision.number}{_of_date(sheet)}."
    if undecided:
        names = _list([LABELS[r.id] for r in undecided])
        lead = f"As left, as far as can be told: {names} undecided, the uncertainty reaches over the tolerance."
    return lead + _unseen(results)


def _of_date(sheet: Sheet) -> str:
    at = sheet.revision.at
    return f" of {at.day} {at:%B}" if at is not None else ""


def _lead(finding: Finding, results: Mapping[str, QuantityResult]) -> str:
    names = [n for n in _leading(finding.kind) if n in results and results[n].as_found is not None]
    names.sort(key=lambda n: -abs(results[n].tolerance_used_pct or 0.0))
    if not names:
        return finding.evidence.split(". ")[0].rstrip(".") + "."
    name = names[0]
    result = results[name]
    label = LABELS[name].capitalize()
    now, was = format_quantity(name, result.as_found), format_quantity(name, result.as_left)
    if result.trend_per_day is not None and name.startswith("pressure"):
        way = "rises" if result.trend_per_day > 0 else "falls"
        return f"{label} {way} {abs(result.trend_per_day):.2g} {result.unit} a day: {now}, left at {was}."
    verb = "takes" if name.startswith("ramp") else "is at"
    return f"{label} {verb} {now}; it was left at {was}."


def _leading(kind: str) -> tuple[str, ...]:
    """Quantities whose values the headline gives in place of the evidence."""
    known = FINDING_KINDS[kind]
    return known.quantities if known.from_quantity else ()


def _unseen(results: Mapping[str, QuantityResult]) -> str:
    """The one thing worth saying about what is not seen."""
    blind = {r.id: r for r in results.values() if r.verdict is Verdict.NOT_OBSERVED}
    if any("no current reading" in r.reason for r in blind.values()):
        return " No current reading on this valve: judged by pressure alone."
    ramps = [blind[n] for n in ("ramp_up", "ramp_down") if n in blind and blind[n].bound_below is not None]
    if len(ramps) == 2:
        return f" Ramps: not observed, {ramps[0].reason}."
    if ramps:
        return f" {LABELS[ramps[0].id].capitalize()}: not observed, {ramps[0].reason}."
    return ""


def _list(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
