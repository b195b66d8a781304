"""Faults found and the part named: detection and isolation over simulated faults, sizes, courses and channel sets.

    python tests/bench/judge_faults.py [--full] [--workers 2]

Measures as the DAMADICS benchmark defines them (`damadics`). Which fault is separable under which channels, and which
parts come out together where it is not, follows from the judge's fault table before anything is simulated
(`fault_cases.expected`). Found is what leads to a finding that hangs under no other; an alarm is one of severity 2 or
3, the rest are remarks for the digest. Times are watched time (production and the stops between), in which the judge
is asked about once a minute.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence

import numpy as np
from damadics import detection_time, false_rate, true_rate
from fault_cases import CASES, CHANNEL_SETS, expected
from fault_jobs import finished, full_jobs, smoke_jobs
from fault_looks import Run
from fault_runs import hours
from report import Goal, Report, main, share_interval

#: Faults that move no quantity of the sheet while they are small: a limit not reached, a way that is no setting.
_NO_QUANTITY = frozenset(
    {
        "driver limits",
        "coil hot",
        "resistance in the cable",
        "driver follows slowly",
        "loose contact",
        "stick-slip",
        "controller asks too much",
        "current reading late",
        "unwanted current",
    }
)
_BY_NAME = {case.name: case for case in CASES}


def run(full: bool, workers: int = 1) -> Report:
    """The tables, at the published size (`full`) or for a handful of faults."""
    runs, calm = finished(full_jobs() if full else smoke_jobs(), workers)
    return report_of(runs, calm)


def report_of(runs: Sequence[Run], calm: Sequence[Run]) -> Report:
    """Tables and goals from finished runs."""
    report = Report("Faults found, and the part named", logs=len(runs) + len(calm))
    _table_of_faults(runs, report)
    _table_of_channels(runs, report)
    _matrix(runs, report)
    _goals(runs, calm, report)
    return report


def parts_of(run: Run) -> frozenset[str]:
    """Parts that are right to be named for a run, from the fault table."""
    return frozenset(part.value for part in expected(_BY_NAME[run.case], run.channels))


def truth_of(run: Run) -> str:
    """The part in which the fault was put."""
    return _BY_NAME[run.case].part.value


def found_at_end(run: Run) -> bool:
    """Whether a finding stands at the end."""
    return run.looks[-1].remark


def alarmed(run: Run) -> bool:
    """Whether an alarm was ever raised."""
    return any(look.alarm for look in run.looks)


def named_right(run: Run) -> bool:
    """Separable: the right part named first. Else: the right part among those named, none that does not belong."""
    named, right = run.looks[-1].named, parts_of(run)
    if not named:
        return False
    if len(right) == 1:
        return named[0] == truth_of(run)
    return truth_of(run) in named and set(named) <= right


def accuracy(run: Run) -> float:
    """1 over the number of parts named if the right one is among them, else 0."""
    named = run.looks[-1].named
    return 1.0 / len(named) if truth_of(run) in named else 0.0


def _large(runs: Iterable[Run]) -> list[Run]:
    return [run for run in runs if run.size >= 2.0]


def _share(values: Sequence[bool]) -> float:
    return float(np.mean(values)) if values else float("nan")


def _table_of_faults(runs: Sequence[Run], report: Report) -> None:
    sizes = sorted({run.size for run in runs})
    report.lines.append("Found by fault and size, all channels; delay in minutes of watched time (abrupt, from the")
    report.lines.append("fault's start to the last leading edge); part named first at the end (sizes of 2 and more).")
    head = "".join(f"{f'{size:g} x':>7}" for size in sizes)
    report.lines.append(f"{'fault':<30}{head}{'delay':>7}  {'right':>6}  named first")
    for case in CASES:
        mine = [run for run in runs if run.case == case.name and run.channels == "full"]
        if not mine:
            continue
        cells = "".join(f"{_percent([found_at_end(run) for run in mine if run.size == size]):>7}" for size in sizes)
        delays = [detection_time(run.signal("remark"), run.onset_s) for run in _large(mine) if not run.slow]
        known = [delay / 60.0 for delay in delays if delay is not None]
        delay = f"{np.median(known):.1f}" if known else "-"
        names = Counter(run.looks[-1].named[:1] for run in _large(mine))
        said = ", ".join(f"{(name or ('nothing',))[0]} {count}" for name, count in names.most_common(3))
        right = _percent([named_right(run) for run in _large(mine) if parts_of(run)])
        report.lines.append(f"{case.name:<30}{cells}{delay:>7}  {right:>6}  {said}")
    report.lines.append("")


def _percent(values: Sequence[bool]) -> str:
    return f"{100.0 * _share(values):.0f}" if values else "-"


def _table_of_channels(runs: Sequence[Run], report: Report) -> None:
    report.lines.append("By channels, sizes of 2 and more: share found, time share true and false, right part (pair)")
    report.lines.append("named, accuracy; separable faults and those whose parts come out together.")
    report.lines.append(
        f"{'channels':<12}{'faults':>7}{'found':>7}{'true':>7}{'false':>7}{'right':>7}{'acc.':>6}"
        f"{'pairs':>8}{'found':>7}{'right':>7}{'acc.':>6}{'unseen':>8}"
    )
    for channels in CHANNEL_SETS:
        mine = _large(run for run in runs if run.channels == channels)
        single = [run for run in mine if len(parts_of(run)) == 1]
        several = [run for run in mine if len(parts_of(run)) > 1]
        unseen = {run.case for run in mine if not parts_of(run)}
        if not mine:
            continue
        true = np.mean([true_rate(run.signal("remark"), run.onset_s) for run in single]) if single else np.nan
        false = np.mean([false_rate(run.signal("remark"), run.onset_s) for run in mine])
        report.lines.append(
            f"{channels:<12}{len({r.case for r in single}):>7}{_percent([found_at_end(r) for r in single]):>7}"
            f"{100 * true:>7.0f}{100 * false:>7.1f}{_percent([named_right(r) for r in single]):>7}"
            f"{np.mean([accuracy(r) for r in single]) if single else np.nan:>6.2f}"
            f"{len({r.case for r in several}):>8}{_percent([found_at_end(r) for r in several]):>7}"
            f"{_percent([named_right(r) for r in several]):>7}"
            f"{np.mean([accuracy(r) for r in several]) if several else np.nan:>6.2f}{len(unseen):>8}"
        )
    hidden = [run for run in _large(runs) if not parts_of(run)]
    said = [run for run in hidden if found_at_end(run)]
    right = sum(truth_of(run) in run.looks[-1].named for run in said)
    report.lines.append(
        f"Of unseen faults {len(said)} of {len(hidden)} lead to a finding, {right} with the right part."
    )
    report.lines.append("")


def _matrix(runs: Sequence[Run], report: Report) -> None:
    """Simulated part against part named first, all channel sets, sizes of 2 and more; per cent of the runs."""
    mine = [run for run in _large(runs) if parts_of(run)]
    parts = sorted({truth_of(run) for run in mine})
    columns = sorted({run.looks[-1].named[0] for run in mine if run.looks[-1].named} | set(parts))
    short = {name: "".join(word[:4] for word in name.split("-"))[:8] for name in columns}
    report.lines.append("Part simulated (rows) against part named first (columns), per cent, all channel sets")
    report.lines.append(f"{'':<17}" + "".join(f"{short[name]:>9}" for name in columns) + f"{'none':>6}{'runs':>6}")
    for part in parts:
        rows = [run for run in mine if truth_of(run) == part]
        counts = Counter((run.looks[-1].named or ("none",))[0] for run in rows)
        cells = "".join(
            f"{100 * counts[name] / len(rows):>9.0f}" if counts[name] else f"{'.':>9}" for name in columns
        )
        report.lines.append(f"{part:<17}{cells}{100 * counts['none'] / len(rows):>6.0f}{len(rows):>6}")
    report.lines.append("")


def _goals(runs: Sequence[Run], calm: Sequence[Run], report: Report) -> None:
    large = _large(runs)
    single = [run for run in large if len(parts_of(run)) == 1]
    several = [run for run in large if len(parts_of(run)) > 1]
    small = [run for run in runs if run.size < 1.0 and parts_of(run) and not _BY_NAME[run.case].whole]
    shown = [run for run in small if run.case not in _NO_QUANTITY]
    for name, mine, test, least in (
        ("separable faults of twice their tolerance and more that are found", single, found_at_end, 1.0),
        ("of those found, the right part named first", [r for r in single if found_at_end(r)], named_right, 0.95),
        ("not separable and found: the right parts together", [r for r in several if found_at_end(r)], named_right,
         0.95),
        ("faults of half their tolerance without an alarm", small, lambda r: not alarmed(r), 1.0),
        ("faults of half their tolerance that show (a quarter of it used, or a remark)", shown, _shows, 0.95),
    ):  # fmt: skip
        if mine:
            held = sum(test(run) for run in mine)
            report.goals.append(
                Goal(name, held / len(mine), at_least=least, interval=share_interval(held, len(mine)))
            )
    alarms = sum(alarmed(run) for run in calm)
    remarks = sum(any(look.remark for look in run.looks) for run in calm)
    report.lines.append(
        f"Remarks for the digest in healthy runs: {remarks} of {len(calm)} valves (channel sets apart)."
    )
    told = f"alarms in {hours(calm):.1f} healthy hours of {len({run.seed for run in calm})} sheets"
    report.goals.append(Goal(told, float(alarms), at_most=0.0))


def _shows(run: Run) -> bool:
    return run.moved > 0.25 or run.looks[-1].remark


if __name__ == "__main__":
    main(run)
