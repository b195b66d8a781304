"""Process time of `asleft judge` on a ten-minute log, and what it is made of; beside it pandas reading the same file.

    python tests/bench/bench_judge_log.py [--minutes 10] [--repeat 5]
    python tests/bench/bench_judge_log.py --rows 5000000 --repeat 1     # reading, judging, with the most memory taken

A healthy simulated valve at 100 Hz as CSV. Process time is user + system time of a process of its own (start-up
included), the smallest of the repeats, which run in turn; behind it the median of the ratios to pandas in the same
turn.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
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


def used_by(command: Sequence[str], good: tuple[int, ...] = (0, 1)) -> tuple[float, float]:
    """(process time, wall time) in s of one run; raises if it ends otherwise than in `good`."""
    before, begin = os.times(), time.perf_counter()
    done = subprocess.run(command, stdout=subprocess.DEVNULL, check=False)
    wall, after = time.perf_counter() - begin, os.times()
    if done.returncode not in good:
        raise RuntimeError(f"{' '.join(command)} ended with {done.returncode}")
    return after.children_user - before.children_user + after.children_system - before.children_system, wall


def in_turn(commands: Mapping[str, Sequence[str]], repeat: int) -> dict[str, list[tuple[float, float]]]:
    """(process time, wall time) of each run of each command, in turn, because a machine's load changes."""
    found: dict[str, list[tuple[float, float]]] = {name: [] for name in commands}
    for _ in range(repeat):
        for name, command in commands.items():
            found[name].append(used_by(command))
    return found


def row(runs: Sequence[tuple[float, float]], beside: Sequence[tuple[float, float]]) -> str:
    """Smallest process and wall time, and the median of the process times over those of `beside` in the same turn."""
    used, wall = (min(each) for each in zip(*runs, strict=True))
    over = statistics.median(run[0] / other[0] for run, other in zip(runs, beside, strict=True))
    return f"{used:.2f} / {wall:.2f} s, {over:.2f}"


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
    code = "import resource, subprocess, sys; subprocess.run(sys.argv[1:], stdout=subprocess.DEVNULL);"
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
        commands = {
            "pandas, reading": [python, "-c", READ_BY_PANDAS, str(log)],
            "asleft, reading without a map": [python, "-c", READ_WITHOUT_MAP, str(log)],
            "asleft judge, without a map": [python, "-c", COMMAND, "judge", str(log), "--sheet", str(sheet)],
        }
        found = in_turn(commands, repeat)
        memory = {name: f"{largest_memory_mb(command):,.0f} MB" for name, command in commands.items()}
        beside = found["pandas, reading"]
        lines = [(name, f"{row(runs, beside)}, {memory[name]}") for name, runs in found.items()]
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
        found = in_turn(
            {
                "interpreter and numpy": [python, "-c", "import numpy"],
                "pandas, reading": [python, "-c", READ_BY_PANDAS, str(log)],
                "asleft, reading by a map": [python, "-c", READ, str(log), str(sheet)],
                "asleft, reading without a map": [python, "-c", READ_WITHOUT_MAP, str(log)],
                "asleft judge, without a map": [python, "-c", COMMAND, "judge", str(log), "--sheet", str(sheet)],
            },
            args.repeat,
        )
        beside = found["pandas, reading"]
        plant.table(
            [
                ("rows", f"{recording.time_s.size}"),
                ("file", f"{log.stat().st_size / 1e6:.1f} MB"),
                ("", "process / wall, process time over pandas reading the file"),
                *((name, row(runs, beside)) for name, runs in found.items()),
            ]
        )


if __name__ == "__main__":
    main()
