"""The embedded sample store: commits, an hour of raw readings, a day's overview, bytes on disk.

    python tests/bench/bench_store.py [--hours 24] [--folder DIR]

One valve at 100 Hz in one-second blocks, simulated for ten minutes and repeated. 20 blocks go in with each commit
(what 8 valves send in 2.5 s). `--folder` decides on which disk; without it the system's temporary folder.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

import numpy as np
import plant
from asleft.store.samples import open_samples, open_samples_reader


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hours", type=float, default=24.0, help="stored before reading (default 24)")
    parser.add_argument("--folder", type=Path, help="where to make the data folder, which is removed again")
    args = parser.parse_args()
    recording = plant.record(600.0)
    per_commit = 20
    count = round(args.hours * 3600)
    with tempfile.TemporaryDirectory(dir=args.folder) as name:
        store = open_samples(Path(name))
        commits = []
        for first in range(1, count + 1, per_commit):
            blocks = [plant.block_of(recording, seq) for seq in range(first, min(first + per_commit, count + 1))]
            begin = time.perf_counter()
            store.commit(blocks, (), blocks[-1].wall_ns)
            commits.append(1e3 * (time.perf_counter() - begin))
        reader = open_samples_reader(Path(name))
        t0, end = round(plant.T0_S) * plant.S, (round(plant.T0_S) + count) * plant.S
        hour = min(end, t0 + 3600 * plant.S)
        raw, raw_most = plant.timed(lambda: reader.samples("press-1.bench", t0, hour), 5)
        day, day_most = plant.timed(lambda: reader.overview("press-1.bench", "current", t0, end, 1000), 5)
        size = reader.size_bytes()
        rows = count * plant.RATE_HZ
        plant.table(
            [
                ("rows stored", f"{rows}"),
                ("channels a row", f"{len(recording.counts)}"),
                (f"commit of {per_commit} blocks, median", f"{np.median(commits):.2f} ms"),
                ("  99 of 100 within", f"{np.quantile(commits, 0.99):.2f} ms"),
                ("1 h raw, median (longest)", f"{raw:.0f} ({raw_most:.0f}) ms"),
                (f"{args.hours:g} h overview, median (longest)", f"{day:.1f} ({day_most:.1f}) ms"),
                ("bytes a row", f"{size / rows:.2f}"),
                ("a valve and day at 100 Hz", f"{size / rows * 8.64e6 / 1e6:.0f} MB"),
            ]
        )
        reader.close()
        store.close()


if __name__ == "__main__":
    main()
