"""A running plant is upgraded: real processes of an earlier commit, one after the other replaced by those of today.

    python tests/bench/bench_upgrade.py --before 38380eb [--seconds 8]

Needs mosquitto and git. Goals: in either order, and on the way back, nothing silently lost and nothing stored twice.
"""

from __future__ import annotations

import argparse
import io
import shutil
import subprocess
import sys
import tarfile
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent / "end_to_end"))

from fault_plant import Plant, Row, table
from report import Goal

ROOT = Path(__file__).parents[2]
ORDERS = {
    "plant side first, then the agent": ("recorder", "agent"),
    "the agent first, then the plant side": ("agent", "recorder"),
}


def program_of(commit: str, folder: Path) -> Path:
    """The files of a commit, unpacked."""
    packed = subprocess.run(
        ["git", "-C", str(ROOT), "archive", commit, "agent", "dashboard", "sim"], check=True, capture_output=True
    ).stdout
    with tarfile.open(fileobj=io.BytesIO(packed)) as archive:
        archive.extractall(folder, filter="data")
    return folder


def replace(plant: Plant, name: str, source: Path | None, seconds: float) -> None:
    """Stop a process as the guide says, start the other program's, and let blocks flow."""
    part = plant.parts[name]
    code = part.end()
    if code != 0:
        raise RuntimeError(f"{name} ended with {code}\n{part.log()}")
    part.source = source
    part.start()
    had = plant.mark()
    plant.until(lambda: plant.mark() > had, f"blocks after {name} was replaced")
    time.sleep(seconds)


def older(folder: Path, before: Path) -> Plant:
    """A plant of the earlier program."""
    plant = Plant(folder)
    plant.agent.source = plant.recorder.source = before
    return plant


def upgraded(folder: Path, before: Path, name: str, seconds: float) -> Row:
    """Both processes replaced, in one order."""
    with older(folder, before) as plant:
        time.sleep(seconds)
        for part in ORDERS[name]:
            replace(plant, part, None, seconds)
        return plant.count(name, plant.healed())


def and_back(folder: Path, before: Path, seconds: float) -> Row:
    """The plant side is upgraded; then the copies that it kept are put back under the earlier program."""
    with older(folder, before) as plant:
        time.sleep(seconds)
        replace(plant, "recorder", None, seconds)
        plant.recorder.end()
        kept = sorted(plant.data.glob("*.layout-*"))
        if not kept:
            raise RuntimeError("no file's layout changed: take an earlier commit")
        for copy in kept:
            shutil.move(copy, copy.with_name(copy.name.split(".layout-")[0]))
        plant.recorder.source = before
        plant.recorder.start()
        time.sleep(seconds)
        return plant.count(f"the way back, with {', '.join(copy.name for copy in kept)}", plant.healed())


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--before", required=True, metavar="COMMIT", help="whose processes run at first")
    parser.add_argument("--seconds", type=float, default=8.0, help="between two steps (default 8)")
    arguments = parser.parse_args()
    rows = []
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        before = program_of(arguments.before, folder / "before")
        for number, name in enumerate(ORDERS):
            rows.append(upgraded(folder / str(number), before, name, arguments.seconds))
        rows.append(and_back(folder / "back", before, arguments.seconds))
    print(table(rows))
    goals = [
        Goal("silently lost", sum(row.lost for row in rows), at_most=0),
        Goal("stored twice", sum(row.twice for row in rows), at_most=0),
    ]
    print("\n".join(goal.line() for goal in goals))
    return int(any(row.lost or row.twice or row.drain_s is None for row in rows))


if __name__ == "__main__":
    sys.exit(main())
