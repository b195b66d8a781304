"""How soon a recorder is ready again after `kill -9`, over a large embedded store.

    python tests/bench/bench_restart.py [--gigabytes 10] [--kills 5] [--folder DIR]

The store is filled with copies of one recorded hour under the names of many valves. Then a process that commits
without a pause is killed in the middle, the file is dropped from the system's cache, and a new process opens the
store and commits a block: timed from its start, interpreter included. So is `asleft record`, until it says that it
records. Processor time is printed beside it: on a busy machine it is what the program can be blamed for.

What the time depends on: the write-ahead log, which is read to its end (SQLite folds it into the file every 1,000
pages, so it has some 4 MB), and one look per valve and stream for blocks still to be merged. Nothing goes through the
file itself, so its size does not count; what was committed is in the log, what was not is not seen.
"""

from __future__ import annotations

import argparse
import os
import resource
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import plant
from asleft.store.samples import open_samples
from asleft.store.schema import SAMPLES_FILE
from report import Goal

VALVES = 200
READY_S = 2.0

WRITE = """
import sys
from pathlib import Path
sys.path.insert(0, sys.argv[2])
import plant
from asleft.store.samples import open_samples
recording = plant.record(60.0)
store = open_samples(Path(sys.argv[1]))
seq = max(mark.mark for mark in store.marks() if mark.agent == "bench")
while True:
    blocks = [plant.block_of(recording, seq + k) for k in range(1, 21)]
    store.commit(blocks, (), blocks[-1].wall_ns)
    store.maintain(blocks[-1].wall_ns)
    seq += 20
    print(seq, flush=True)
"""

OPEN = """
import sys
from pathlib import Path
import numpy as np
from asleft.store.samples import open_samples
from asleft.wire.block import Block, Channel
store = open_samples(Path(sys.argv[1]))
seq = max(mark.mark for mark in store.marks() if mark.agent == "bench") + 1
channel = Channel("current", "A", counts=np.zeros(100, np.int16))
offsets = (np.arange(100) * 10_000).astype(np.int32)
block = Block("bench", "press-1.bench", "bench-stream", seq, "b", seq * 10**9, 1, None, offsets, (channel,))
store.commit([block], (), 1)
print(seq, flush=True)
"""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--gigabytes", type=float, default=10.0, help="size of the store (default 10)")
    parser.add_argument("--kills", type=int, default=5, help="how often (default 5)")
    parser.add_argument("--folder", type=Path, help="where to make the data folder, which is removed again")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=args.folder) as name:
        data = Path(name) / "data"
        begin = time.perf_counter()
        fill(data, args.gigabytes * 1e9)
        size = (data / SAMPLES_FILE).stat().st_size
        print(f"{size / 1e9:.2f} GB of {VALVES} valves, filled in {time.perf_counter() - begin:.0f} s")
        opened, recorded = [], []
        for number in range(1, args.kills + 1):
            log = kill_a_writer(data)
            opened.append(ready([sys.executable, "-c", OPEN, str(data)], kill=False))
            command = [sys.executable, "-m", "asleft.cli.main", "record", "--data", str(data)]
            recorded.append(ready(command, kill=True))
            print(
                f"kill {number}: log of {log / 1e6:.1f} MB; store open and block committed in {opened[-1][0]:.2f} s "
                f"({opened[-1][1]:.2f} s of processor), recorder ready in {recorded[-1][0]:.2f} s "
                f"({recorded[-1][1]:.2f} s)"
            )
    print(Goal("opened and committed, longest", max(opened)[0], at_most=READY_S, unit="s").line())
    print(Goal("recorder ready, longest", max(recorded)[0], at_most=READY_S, unit="s").line())


def fill(data: Path, size: float) -> None:
    """A recorded hour, and copies of it."""
    recording = plant.record(600.0)
    store = open_samples(data)
    for first in range(1, 3601, 400):
        store.commit([plant.block_of(recording, seq) for seq in range(first, first + 400)], (), 1)
    while store.maintain(1):
        pass
    store.close()
    connection = sqlite3.connect(data / SAMPLES_FILE, isolation_level=None)
    connection.execute("PRAGMA synchronous = OFF")
    connection.execute("PRAGMA cache_size = -200000")
    for number in range(2, VALVES + 1):
        connection.execute(
            "INSERT INTO valve SELECT ?, ?, longest_ns FROM valve WHERE id = 1", (number, f"copy-{number}")
        )
        connection.execute(
            "INSERT INTO stream SELECT ?, 'copy', ?, 1000000000, 0, 0, 1 FROM stream WHERE id = 1",
            (number, f"s-{number}"),
        )
        connection.execute("INSERT INTO series SELECT NULL, ?, channel FROM series WHERE valve = 1", (number,))
    hour = 0
    while (data / SAMPLES_FILE).stat().st_size < size:
        hour += 1
        for valve in range(2, VALVES + 1):
            connection.execute("BEGIN")
            copy_hour(connection, valve, hour)
            connection.execute("COMMIT")
            if (data / SAMPLES_FILE).stat().st_size >= size:
                break
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    connection.close()


def copy_hour(connection: sqlite3.Connection, valve: int, hour: int) -> None:
    """The first valve's runs and minutes once more, under another valve and time."""
    later = 3600 * plant.S * hour
    connection.execute(
        "INSERT INTO run SELECT NULL, ?1, ?1, first_seq + ?2, last_seq + ?2, from_ns + ?3, to_ns + ?3, boot, layout, "
        "blocks, size, heads, figures, marks, payload FROM run WHERE valve = 1",
        (valve, 3600 * hour, later),
    )
    connection.execute(
        "INSERT INTO minute_figure SELECT copy.id, minute + ?2, minimum, total, maximum, count FROM minute_figure "
        "JOIN series ON series.id = minute_figure.series AND series.valve = 1 "
        "JOIN series AS copy ON copy.channel = series.channel AND copy.valve = ?1",
        (valve, 60 * hour),
    )


def kill_a_writer(data: Path) -> int:
    """Commit for a while, die in the middle; bytes of the log that is left."""
    command = [sys.executable, "-c", WRITE, str(data), str(Path(__file__).parent)]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    for _ in range(60):
        process.stdout.readline()
    time.sleep(0.007)
    process.send_signal(signal.SIGKILL)
    process.communicate()
    for path in data.iterdir():
        with path.open("rb") as file:
            os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
    return (data / f"{SAMPLES_FILE}-wal").stat().st_size


def ready(command: list[str], *, kill: bool) -> tuple[float, float]:
    """Seconds from starting a process to its first line; and of processor time, until it has ended."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    begin = time.perf_counter()
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    line = process.stdout.readline()
    took = time.perf_counter() - begin
    if kill:
        process.terminate()
    _, said = process.communicate()
    assert line, said
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return took, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


if __name__ == "__main__":
    main()
