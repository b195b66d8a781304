"""One stranger's log, the truth beside what was said of it, for whoever looks for a cause."""

from __future__ import annotations

from strangers_rows import Line, Row
from strangers_score import MEASURES, answer_of, covered, due, false_findings, marks, part_is_right
from strangers_table import aligned, breaks


def shown(row: Row) -> str:
    """Description, truth, sentence, quantities with their errors, findings, and what the score makes of it."""
    fits = "" if row.fits is None else f", fits its sheet: {row.fits}"
    gaps = f"{row.empty_cells} empty cells or repeated times, longest gap {row.longest_gap_s:.3g} s"
    blocks = [
        [row.job.options(), row.description, f"{row.rate_hz:g} Hz, {gaps}"],
        _faults(row),
        [f"exit {row.exit_code}, {row.status or 'no judgement'}{fits}", f'"{row.sentence}"'],
        [f"ERROR: {row.error}"] if row.error else [],
        _lines(row),
        _findings(row),
        _score(row),
    ]
    return "\n\n".join("\n".join(block) for block in blocks if block) + "\n"


def _faults(row: Row) -> list[str]:
    if row.job.misfit is not None:
        return [f"does not fit its sheet: {row.job.misfit}"]
    lines = ["faults put in" if row.drawn else "healthy: nothing was put in"]
    for fault in row.drawn:
        seen = "visible" if fault.visible else "NOT visible on these channels"
        size = f"{fault.size:g} tolerances" if fault.size else "as a whole"
        tie = f"; no channel tells it from {', '.join(fault.tie)}" if fault.tie else ""
        against = f"; contradicted: {', '.join(fault.contradicted)}" if fault.contradicted else ""
        lines += [
            f"  {fault.name}, {size}, {fault.course}, from {fault.onset_s:.1f} s on; {seen}",
            f"    named by {', '.join(fault.kinds)}; moves {', '.join(fault.quantities) or 'no quantity'}",
            f"    part {', '.join(fault.parts)}{tie}{against}",
        ]
    return lines


def _number(value: float | None, digits: int = 5) -> str:
    return "-" if value is None else f"{value:.{digits}g}"


def _lines(row: Row) -> list[str]:
    names = "quantity,unit,left,true,off/tol,found,U,verdict,err/U,err/tol,bound/tol,"
    cells = [names.split(",")]
    for line in row.lines:
        span = "" if line.constant else f"{_number(line.low)}..{_number(line.high)}, "
        true = f"{span}{_number(line.now)}"
        error = None if line.found is None else line.found - line.now
        bound = line.least(told=False)
        in_u = None if error is None or not line.uncertainty else error / line.uncertainty
        cells.append(
            [
                line.quantity, line.unit, _number(line.left), true if line.defined else "no such number",
                f"{line.off:+.2f}" if line.now >= line.left else f"-{line.off:.2f}", _number(line.found),
                _number(line.uncertainty, 3), line.verdict or "no line", _number(in_u, 3),
                _number(None if error is None else error / line.tolerance, 3),
                _number(None if bound is None else bound / line.tolerance, 2), _remark(line),
            ]
        )  # fmt: skip
    reasons = [f"  {line.quantity}: {line.reason}" for line in row.lines if line.reason]
    unseen = [f"  {line.quantity}: truth: {line.why_unseen}" for line in row.lines if line.why_unseen]
    return [*aligned(cells), *reasons, *unseen]


def _remark(line: Line) -> str:
    remarks = []
    if line.verdict in {"in", "out"} and answer_of(line) not in {"", line.verdict}:
        remarks.append(f"WRONG, is {answer_of(line)}")
    if covered(line) is False:
        remarks.append("truth outside U")
    if line.found is None and line.defined and line.constant and line.theory_allows:
        remarks.append("could be observed")
    if not line.defined and line.found is not None:
        remarks.append("no such number")
    return ", ".join(remarks)


def _findings(row: Row) -> list[str]:
    if not row.said:
        return ["findings: none"]
    false = false_findings(row)
    lines = ["findings"]
    for one in row.said:
        under = f", under {one.consequence_of}" if one.consequence_of else ""
        others = f"; or {', '.join(one.alternatives)}" if one.alternatives else ""
        word = "FALSE " if one in false else ""
        lines += [
            f"  {word}{one.kind}, severity {one.severity}, since {one.onset or '?'}{under}: {one.part}{others}",
            f"    {one.evidence}",
        ]
    return lines


def _score(row: Row) -> list[str]:
    lines = ["score"]
    for name, count in marks(row).items():
        word = "BROKEN" if breaks(name, count) else "right "
        lines += [f"  {word}  {MEASURES[name].words}: {count[0]} of {count[1]}"] if count[1] else []
    wrong = [fault for fault in due(row) if part_is_right(fault, row) is False]
    return [*lines, *(f"  {fault.name}: right would be {', '.join(fault.parts)}" for fault in wrong)]
