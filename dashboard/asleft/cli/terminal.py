"""A judgement as a page of text: the sentence first, then the strip, the sheet line by line, findings, states.

Pure: a judgement goes in, text comes out.
"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, tzinfo
from types import MappingProxyType

from asleft.cli.coil_line import coil_line
from asleft.cli.ink import Ink
from asleft.cli.settings_table import remarks_on, settings_table
from asleft.cli.strip import strip
from asleft.judge.types import Finding, Judgement, Verdict
from asleft.sheet.model import Sheet
from asleft.sheet.names import plain

#: Stands under every judgement, because a reader may go and act on it.
CAUTIONS = (
    (
        "Before you act: full command may give full pressure or flow, and neither as left nor zero current means "
        "safe (stored pressure, accumulators, a raised platen). Isolate, lock out, support and bleed first."
    ),
    (
        "This only reads, and is no safety device. Over-pressure protection is the relief valve's; local code and "
        "the plant's procedure rule (ISO 4413, ISO 16092-3)."
    ),
)

_URGENCY = {1: "can wait", 2: "see to it this shift", 3: "see to it at once"}


def page(
    judgement: Judgement,
    ink: Ink,
    *,
    sheet: Sheet,
    zone: tzinfo = UTC,
    notes: Sequence[str] = (),
    pictures: Mapping[str, str] = MappingProxyType({}),
) -> str:
    """The whole page, ending in a newline.

    `zone` is the time zone times are shown in; `notes` are sentences about how the file was read; `pictures`: the
    line that shows what moved, by kind of finding.
    """
    observed = [q for q in judgement.quantities if q.as_left is not None or q.verdict is not Verdict.NOT_OBSERVED]
    parts = [
        [ink.strong(line) for line in _wrap(judgement.sentence, ink, "")],
        _whose(judgement, sheet, ink, zone),
        strip(observed, ink),
        settings_table(observed, ink),
        [
            *remarks_on(judgement.quantities, ink),
            *coil_line(judgement.coil, ink),
            *_uncertainty_basis(judgement, sheet, ink),
        ],
        _findings(judgement, ink, zone, pictures),
        _states(judgement, ink),
        _listed("Remarks", judgement.remarks, ink),
        _listed("How the file was read", notes, ink),
        [ink.quiet(line) for caution in CAUTIONS for line in _wrap(caution, ink, "")],
    ]
    return "\n\n".join("\n".join(part) for part in parts if part) + "\n"


def valve_name(sheet: Sheet) -> str:
    """The label with the id behind it, or the id alone where there is no label."""
    return f"{sheet.label} ({sheet.valve})" if sheet.label != sheet.valve else sheet.valve


def moment(time_s: float | None, zone: tzinfo) -> str:
    """Unix seconds as "14 Nov 2026 03:10:22 UTC"; "an unknown time" for None."""
    if time_s is None:
        return "an unknown time"
    at = datetime.fromtimestamp(time_s, zone)
    months = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
    return f"{at.day} {months[at.month - 1]} {at.year} {at:%H:%M:%S} {at.tzname() or ''}".rstrip()


def duration(hours: float) -> str:
    """Hours as people say them: "9 min 40 s", "3 h 20 min", "12.5 s"."""
    seconds = hours * 3600
    if seconds < 60:
        return f"{seconds:.3g} s"
    minutes, rest = divmod(round(seconds), 60)
    if minutes < 60:
        return f"{minutes} min {rest} s" if rest else f"{minutes} min"
    whole, minutes = divmod(round(seconds / 60), 60)
    return f"{whole} h {minutes} min" if minutes else f"{whole} h"


def _whose(judgement: Judgement, sheet: Sheet, ink: Ink, zone: tzinfo) -> list[str]:
    facts = f"{valve_name(sheet)}, sheet revision {judgement.sheet_revision}, status: {plain(judgement.status.value)}"
    if judgement.from_s is None or judgement.to_s is None:
        seen = "nothing seen"
    else:
        length = duration((judgement.to_s - judgement.from_s) / 3600)
        seen = f"{moment(judgement.from_s, zone)} and {length} on, {judgement.samples} samples"
    return [*_wrap(facts, ink, ""), *_wrap(seen, ink, "")]


def _uncertainty_basis(judgement: Judgement, sheet: Sheet, ink: Ink) -> list[str]:
    known = any(instrument.expanded_uncertainty is not None for instrument in sheet.instruments.values())
    if known or any("repeatability only" in remark for remark in judgement.remarks):
        return []
    return _wrap("Uncertainty is repeatability only: the sheet says nothing of its instruments.", ink, "  ")


def _findings(judgement: Judgement, ink: Ink, zone: tzinfo, pictures: Mapping[str, str]) -> list[str]:
    findings = judgement.findings
    if judgement.fit.fits is False:
        return _wrap("Findings: none looked for, because these readings are not what the sheet speaks of.", ink, "")
    if not findings:
        return ["Findings: none."]
    kinds = {finding.kind for finding in findings}
    causes = [finding for finding in findings if finding.consequence_of not in kinds]
    lines = [ink.strong("Findings")]
    for cause in causes:
        lines += _finding(cause, ink, zone, "  ", pictures)
        for finding in findings:
            if finding.consequence_of == cause.kind and finding is not cause:
                lines += _finding(finding, ink, zone, "      ", pictures, consequence=True)
    shown = {id(f) for c in causes for f in findings if f is c or f.consequence_of == c.kind}
    for finding in findings:  # consequences of consequences stand by themselves
        if id(finding) not in shown:
            lines += _finding(finding, ink, zone, "      ", pictures, consequence=True)
    return lines


def _finding(
    finding: Finding, ink: Ink, zone: tzinfo, indent: str, pictures: Mapping[str, str], *, consequence: bool = False
) -> list[str]:
    since = f"since {moment(finding.onset_s, zone)}" if finding.onset_s is not None else "since when is not known"
    head = f"{ink.glyphs.out} {plain(finding.kind)}, {since}; {_URGENCY[finding.severity]}"
    if consequence:
        head += "; follows from the above"
    part = f"Likely part: {plain(finding.part.value)}"
    if finding.alternatives:
        part += "; or " + ", ".join(plain(other.value) for other in finding.alternatives)
    heads = _wrap(head, ink, indent, indent + "  ")
    return [
        ink.abnormal(heads[0]),
        *heads[1:],
        *_wrap(finding.evidence, ink, indent + "  "),
        *(_wrap(pictures[finding.kind], ink, indent + "  ") if finding.kind in pictures else []),
        *_wrap(part + ".", ink, indent + "  "),
    ]


def _states(judgement: Judgement, ink: Ink) -> list[str]:
    hours = {name: value for name, value in judgement.state_hours.items() if value > 0}
    if not hours:
        return []
    total = sum(hours.values())
    lines = [ink.strong("Machine")]
    for name, value in sorted(hours.items(), key=lambda item: -item[1]):
        basis = judgement.basis.get(name, "")
        text = f"{plain(name):<16} {duration(value):>12} {100 * value / total:4.0f} %"
        lines += _wrap(f"{text}  {basis}" if basis else text, ink, "  ", " " * 40)
    return lines


def _listed(title: str, sentences: Sequence[str], ink: Ink) -> list[str]:
    if not sentences:
        return []
    dot = "·" if ink.unicode else "-"
    return [ink.strong(title), *(line for s in sentences for line in _wrap(f"{dot} {s}", ink, "  ", "    "))]


def _wrap(text: str, ink: Ink, indent: str, later: str | None = None) -> list[str]:
    lines = textwrap.wrap(
        ink.spell(text),
        ink.width,
        initial_indent=indent,
        subsequent_indent=indent if later is None else later,
        break_long_words=False,
        break_on_hyphens=False,
    )
    return lines or [indent.rstrip()]
