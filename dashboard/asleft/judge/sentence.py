"""The one sentence a colleague would say about a valve, the same on every surface; times are added there."""

from __future__ import annotations

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
#: Ends of reasons for what no channel shows.
_NO_CHANNEL = (" on this valve", "not recorded", "no fast bursts of the current")
#: Nobody says "as left" of what may be this many tolerances off.
_FAR = 1.5
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
) -> str:
    """What a colleague would say first. `doubted`: quantities not observed in whose place something else was seen.

    `usable`: share of the readings that could be used. What speaks of the readings only stands beside the verdict.
    It never says more than was seen: "as left" only where nothing is out and nothing that is undecided may lie
    beyond one and a half times its tolerance, and what the sheet asks for and was not seen is said beside it.
    """
    said = _verdict(sheet, results, findings, state, doubted)
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
    doubt = _list([_with_doubt(r) for r in beyond]) if beyond else ""
    lead = f"Not certain: {doubt}" if beyond else _as_left(observed, asked, since)
    if little_seen(asked) and not beyond:
        lead = f"Most of the sheet was not seen; {_list(_together([r.id for r in observed]))} as left {since}"
    undecided = [LABELS[r.id] for r in observed if r.verdict is Verdict.UNDECIDED and r not in beyond]
    parts = [lead]
    if undecided:
        parts.append(f"{_list(undecided)} undecided, the uncertainty reaches over the tolerance")
    unseen = _unseen([r for r in asked if r.verdict is Verdict.NOT_OBSERVED and r not in beyond])
    if unseen:
        parts.append(f"not seen: {unseen}")
    return f"{'; '.join(parts)}."


def little_seen(asked: Sequence[QuantityResult]) -> bool:
    """Whether nothing, or less than half of what the channels of the log might show, was observed."""
    observed = sum(r.verdict is not Verdict.NOT_OBSERVED for r in asked)
    shown = [r for r in asked if not r.reason.endswith(_NO_CHANNEL) and r.bound_below is None]
    return observed == 0 or 2 * observed < len(shown)


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


def _as_left(observed: Sequence[QuantityResult], asked: Sequence[QuantityResult], since: str) -> str:
    if any(_may_be_far(r) for r in observed):
        return f"Nothing found to have moved {since}"
    if len(observed) < len(asked):
        return f"As left in what was seen, nothing moved {since}"
    if any(r.verdict is Verdict.UNDECIDED for r in observed):
        return f"As left as far as can be told, nothing moved {since}"
    return f"{_ALL_AS_LEFT} Nothing moved {since}"


def _may_be_far(result: QuantityResult) -> bool:
    """Whether a value may, within its uncertainty, lie beyond one and a half times its tolerance."""
    if result.verdict is not Verdict.UNDECIDED or result.as_found is None or result.as_left is None:
        return False
    off, unsure = result.as_found - result.as_left, result.uncertainty or 0.0
    above, below = result.tolerance_above, result.tolerance_below
    return (above is not None and off + unsure > _FAR * above) or (below is not None and unsure - off > _FAR * below)


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
    names = [n for n in _leading(finding.kind) if n in results and results[n].as_found is not None]
    names = [n for n in names if n in finding.quantities] or names
    names.sort(key=lambda n: -abs(results[n].tolerance_used_pct or 0.0))
    if not names:
        return finding.evidence.split(". ")[0].rstrip(".") + "."
    name = names[0]
    result = results[name]
    if finding.severity > 1 and result.verdict is not Verdict.OUT and name in finding.quantities:
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
