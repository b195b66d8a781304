"""Process time of `asleft judge` on a ten-minute log, and what it is made of; beside it pandas reading the same file.

    python tests/bench/bench_judge_log.py [--minutes 10] [--repeat 5]
    python tests/bench/bench_judge_log.py --rows 5000000 --repeat 1     # reading, judging, with the most memory taken

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

import numpy as np
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
from asleft.logfile.reading import read_log
from asleft.sheet.logmap import log_map_of_sheet
text = Path(sys.argv[2]).read_text()
read_log(Path(sys.argv[1]), log_map_of_sheet(text, source="sheet"), signal_unit="mA")
"""


READ_WITHOUT_MAP = """
import sys
from pathlib import Path
from asleft.logfile.door import Given, read
read(Path(sys.argv[1]), Given())
"""

COMMAND = "import sys; from asleft.cli.main import main; sys.exit(main())"

READ_BY_PANDAS = "import sys, pandas; pandas.read_csv(sys.argv[1])"


def long_log(path: Path, rows: int) -> None:
    """A log of so many rows at 100 Hz: ten minutes over and over, with times that go on."""
    recording = plant.record(600.0)
    columns = [recording.values(name) for name in ("command", "current", "pressure")]
    body = [",".join(f"{column[k]:.5g}" for column in columns) for k in range(recording.time_s.size)]
    start = np.datetime64("2026-03-02T08:00:00.000")
    with path.open("w", encoding="utf-8") as file:
        file.write("Time,Command [mA],Coil current [A],Pressure [bar]\n")
        for first in range(0, rows, len(body)):
            count = min(len(body), rows - first)
            stamps = np.datetime_as_string(start + (10 * np.arange(first, first + count)).astype("timedelta64[ms]"))
            file.writelines(f"{stamp},{cells}\n" for stamp, cells in zip(stamps.tolist(), body, strict=False))


def largest_memory_mb(command: Sequence[str]) -> float:
    """The most memory a process of its own takes, in MB (resident, as the kernel counts it)."""
    code = "import resource, subprocess, sys; subprocess.run(sys.argv[1:], check=True);"
    code += "print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)"
    done = subprocess.run([sys.executable, "-c", code, *command], capture_output=True, text=True, check=True)
    return int(done.stdout.split()[-1]) / 1024


def read_long(rows: int, repeat: int) -> None:
    """A long log: reading it, beside pandas, and reading and judging it."""
    with tempfile.TemporaryDirectory() as name:
        log, sheet = Path(name) / "log.csv", Path(name) / "sheet.toml"
        long_log(log, rows)
        write_sheet(plant.record(600.0), sheet)
        python = sys.executable
        lines = []
        for label, command in (
            ("pandas, reading", [python, "-c", READ_BY_PANDAS, str(log)]),
            ("asleft, reading without a map", [python, "-c", READ_WITHOUT_MAP, str(log)]),
            ("asleft judge, without a map", [python, "-c", COMMAND, "judge", str(log), "--sheet", str(sheet)]),
        ):
            used, wall = process_time(command, repeat)
            lines.append((label, f"{used:.2f} / {wall:.2f} s, {largest_memory_mb(command):,.0f} MB"))
        plant.table([("rows", f"{rows:,}"), ("file", f"{log.stat().st_size / 1e6:.1f} MB"), *lines])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=float, default=10.0, help="length of the log (default 10)")
    parser.add_argument("--repeat", type=int, default=5, help="runs of each command (default 5)")
    parser.add_argument("--rows", type=int, help="a log of so many rows, with the most memory taken")
    args = parser.parse_args()
    if args.rows:
        read_long(args.rows, args.repeat)
        return
    with tempfile.TemporaryDirectory() as name:
        log, sheet = Path(name) / "log.csv", Path(name) / "sheet.toml"
        recording = plant.record(60.0 * args.minutes)
        write_log(recording, log)
        write_sheet(recording, sheet)
        python = sys.executable
        start = process_time([python, "-c", "import numpy"], args.repeat)
        pandas = process_time([python, "-c", READ_BY_PANDAS, str(log)], args.repeat)
        read = process_time([python, "-c", READ, str(log), str(sheet)], args.repeat)
        without_map = process_time([python, "-c", READ_WITHOUT_MAP, str(log)], args.repeat)
        whole = process_time(
            [python, "-c", COMMAND, "judge", str(log), "--sheet", str(sheet)], args.repeat, good=(0, 1)
        )
        plant.table(
            [
                ("rows", f"{recording.time_s.size}"),
                ("file", f"{log.stat().st_size / 1e6:.1f} MB"),
                ("", "process / wall"),
                ("interpreter and numpy", f"{start[0]:.2f} / {start[1]:.2f} s"),
                ("pandas, reading the file", f"{pandas[0]:.2f} / {pandas[1]:.2f} s"),
                ("asleft, reading without a map", f"{without_map[0]:.2f} / {without_map[1]:.2f} s"),
                ("  + reading the file", f"{read[0] - start[0]:.2f} / {read[1] - start[1]:.2f} s"),
                ("  + judging and printing", f"{whole[0] - read[0]:.2f} / {whole[1] - read[1]:.2f} s"),
                ("asleft judge, whole", f"{whole[0]:.2f} / {whole[1]:.2f} s"),
            ]
        )


if __name__ == "__main__":
    main()
