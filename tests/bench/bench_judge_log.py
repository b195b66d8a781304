"""Process time of `asleft judge` on a ten-minute log, and what it is made of.

    python tests/bench/bench_judge_log.py [--minutes 10] [--repeat 5]

A healthy simulated valve at 100 Hz as CSV. Process time is user + system time of a process of its own (start-up
included), the smallest of the repeats; the wall time beside it is that of the same run.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

import plant
from asleft.sim.recording import Recording

LEFT = (
    "current_at_zero",
    "current_at_full",
    "ramp_up",
    "ramp_down",
    "pressure_at_zero",
    "pressure_at_full",
    "supply_voltage",
)


def write_log(recording: Recording, path: Path) -> None:
    """A logger's file: seconds, and every channel with six digits."""
    names = list(recording.counts)
    columns = [recording.values(name) for name in names]
    lines = [",".join(["time", *names])]
    for k, at in enumerate(recording.time_s.tolist()):
        lines.append(f"{at:.3f}," + ",".join(f"{column[k]:.6g}" for column in columns))
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def write_sheet(recording: Recording, path: Path) -> None:
    """The settings the valve was left with."""
    left = recording.truth.as_left
    lines = ["[valve]", 'id = "press-1.bench"', "[signal]", 'kind = "4-20mA"', "[as_left]"]
    lines += [f"{name} = {left[name]:.6g}" for name in LEFT if name in left]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def process_time(command: Sequence[str], repeat: int, good: tuple[int, ...] = (0,)) -> tuple[float, float]:
    """(process time, wall time) in s of the quickest of some runs; raises if one ends otherwise than in `good`."""
    best = (float("inf"), float("inf"))
    for _ in range(repeat):
        before, begin = os.times(), time.perf_counter()
        done = subprocess.run(command, stdout=subprocess.DEVNULL, check=False)
        wall, after = time.perf_counter() - begin, os.times()
        if done.returncode not in good:
            raise RuntimeError(f"{' '.join(command)} ended with {done.returncode}")
        used = after.children_user - before.children_user + after.children_system - before.children_system
        best = min(best, (used, wall))
    return best


READ = """
import sys
from pathlib import Path
from asleft.cli.logfile import read_log
from asleft.sheet.logmap import log_map_of_sheet
text = Path(sys.argv[2]).read_text()
read_log(Path(sys.argv[1]), log_map_of_sheet(text, source="sheet"), signal_unit="mA")
"""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=float, default=10.0, help="length of the log (default 10)")
    parser.add_argument("--repeat", type=int, default=5, help="runs of each command (default 5)")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        log, sheet = Path(name) / "log.csv", Path(name) / "sheet.toml"
        recording = plant.record(60.0 * args.minutes)
        write_log(recording, log)
        write_sheet(recording, sheet)
        python = sys.executable
        start = process_time([python, "-c", "import numpy"], args.repeat)
        read = process_time([python, "-c", READ, str(log), str(sheet)], args.repeat)
        entry = [python, "-c", "import sys; from asleft.cli.main import main; sys.exit(main())"]
        whole = process_time([*entry, "judge", str(log), "--sheet", str(sheet)], args.repeat, good=(0, 1))
        plant.table(
            [
                ("rows", f"{recording.time_s.size}"),
                ("file", f"{log.stat().st_size / 1e6:.1f} MB"),
                ("", "process / wall"),
                ("interpreter and numpy", f"{start[0]:.2f} / {start[1]:.2f} s"),
                ("  + reading the file", f"{read[0] - start[0]:.2f} / {read[1] - start[1]:.2f} s"),
                ("  + judging and printing", f"{whole[0] - read[0]:.2f} / {whole[1] - read[1]:.2f} s"),
                ("asleft judge, whole", f"{whole[0]:.2f} / {whole[1]:.2f} s"),
            ]
        )


if __name__ == "__main__":
    main()
