"""Drift: delays, false alarms, trends and forecasts, and general-purpose detectors on the same features.

    python tests/bench/judge_drift.py [--full] [--workers 2]

Delays are exact, with a simulation of the judge's own recursion beside them. False alarms are counted on series whose
noise comes from 150 fully simulated hours: with --full they are simulated anew, otherwise the table written by
`drift_noise.py --write` is taken.
"""

from __future__ import annotations

import drift_delay
import drift_false
import drift_noise
import drift_peers
import drift_trends
from report import Report, main


def run(full: bool, workers: int = 1) -> Report:
    """All tables; `workers` share the simulation of the hours."""
    report = Report("Drift: charts, false alarms, trends, peers")
    lines, goals = drift_delay.table(
        (370.0, 10_000.0), drift_delay.SHIFTS if full else (0.5, 1.0, 3.0), 20_000 if full else 400
    )
    report.lines += lines
    report.goals += goals
    if full:
        rows, hours = drift_noise.simulated(workers)
        report.lines.append(f"noise from {hours:g} hours simulated in this run")
    else:
        rows = drift_noise.read_table()
    lines, goals = drift_false.table(rows, 200 if full else 4, seed=5)
    report.lines += lines
    report.goals += goals
    for part in (drift_trends, drift_peers):
        lines, goals = part.table(full)
        report.lines += lines
        report.goals += goals if full or part is drift_trends else []  # three runs of each peer rank none
    return report


if __name__ == "__main__":
    main(run)
