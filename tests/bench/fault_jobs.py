"""The benchmark of faults cut into jobs, and the jobs done by one process or several.

A job is a few faults of one valve. Slices of the same valve share its healthy windows where the same process does
them, and no result depends on how the faults are sliced.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass

from fault_cases import CASES, CHANNEL_SETS
from fault_looks import Run
from fault_runs import plans, run_valve

SIZES = (0.5, 2.0, 4.0)
SEEDS = 10
HEALTHY_VALVES = 150  # besides: five windows each
SMOKE = ("ramp up longer", "coil unplugged", "spring weak", "pressure sensor's zero", "current sensor's gain")
_SLICE = 4  # faults in one job
_LINE_EVERY = 10  # jobs

Done = tuple[list[Run], list[Run]]  # runs of faults, healthy ones


@dataclass(frozen=True, slots=True)
class Job:
    """Some faults of one valve, simulated and judged together; its healthy windows alone if there are none."""

    seed: int
    variant: str
    names: tuple[str, ...] = ()
    sizes: tuple[float, ...] = SIZES
    counts_calm: bool = True  # its healthy windows are counted here, not in another slice of the same valve

    def done(self) -> Done:
        """Simulate and judge."""
        cases = [case for case in CASES if case.name in self.names]
        todo = plans(cases, self.sizes, slow=len(self.sizes) > 1)
        runs, calm = run_valve(self.seed, self.variant, todo, CHANNEL_SETS if self.names else ("full",))
        return runs, calm if self.counts_calm else []


def smoke_jobs() -> list[Job]:
    """A handful of faults of one valve."""
    return [Job(0, "plain", SMOKE, (2.0,))]


def full_jobs() -> list[Job]:
    """Every fault, size and seed in slices, then the healthy valves."""
    out = []
    for seed in range(SEEDS):
        for variant in sorted({case.variant for case in CASES}):
            names = [case.name for case in CASES if case.variant == variant]
            slices = range(0, len(names), _SLICE)
            out += [Job(seed, variant, tuple(names[k : k + _SLICE]), counts_calm=k == 0) for k in slices]
    return out + [Job(1000 + seed, "plain") for seed in range(HEALTHY_VALVES)]


def finished(jobs: Sequence[Job], workers: int) -> Done:
    """Runs of all jobs, in their order; a line on stderr after every tenth."""
    began_s = time.monotonic()
    if workers <= 1:
        results = []
        for count, job in enumerate(jobs, 1):
            results.append(job.done())
            _tell(count, len(jobs), began_s)
    else:
        with ProcessPoolExecutor(workers) as pool:
            futures = [pool.submit(Job.done, job) for job in jobs]
            for count, _ in enumerate(as_completed(futures), 1):
                _tell(count, len(jobs), began_s)
            results = [future.result() for future in futures]
    return [run for some, _ in results for run in some], [run for _, quiet in results for run in quiet]


def _tell(count: int, of: int, began_s: float) -> None:
    if count % _LINE_EVERY == 0:
        minutes = (time.monotonic() - began_s) / 60.0
        print(f"faults: {count} of {of} jobs after {minutes:.1f} min", file=sys.stderr, flush=True)
