"""Strangers on the live way: are the findings those from the file, and how long after its onset are they told?

    python tests/bench/bench_strangers_live.py [--seeds 20] [--first 0] [--conditions NAME ...] [--faults NAME ...]
        [--healthy] [--size 3] [--course step] [--show]

Each log is judged as a file by the command's own functions, then sent in blocks of a second through the recorder's
ingest, judging and alarms in this process (`strangers_live`). One row a log: what differs, when the finding that the
file names first was told live and when its alarm was raised, both after the onset that the file gives, and how often
the machine's state changed. Last come the shares of logs without a difference, of healthy logs with an alarm, and the
delays.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
import numpy as np
from strangers_live import Finding, Live, causes, from_file, live, same
from strangers_rows import Job
from strangers_run import drawn, faulty_jobs, healthy_jobs


@dataclass(frozen=True, slots=True)
class Outcome:
    """One log both ways. `delay_s`, `alarm_delay_s`: of the file's first finding, after its onset there."""

    job: Job
    file_findings: tuple[Finding, ...]
    live: Live
    differences: tuple[str, ...]
    cpu_s: float

    @property
    def delay_s(self) -> float | None:
        """From the onset in the file to the first live look that tells the finding (s)."""
        return self._after(self.live.first_s)

    @property
    def alarm_delay_s(self) -> float | None:
        """From the onset in the file to the alarm (s)."""
        return self._after(self.live.alarm_s)

    def _after(self, when_s: dict[str, float]) -> float | None:
        if not self.file_findings:
            return None
        first = self.file_findings[0]
        at_s = when_s.get(first.kind)
        return None if at_s is None or first.onset_s is None else at_s - first.onset_s


def both_ways(job: Job) -> Outcome:
    """Draw a log and judge it from its file and live."""
    began_s = time.process_time()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "file").mkdir()
        (folder / "recorder").mkdir()
        file = from_file(drawn(job), folder / "file")
        said = causes(file.judgement, float(file.samples.time_s[0]))
        lived = live(file, folder / "recorder")
    return Outcome(job, said, lived, tuple(same(said, lived.findings)), time.process_time() - began_s)


def row(outcome: Outcome) -> str:
    """One line of the table."""
    delay, alarm = ("-" if value is None else f"{value:.1f} s" for value in (outcome.delay_s, outcome.alarm_delay_s))
    what = outcome.job.fault or "healthy"
    kinds = ", ".join(f.kind for f in outcome.file_findings) or "-"
    differs = "; ".join(outcome.differences) or "same"
    return (
        f"{outcome.job.seed:5d}  {outcome.job.condition[:24]:24s} {what[:26]:26s} {kinds:44s} told {delay:>9s}, "
        f"alarm {alarm:>9s}, {len(outcome.live.states)} states  {differs}"
    )


def summary(outcomes: Sequence[Outcome]) -> str:
    """Shares and delays over all logs."""
    equal = sum(not o.differences for o in outcomes)
    healthy = [o for o in outcomes if o.job.healthy]
    loud = [o for o in healthy if o.live.alarm_s]
    told = np.array([o.delay_s for o in outcomes if o.delay_s is not None])
    alarms = np.array([o.alarm_delay_s for o in outcomes if o.alarm_delay_s is not None])
    lines = [f"{equal} of {len(outcomes)} logs: the same findings, parts and severities live as from the file"]
    lines.append(f"{len(loud)} of {len(healthy)} healthy logs raised an alarm live")
    for name, values in (("told", told), ("alarm", alarms)):
        if values.size:
            low, middle, high = np.percentile(values, [10, 50, 90])
            lines.append(
                f"{name} after the file's onset: {middle:.0f} s (80 %: {low:.0f} to {high:.0f} s), n {values.size}"
            )
    lines.append(f"{np.mean([o.cpu_s for o in outcomes]):.1f} s of processor time a log")
    return "\n".join(lines)


def jobs_of(args: argparse.Namespace) -> list[Job]:
    """What is asked for."""
    from strangers.stranger import CONDITIONS, FAULTS

    seeds = range(args.first, args.first + args.seeds)
    conditions = args.conditions or CONDITIONS
    if args.healthy:
        return healthy_jobs(seeds, conditions)
    return faulty_jobs(seeds, conditions, args.faults or FAULTS, [args.course], sizes=[args.size])


def main(argv: Sequence[str] | None = None) -> int:
    """Print a row a log and the summary; 1 where any log differs."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--first", type=int, default=0, help="the first seed")
    parser.add_argument("--conditions", nargs="+")
    parser.add_argument("--faults", nargs="+")
    parser.add_argument("--healthy", action="store_true")
    parser.add_argument("--size", type=float, default=3.0, help="of faults, in tolerances")
    parser.add_argument("--course", default="step", help="of faults")
    parser.add_argument("--show", action="store_true", help="also both sentences")
    args = parser.parse_args(argv)
    outcomes = []
    for job in jobs_of(args):
        outcome = both_ways(job)
        outcomes.append(outcome)
        print(row(outcome), flush=True)
        if args.show:
            print(f"       live: {outcome.live.status}: {outcome.live.sentence}", flush=True)
            for finding in outcome.file_findings:
                print(f"       file: {finding}", flush=True)
    print(summary(outcomes))
    return int(any(o.differences for o in outcomes))


if __name__ == "__main__":
    sys.exit(main())
