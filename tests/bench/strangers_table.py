"""The strangers' benchmark as tables and goals, each figure with its interval, and what changed between two runs."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from report import Goal
from strangers_rows import Job, Row
from strangers_score import (
    MEASURES,
    Count,
    covered,
    efficiency,
    false_findings,
    marks,
    share,
    silent_lines,
    wrong_verdicts,
)

#: Currents and ramps are held against the Cramer-Rao bound in this condition: 0.1 % noise of the command's reading.
READING_NOISE = "command reading noise"
#: The published size: from here on a value itself must keep its limits, not only its interval.
FULL = 2_000
#: A share of verdicts of one condition says nothing below this many.
_LEAST_VERDICTS = 30
_BARE, _KNOWN = "no instruments on the sheet", "instruments on the sheet"
_SHOWN = 6  # logs named under a goal that is missed

Marked = tuple[Row, Mapping[str, Count]]


def tables(rows: Sequence[Row], *, show: int = _SHOWN) -> str:
    """All of it, to print: a row a condition, a row a fault, and the goals with the logs that break them."""
    told = [(row, marks(row)) for row in rows]
    machines = [one for one in told if one[0].job.misfit is None]
    goals = goals_of(told)
    blocks = [
        _table(
            "Conditions",
            by_condition(machines),
            ("false", "false now", "wrong", "inside U", "observed", "undecided", "first"),
        ),
        _table(
            "Faults (logs with one)",
            _by(machines, lambda row: row.job.fault if row.job.second_fault is None else "(two at once)"),
            ("found", "first", "part", "contradicted", "as left", "small"),
        ),
        _table(
            "Sizes in tolerances, and courses", _by_size(machines), ("found", "first", "part", "as left", "stray")
        ),
        _table("Logs that do not fit their sheets", _by(told, lambda row: row.job.misfit), ("misfit",)),
        _quantities([row for row, _ in machines]),
        _counted(
            "False findings: what, and in which conditions",
            ((one.kind, row.job.condition) for row, _ in machines if row.job.healthy for one in false_findings(row)),
        ),
        _counted(
            "Not observed although theory allows it: reasons",
            (
                (f"{line.quantity}: {line.reason}", row.job.condition)
                for row, _ in machines
                for line in silent_lines(row)
            ),
        ),
        _counted(
            "Findings on faulty logs that no fault explains",
            ((one.kind, row.job.fault) for row, _ in machines if row.drawn for one in false_findings(row)),
        ),
        _goals(goals, told, show),
    ]
    return "\n\n".join(block for block in blocks if block)


@dataclass(frozen=True, slots=True)
class Aim:
    """A goal, and the measure whose hits or misses break it, for naming logs."""

    goal: Goal
    measure: str = ""


def goals_of(told: Sequence[Marked]) -> list[Aim]:
    """The goals, each with the value of this run. A goal of which this run has no log is left out."""
    aims = [
        _aim(told, "false", at_most=1 / 200),
        _aim(told, "false now", at_most=0.0),
        _aim(told, "wrong", at_most=0.005),
        _worst(told, "wrong", at_most=0.02),
        # What a sheet says of its instruments enters U, but a drawn truth is what they show: U is then rightly wider.
        _aim([one for one in told if not one[0].instruments], "inside U", at_least=0.93, at_most=0.97, of=_BARE),
        _aim([one for one in told if one[0].instruments], "inside U", at_least=0.93, of=_KNOWN),
        _worst(told, "inside U", at_least=0.9),
        _aim(told, "found", at_least=0.97),
        _aim(told, "first", at_least=0.97),
        _aim(told, "part", at_least=0.95),
        _aim(told, "contradicted", at_most=0.0),
        _aim(told, "observed", at_least=0.95),
        _aim(told, "as left", at_most=0.0),
        _aim(told, "good of nothing", at_most=0.0),
        _aim(told, "misfit", at_least=0.95),
        _aim(told, "mistaken", at_most=0.0),
        _aim(told, "error", at_most=0.0),
    ]
    noisy = [row for row, _ in told if row.job.condition == READING_NOISE and row.job.healthy]
    for words, quantities, least in (
        ("currents", ("current_at_zero", "current_at_full"), 0.5),
        ("ramps", ("ramp_up", "ramp_down"), 0.8),
    ):
        seen = efficiency(noisy, quantities)
        if seen.lines:
            straight = efficiency(noisy, quantities, told=True).value
            name = f"squared bound by squared error, {words} with noise of the command's reading, {seen.lines} values"
            name += f" ({straight:.2f} of a law known to be straight)"
            aims.append(Aim(Goal(name, seen.value, at_least=least, interval=(seen.low, seen.high))))
    return [aim for aim in aims if aim is not None and not math.isnan(aim.goal.value)]


def _aim(
    told: Iterable[Marked], measure: str, *, at_least: float = -math.inf, at_most: float = math.inf, of: str = ""
) -> Aim:
    seen = share(counts[measure] for _, counts in told)
    name = f"{MEASURES[measure].words}{f', {of}' if of else ''}, {seen.hits} of {seen.of}"
    return Aim(Goal(name, seen.value, at_least, at_most, (seen.low, seen.high)), measure)


def _worst(told: Sequence[Marked], measure: str, *, at_least: float = -math.inf, at_most: float = math.inf) -> Aim:
    """Of the condition in which it is worst; of all, where no condition has lines enough."""
    shares = {name: share(counts[measure] for _, counts in group) for name, group in by_condition(told).items()}
    shares = {name: one for name, one in shares.items() if one.of >= _LEAST_VERDICTS and name != "mixture"}
    if not shares:
        return Aim(Goal(measure, math.nan))
    pick = max if math.isfinite(at_most) else min
    name = pick(shares, key=lambda one: shares[one].value)
    seen = shares[name]
    words = f"{MEASURES[measure].words}, worst condition ({name}), {seen.hits} of {seen.of}"
    return Aim(Goal(words, seen.value, at_least, at_most, (seen.low, seen.high)), measure)


def _goals(aims: Sequence[Aim], told: Sequence[Marked], show: int) -> str:
    logs = Counter("fit" if row.job.misfit else "healthy" if row.job.healthy else "faulty" for row, _ in told)
    small = min(logs["healthy"], logs["faulty"]) < FULL
    title = f"Goals: {logs['healthy']} healthy and {logs['faulty']} faulty logs, {logs['fit']} that do not fit"
    if small:
        title += f" (under {FULL} of each: open is what this many logs can neither hold nor rule out)"
    lines = [title, "-" * len(title)]
    named: set[str] = set()
    for aim in aims:
        lines.append(aim.goal.line(small=small))
        if not aim.goal.held and aim.measure and aim.measure not in named:
            named.add(aim.measure)
            broken = [row.job for row, counts in told if breaks(aim.measure, counts[aim.measure])]
            lines += [f"          {job.options()}" for job in broken[:show]]
    lost = [aim for aim in aims if (aim.goal.ruled_out if small else not aim.goal.held)]
    lines += ["", f"{len(aims) - len(lost)} of {len(aims)} goals held{' or open' if small else ''}."]
    return "\n".join(lines)


def breaks(measure: str, count: Count) -> bool:
    """Whether a log speaks against the goal of a measure."""
    return count[0] < count[1] if MEASURES[measure].good else count[0] > 0


def by_condition(told: Iterable[Marked]) -> dict[str, list[Marked]]:
    """The logs of machines, by condition."""
    return _by([one for one in told if one[0].job.misfit is None], lambda row: row.job.condition)


def _by(told: Iterable[Marked], name: Callable[[Row], str | None]) -> dict[str, list[Marked]]:
    out: dict[str, list[Marked]] = {}
    for row, counts in told:
        key = name(row)
        if key is not None:
            out.setdefault(key, []).append((row, counts))
    return dict(sorted(out.items()))


def _by_size(told: Iterable[Marked]) -> dict[str, list[Marked]]:
    faulty = [one for one in told if one[0].job.fault is not None]
    sizes = _by(faulty, lambda row: f"{row.job.size:g} tolerances")
    return {**sizes, **_by(faulty, lambda row: row.job.course)}


def _table(title: str, groups: Mapping[str, Sequence[Marked]], columns: Sequence[str]) -> str:
    if not groups:
        return ""
    whole = {id(row): (row, counts) for group in groups.values() for row, counts in group}
    once = len(whole) == sum(map(len, groups.values()))
    rows = [["", "logs", *columns]]
    for name, group in [*groups.items(), *([("all", list(whole.values()))] if once else [])]:
        cells = [share(counts[column] for _, counts in group).text() for column in columns]
        rows.append([name, str(len(group)), *cells])
    title = f"{title}; hits/of, percent (95 % interval)"
    return "\n".join([title, "-" * len(title), *aligned(rows)])


def aligned(rows: Sequence[Sequence[str]]) -> list[str]:
    """Lines of a table, the first column to the left and the others to the right."""
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    lines = []
    for name, *cells in rows:
        rest = (cell.rjust(width) for cell, width in zip(cells, widths[1:], strict=True))
        lines.append("  ".join((name.ljust(widths[0]), *rest)).rstrip())
    return lines


def _quantities(rows: Sequence[Row]) -> str:
    """How far off each quantity is, in U, and how often right; 90 % of normal errors are under 0.84 U."""
    names = list(dict.fromkeys(line.quantity for row in rows for line in row.lines))
    out = [["", "inside U", "wrong verdict", "observed", "median err/U", "90 % under", "median U/tolerance"]]
    for name in names:
        own = [(row, [line for line in row.lines if line.quantity == name]) for row in rows]
        judged = [line for _, lines in own for line in lines if covered(line) is not None and line.uncertainty]
        ratio = np.array([(line.found - line.now) / line.uncertainty for line in judged])
        widths = np.array([line.uncertainty / line.tolerance for line in judged])
        hits = share((int(bool(covered(line))), 1) for line in judged)
        wrong = share(
            (int(line in wrong_verdicts(row)), 1)
            for row, lines in own
            for line in lines
            if line.verdict in {"in", "out"}
        )
        owed = share(
            (int(line.found is not None), 1)
            for _, lines in own
            for line in lines
            if line.defined and line.constant and line.theory_allows
        )
        figures = (
            (np.median(ratio), np.quantile(np.abs(ratio), 0.9), np.median(widths)) if judged else (math.nan,) * 3
        )
        out.append([name, hits.text(), wrong.text(), owed.text(), *(f"{figure:.2f}" for figure in figures)])
    title = "Quantities; hits/of, percent (95 % interval)"
    return "\n".join([title, "-" * len(title), *aligned(out)]) if len(out) > 1 else ""


def _counted(title: str, pairs: Iterable[tuple[str, str | None]], most: int = 14) -> str:
    groups: dict[str, Counter[str]] = {}
    for what, where in pairs:
        groups.setdefault(what, Counter())[where or ""] += 1
    lines = []
    for what, where in sorted(groups.items(), key=lambda item: -item[1].total())[:most]:
        places = ", ".join(f"{name} {number}" for name, number in where.most_common(5))
        lines.append(f"{where.total():5d}  {what}  [{places}{', ...' if len(where) > 5 else ''}]")
    return "\n".join([title, "-" * len(title), *lines]) if lines else ""


def changes(before: Sequence[Row], now: Sequence[Row]) -> str:
    """What changed between two runs of the same logs: by measure, and the logs that got better or worse."""
    old: dict[Job, Row] = {row.job: row for row in before}
    pairs = [(old[row.job], row) for row in now if row.job in old]
    lines = [f"{len(pairs)} logs in both runs, {len(now) - len(pairs)} only in this one."]
    both = [(marks(was), marks(row), was, row) for was, row in pairs]
    for name, measure in MEASURES.items():
        sums = [share(counts[name] for counts in side) for side in zip(*((a, b) for a, b, _, _ in both), strict=True)]
        if not sums or not (sums[0].of or sums[1].of):
            continue
        worse = [(was, row) for a, b, was, row in both if breaks(name, b[name]) and not breaks(name, a[name])]
        better = [(was, row) for a, b, was, row in both if breaks(name, a[name]) and not breaks(name, b[name])]
        if sums[0] == sums[1] and not worse and not better:
            continue
        lines += [
            "",
            f"{measure.words}: {sums[0].text()} -> {sums[1].text()}; {len(better)} better, {len(worse)} worse",
        ]
        lines += [
            f"  worse: {row.job.options()}\n    {was.sentence}\n    {row.sentence}" for was, row in worse[:_SHOWN]
        ]
        lines += [f"  better: {row.job.options()}" for _, row in better[:_SHOWN]]
    if len(lines) == 1:
        lines.append("No measure changed.")
    moved = sum(was.sentence != row.sentence for was, row in pairs)
    return "\n".join([*lines, "", f"Another sentence on {moved} logs."])
