"""The embedded sample store: commits, merging, an hour of raw readings, a day's overview, bytes on disk.

    python tests/bench/bench_store.py [--hours 24] [--folder DIR] [--without-rows]

One valve at 100 Hz, 4 channels, in one-second blocks, simulated for ten minutes and repeated. 20 blocks go in with
each commit (what 8 valves send in 2.5 s), and between commits the store looks after itself, as in the recorder. The
same readings as a row each in a plain SQLite table are the yardstick of the same run. `--folder` decides on which
disk; without it the system's temporary folder.
"""

from __future__ import annotations

import argparse
import sqlite3
import tempfile
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import plant
from asleft.sim.recording import Recording
from asleft.store.samples import open_samples, open_samples_reader
from asleft.wire.block import Block
from report import Goal

CHANNELS = ("command", "current", "pressure", "supply")
VALVE = "press-1.bench"
PER_COMMIT = 20
T0 = round(plant.T0_S) * plant.S


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hours", type=float, default=24.0, help="stored before reading (default 24)")
    parser.add_argument("--folder", type=Path, help="where to make the data folder, which is removed again")
    parser.add_argument("--without-rows", action="store_true", help="leave the plain table out")
    args = parser.parse_args()
    recording = plant.record(600.0)
    count = round(args.hours * 3600)
    with tempfile.TemporaryDirectory(dir=args.folder) as name:
        lines, goals = blocks_in(Path(name), recording, count, args.hours)
        if not args.without_rows:
            lines += rows_in(Path(name) / "rows.db", recording, count, args.hours)
    plant.table(lines)
    for goal in goals:
        print(goal.line())


def block_at(recording: Recording, seq: int) -> Block:
    """A second of the recording, with the channels that every valve has."""
    block = plant.block_of(recording, seq)
    return replace(block, channels=tuple(one for one in block.channels if one.name in CHANNELS))


def blocks_in(
    folder: Path, recording: Recording, count: int, hours: float
) -> tuple[list[tuple[str, str]], list[Goal]]:
    """Our store."""
    store = open_samples(folder)
    commits, steps = [], []
    for first in range(1, count + 1, PER_COMMIT):
        blocks = [block_at(recording, seq) for seq in range(first, min(first + PER_COMMIT, count + 1))]
        begin = time.perf_counter()
        store.commit(blocks, (), blocks[-1].wall_ns)
        between = time.perf_counter()
        more = store.maintain(blocks[-1].wall_ns)
        commits.append(1e3 * (between - begin))
        if more or (first // PER_COMMIT) % 3 == 0:
            steps.append(1e3 * (time.perf_counter() - between))
    while store.maintain(T0):
        pass
    reader = open_samples_reader(folder)
    end = T0 + count * plant.S
    hour = min(end, T0 + 3600 * plant.S)
    raw, raw_most = plant.timed(lambda: reader.samples(VALVE, T0, hour), 9)
    whole, _ = plant.timed(lambda: reader.samples(VALVE, T0, end), 1)
    day, day_most = plant.timed(lambda: reader.overview(VALVE, "current", T0, end, 1000), 9)
    fine, fine_most = plant.timed(lambda: reader.overview(VALVE, "current", T0, hour * 2 - T0, 1000), 9)
    waiting, waiting_most = plant.timed(lambda: reader.blocks_after(VALVE, {"bench-stream": count - 30}, 10), 9)
    rows = count * plant.RATE_HZ
    size = reader.size_bytes()
    reader.close()
    store.close()
    lines = [
        ("rows of 4 channels stored", f"{rows:,}"),
        (f"commit of {PER_COMMIT} blocks, median", f"{np.median(commits):.2f} ms"),
        ("  99 of 100 within", f"{np.quantile(commits, 0.99):.2f} ms"),
        ("a step of upkeep, median (longest)", f"{np.median(steps):.2f} ({max(steps):.0f}) ms"),
        ("1 h raw, median (longest)", f"{raw:.0f} ({raw_most:.0f}) ms"),
        (f"{hours:g} h raw", f"{whole:.0f} ms"),
        (f"{hours:g} h overview, median (longest)", f"{day:.1f} ({day_most:.1f}) ms"),
        ("2 h overview of 7 s stretches", f"{fine:.1f} ({fine_most:.1f}) ms"),
        ("10 waiting blocks for the judge", f"{waiting:.2f} ({waiting_most:.2f}) ms"),
        ("bytes a row", f"{size / rows:.2f}"),
        ("a valve and day at 100 Hz", f"{size / rows * 8.64:.0f} MB"),
    ]
    goals = [
        Goal("bytes a row of 4 channels", size / rows, at_most=10.0),
        Goal("1 h raw", raw, at_most=100.0, unit="ms"),
        Goal(f"{hours:g} h overview", day, at_most=50.0, unit="ms"),
    ]
    return lines, goals


def rows_in(path: Path, recording: Recording, count: int, hours: float) -> list[tuple[str, str]]:
    """The same as a row per reading time."""
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = FULL")
    names = ", ".join(f"{name} REAL" for name in CHANNELS)
    connection.execute(f"CREATE TABLE reading (valve TEXT, time_ns INTEGER, {names}, PRIMARY KEY (valve, time_ns))")
    commits = []
    for first in range(1, count + 1, PER_COMMIT):
        begin = time.perf_counter()
        connection.execute("BEGIN")
        for seq in range(first, min(first + PER_COMMIT, count + 1)):
            connection.executemany("INSERT INTO reading VALUES (?,?,?,?,?,?)", readings(block_at(recording, seq)))
        connection.execute("COMMIT")
        commits.append(1e3 * (time.perf_counter() - begin))
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    end = T0 + count * plant.S
    span = "FROM reading WHERE valve = ? AND time_ns >= ? AND time_ns < ?"
    hour = (VALVE, T0, min(end, T0 + 3600 * plant.S))
    width = max(1, (end - T0) // 1000)
    raw, _ = plant.timed(
        lambda: np.array(connection.execute(f"SELECT time_ns, {', '.join(CHANNELS)} {span}", hour).fetchall()), 3
    )
    statement = f"SELECT time_ns / {width}, MIN(current), AVG(current), MAX(current) {span} GROUP BY 1"
    day, _ = plant.timed(lambda: connection.execute(statement, (VALVE, T0, end)).fetchall(), 1)
    connection.close()
    return [
        ("a row per reading time: commit, median", f"{np.median(commits):.2f} ms"),
        ("  1 h raw", f"{raw:.0f} ms"),
        (f"  {hours:g} h overview", f"{day:.0f} ms"),
        ("  bytes a row", f"{path.stat().st_size / count / plant.RATE_HZ:.1f}"),
    ]


def readings(block: Block) -> Iterator[tuple[object, ...]]:
    """Rows of one block."""
    columns = [channel.as_values().tolist() for channel in block.channels]
    times = (block.wall_ns + block.offsets_us.astype(np.int64) * 1000).tolist()
    return ((VALVE, *row) for row in zip(times, *columns, strict=True))


if __name__ == "__main__":
    main()
