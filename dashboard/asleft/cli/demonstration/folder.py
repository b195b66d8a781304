"""The demo's folder: when it was first started, the sheets it files, the agents' settings with this start's ports."""

from __future__ import annotations

import fcntl
import json
import shutil
import time
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from importlib import resources
from pathlib import Path
from typing import IO

from asleft.cli.errors import UserError

COMMISSIONED_DAYS_AGO = 35


@dataclass(frozen=True, slots=True)
class Folder:
    """Where things lie."""

    root: Path

    @property
    def data(self) -> Path:
        """Stores of recorder and dashboard."""
        return self.root / "data"

    @property
    def logs(self) -> Path:
        """One log per process."""
        return self.root / "logs"

    def first_start_s(self) -> float:
        """Unix seconds of the first start, from which the plant's stories count; remembered in the folder."""
        file = self.root / "demo.json"
        if file.exists():
            return float(json.loads(file.read_text(encoding="utf-8"))["first_start_s"])
        now_s = float(round(time.time()))
        file.write_text(json.dumps({"first_start_s": now_s}), encoding="utf-8")
        return now_s


def take(root: Path, *, fresh: bool) -> tuple[Folder, IO[str]]:
    """Make the folder ours; the lock to hold while we run.

    Raises:
        UserError: another demo runs in it, or it cannot be written.
    """
    if root.exists() and not root.is_dir():
        raise UserError(f"--data {root}: not a folder")
    try:
        root.mkdir(parents=True, exist_ok=True)
        lock = (root / "demo.lock").open("a", encoding="utf-8")
    except OSError as error:
        raise UserError(f"--data {root}: cannot be used: {error.strerror}") from error
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        lock.close()
        raise UserError(f"a demo already runs in {root}; end it first, or name another folder with --data") from None
    if fresh:
        _forget(root)
    return Folder(root), lock


def _forget(root: Path) -> None:
    """Remove what an earlier start kept, and only that: a folder named by mistake keeps its other contents."""
    for name in ("data", "logs", "spools"):
        shutil.rmtree(root / name, ignore_errors=True)
    (root / "demo.json").unlink(missing_ok=True)


def sheets(first_start_s: float) -> dict[str, str]:
    """File name -> text of the demo plant's sheets, commissioned five weeks before the first start."""
    at = datetime.fromtimestamp(first_start_s, UTC) - timedelta(days=COMMISSIONED_DAYS_AGO)
    commissioned = at.replace(hour=8, minute=0, second=0, microsecond=0).strftime("%Y-%m-%dT%H:%M:%SZ")
    return {name: text.replace("@COMMISSIONED@", commissioned) for name, text in _texts("sheets").items()}


def write_agents(folder: Folder, broker_port: int, press_ports: Mapping[str, int]) -> list[Path]:
    """Write the agents' settings for this start; their paths."""
    out = []
    for name, text in sorted(_texts("agents").items()):
        filled = text.replace("@BROKER_PORT@", str(broker_port))
        filled = filled.replace("@SPOOL@", str(folder.root / "spools" / f"{Path(name).stem}.db"))
        for placeholder, port in press_ports.items():
            filled = filled.replace(placeholder, str(port))
        path = folder.root / name
        path.write_text(filled, encoding="utf-8")
        out.append(path)
    return out


def _texts(kind: str) -> dict[str, str]:
    base = resources.files("asleft.cli") / "demo_plant" / kind
    return {entry.name: entry.read_text(encoding="utf-8") for entry in base.iterdir() if entry.name.endswith(".toml")}
