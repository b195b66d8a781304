"""The one sentence a colleague would say about a valve, the same on every surface; times are added there."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence

from asleft.catalogue.finding_kinds import FINDING_KINDS, READING_KINDS
from asleft.catalogue.parts import PART_WORDS
from asleft.judge.types import Finding, QuantityResult, State, Verdict
from asleft.sheet.model import Sheet
from asleft.sheet.names import (
    LABELS,
    counted,
    format_pair,
    format_quantity,
    format_rate,
    format_uncertainty,
    unit_symbol,
)

#: Two quantities that a sentence speaks of as one.
_PAIRS: Mapping[tuple[str, str], str] = {
    ("current_at_zero", "current_at_full"): "currents",
    ("ramp_up", "ramp_down"): "ramps",
    ("pressure_at_zero", "pressure_at_full"): "pressures",
    ("dither_frequency", "dither_amplitude"): "dither",
}
#: The share of usable readings is said where it is not above this.
_NEARLY_ALL = 0.95
_ALL_AS_LEFT = "As left."


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


def sentence(
    sheet: Sheet,
    results: Mapping[str, QuantityResult],
    findings: Sequence[Finding],
    state: State,
    doubted: Collection[str] = (),
    usable: float = 1.0,
    unsteady: Sequence[str] = (),
) -> str:
    """What a colleague would say first. `doubted`: quantities not observed in whose place something else was seen.

    `usable`: share of the readings that could be used. What speaks of the readings only stands beside the verdict.
    `unsteady`: what single visits said against "as left", a clause each. It never says more than was seen: "As left"
    alone only where all that the sheet asks for was seen to be so; else it names what was, what is undecided and what
    was not seen.
    """
    said = _verdict(sheet, results, findings, state, doubted, unsteady)
    if usable > _NEARLY_ALL:
        return said
    from_share = f"from {100.0 * usable:.2g} % of the readings"
    # "As left." alone is what a list has room for, so the share goes with it.
    if said.startswith(_ALL_AS_LEFT):
        return said.replace(_ALL_AS_LEFT, f"{_ALL_AS_LEFT[:-1]}, {from_share}.", 1)
    return f"{said} {from_share.capitalize()}."


def _verdict(
    sheet: Sheet,
    results: Mapping[str, QuantityResult],
    findings: Sequence[Finding],
    state: State,
    doubted: Collection[str],
    unsteady: Sequence[str],
) -> str:
    causes = [f for f in findings if f.consequence_of is None and f.kind not in READING_KINDS]
    if causes:
        first = causes[0]
        more = len(causes) - 1
        tail = "" if more == 0 else f" And {counted(more, 'more finding')}."
        return f"{_lead(first, results)} {likely(first)}{tail}"
    asked = [r for r in results.values() if r.as_left is not None]
    observed = [r for r in asked if r.verdict is not Verdict.NOT_OBSERVED]
    if not observed:
        return f"Nothing judged yet: {_why_nothing(asked, state)}."
    # Headroom, which is nothing that was left, may be short as well.
    beyond = [r for r in results.values() if r.verdict is Verdict.OUT or beyond_undecided(r) or r.id in doubted]
    since = f"since sheet {sheet.revision.number}{_of_date(sheet)}"
    doubt = [*(_with_doubt(r) for r in beyond), *unsteady]
    lead = f"Not certain: {_list(doubt)}" if doubt else _as_left(asked, since)
    undecided = [LABELS[r.id] for r in observed if r.verdict is Verdict.UNDECIDED and r not in beyond]
    parts = [lead] if lead else []
    if undecided:
        parts.append(f"{_list(undecided)} undecided, the uncertainty reaches over the tolerance")
    unseen = _unseen([r for r in asked if r.verdict is Verdict.NOT_OBSERVED and r not in beyond])
    if unseen:
        parts.append(f"not seen: {unseen}")
    said = "; ".join(parts)
    return f"{said[0].upper()}{said[1:]}."


def little_seen(asked: Sequence[QuantityResult]) -> bool:
    """Whether nothing, or less than half of what the sheet asks for and no bound is known of, was observed.

    Also where no channel shows it: that a setting cannot be seen makes it neither good nor a fault. What is known to
    no better than its whole tolerance is not counted as seen.
    """
    observed = sum(r.verdict in {Verdict.IN, Verdict.OUT} or _is_narrow(r) for r in asked)
    return observed == 0 or 2 * observed < sum(r.bound_below is None for r in asked)


def _is_narrow(result: QuantityResult) -> bool:
    widths = [w for w in (result.tolerance_below, result.tolerance_above) if w is not None and math.isfinite(w)]
    unsure = result.uncertainty if result.verdict is not Verdict.NOT_OBSERVED else None
    return unsure is not None and unsure < min(widths, default=math.inf)


def beyond_undecided(result: QuantityResult) -> bool:
    """Whether a value lies beyond its tolerance, though its uncertainty reaches back into it.

    One that lies off as left by less than half its uncertainty is where chance alone puts it: it tells nothing.
    """
    used = result.tolerance_used_pct
    if result.verdict is not Verdict.UNDECIDED or used is None or abs(used) <= 100.0:
        return False
    if result.as_found is None or result.as_left is None or result.uncertainty is None:
        return True
    return abs(result.as_found - result.as_left) > 0.5 * result.uncertainty


def _as_left(asked: Sequence[QuantityResult], since: str) -> str:
    seen = [r.id for r in asked if r.verdict is Verdict.IN]
    if len(seen) == len(asked):
        return f"{_ALL_AS_LEFT} Nothing moved {since}"
    told = [f"{_list(_together(seen))} as left {since}"] if seen else []
    return "; ".join(["most of the sheet was not seen", *told] if little_seen(asked) else told)


def _why_nothing(asked: Sequence[QuantityResult], state: State) -> str:
    if state in {State.STOPPED, State.NOT_ENABLED}:
        return "the machine has not produced since this sheet came into force"
    if not asked:
        return "the sheet gives no setting to compare with"
    if all(not r.reason for r in asked):
        return "not enough production seen since this sheet came into force"
    return _unseen(asked)


def _with_doubt(result: QuantityResult) -> str:
    if result.as_found is None:
        return f"{_reason(result)}, {LABELS[result.id]} was left at {format_quantity(result.id, result.as_left)}"
    verb = "takes" if result.id.startswith("ramp") else "is at"
    unsure = f"{format_uncertainty(result.uncertainty)} {unit_symbol(result.unit)}"
    if result.as_left is None:
        return f"{LABELS[result.id]} {verb} {format_quantity(result.id, result.as_found)} ± {unsure}"
    now, was = format_pair(result.id, result.as_found, result.as_left)
    return f"{LABELS[result.id]} {verb} {now} ± {unsure}, left at {was}"


def _of_date(sheet: Sheet) -> str:
    at = sheet.revision.at
    return f" of {at.day} {at:%B}" if at is not None else ""


def _lead(finding: Finding, results: Mapping[str, QuantityResult]) -> str:
    spoken = [n for n in _leading(finding.kind) if n in results]
    spoken = [n for n in spoken if n in finding.quantities] or spoken
    names = [n for n in spoken if results[n].as_found is not None]
    names.sort(key=lambda n: -abs(results[n].tolerance_used_pct or 0.0))
    if not names:
        return finding.evidence.split(". ")[0].rstrip(".") + "."
    name = names[0]
    result = results[name]
    found_then = finding.severity > 1 and name in finding.quantities
    if result.verdict is not Verdict.OUT and (found_then or len(names) < len(spoken)):
        return finding.evidence.split(". ")[0].rstrip(".") + "."  # of what it was, not of what it is now
    label = LABELS[name].capitalize()
    now, was = format_pair(name, result.as_found, result.as_left)
    if result.trend_per_day and name.startswith("pressure"):
        way = "rises" if result.trend_per_day > 0 else "falls"
        return f"{label} {way} {format_rate(name, result.trend_per_day)} a day: {now}, left at {was}."
    verb = "takes" if name.startswith("ramp") else "is at"
    return f"{label} {verb} {now}; it was left at {was}."


def _leading(kind: str) -> tuple[str, ...]:
    """Quantities whose values the headline gives in place of the evidence."""
    known = FINDING_KINDS[kind]
    return known.quantities if known.from_quantity else ()


def _unseen(results: Sequence[QuantityResult]) -> str:
    """What was not seen, with why, quantities of one reason together."""
    by_reason: dict[str, list[str]] = {}
    for r in results:
        by_reason.setdefault(_reason(r), []).append(r.id)
    groups = [f"{_list(_together(names))}{f' ({why})' if why else ''}" for why, names in by_reason.items()]
    return ", ".join(groups)


def _reason(result: QuantityResult) -> str:
    """The first clause of why it was not observed, with the bound of a ramp; that a channel is missing said once."""
    why = result.reason.split(";")[0].removesuffix(" on this valve")
    if result.bound_below is not None and result.id.startswith("ramp"):
        return f"{why}; not slower than {format_quantity(result.id, result.bound_below)}"
    return why


def _together(names: Sequence[str]) -> list[str]:
    """Names of quantities as a sentence has them, both of a pair as one."""
    out: list[str] = []
    for pair, words in _PAIRS.items():
        if set(pair) <= set(names):
            out.append(words)
    paired = {name for pair in _PAIRS if set(pair) <= set(names) for name in pair}
    return out + [LABELS[name] for name in names if name not in paired]


def _list(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
