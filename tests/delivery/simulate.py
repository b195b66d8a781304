"""Delivery through random faults, simulated: `python tests/delivery/simulate.py [--seeds N] [--seed N]`.

`--seed N` runs one and prints what happens step by step; the same seed always gives the same run.
"""

from __future__ import annotations

import argparse
import logging
import sys
import time
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from world import Outcome, World


@dataclass(slots=True)
class Total:
    """Many runs added up."""

    runs: int = 0
    generated: int = 0
    stored: int = 0
    declared: int = 0
    lost: int = 0
    undue: int = 0
    twice: int = 0
    early: int = 0
    stuck: int = 0
    longest_drain_s: float = 0.0
    faults: Counter[str] = field(default_factory=Counter)
    bad_seeds: list[int] = field(default_factory=list)

    def add(self, one: Outcome) -> None:
        self.runs += 1
        for name in ("generated", "stored", "declared", "lost", "undue", "twice", "early"):
            setattr(self, name, getattr(self, name) + getattr(one, name))
        self.stuck += one.stuck
        self.longest_drain_s = max(self.longest_drain_s, one.drain_s)
        self.faults.update(one.faults)
        if one.bad:
            self.bad_seeds.append(one.seed)

    def join(self, other: Total) -> None:
        for name in ("runs", "generated", "stored", "declared", "lost", "undue", "twice", "early", "stuck"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        self.longest_drain_s = max(self.longest_drain_s, other.longest_drain_s)
        self.faults.update(other.faults)
        self.bad_seeds += other.bad_seeds

    def text(self) -> str:
        names = (
            "runs",
            "faults",
            "generated",
            "stored",
            "declared",
            "silently lost",
            "undue",
            "twice",
            "early",
            "stuck",
        )
        numbers = (
            *(self.runs, sum(self.faults.values()), self.generated, self.stored, self.declared, self.lost),
            *(self.undue, self.twice, self.early, self.stuck),
        )
        cells = [(name, f"{number:,}") for name, number in zip(names, numbers, strict=True)]
        cells.append(("longest drain", f"{self.longest_drain_s:.1f} s"))
        return "\n".join("  ".join(part.rjust(max(map(len, cell))) for part, cell in zip(row, cells, strict=True))
                         for row in zip(*cells, strict=True))  # fmt: skip


def run_seeds(seeds: Sequence[int]) -> Total:
    """Run each seed once."""
    logging.disable(logging.CRITICAL)  # thousands of declared faults would be thousands of lines
    total = Total()
    try:
        for seed in seeds:
            total.add(World(seed).run())
    finally:
        logging.disable(logging.NOTSET)
    return total


def run_many(count: int, workers: int = 2, first: int = 0) -> Total:
    """Run seeds first, first + 1, ... on so many processes."""
    chunk = max(1, count // (workers * 8))
    parts = [range(start, min(start + chunk, first + count)) for start in range(first, first + count, chunk)]
    total = Total()
    with ProcessPoolExecutor(workers) as pool:
        for part in pool.map(run_seeds, parts):
            total.join(part)
    return total


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, help="run this one and print what happens")
    parser.add_argument("--seeds", type=int, default=1000, help="how many to run (default 1000)")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--mutant", help="with one rule of the protocol switched off, see mutants.py")
    arguments = parser.parse_args()
    if arguments.mutant:
        from mutants import MUTANTS

        MUTANTS[arguments.mutant]().__enter__()
        arguments.workers = 1
    if arguments.seed is not None:
        logging.basicConfig(format="          %(message)s", level=logging.INFO, stream=sys.stdout)
        outcome = World(arguments.seed, print).run()
        print(outcome)
        return int(outcome.bad)
    began_s = time.monotonic()
    seeds = range(arguments.seeds)
    total = run_seeds(seeds) if arguments.mutant else run_many(arguments.seeds, arguments.workers)
    print(total.text())
    print(f"({time.monotonic() - began_s:.1f} s; faults: {dict(total.faults.most_common())})")
    if total.bad_seeds:
        print(f"broken promises with seeds {total.bad_seeds[:20]}")
    return int(bool(total.bad_seeds))


if __name__ == "__main__":
    sys.exit(main())
