"""Packages of npm that tests use as servers and libraries of others, each in a folder outside the project."""

from __future__ import annotations

import os
import shutil
import subprocess
from contextlib import suppress
from pathlib import Path
from tempfile import TemporaryDirectory


def node_modules(package: str) -> Path | str:
    """Folder with `package` ("name@version"), installed where it is not there yet; else a sentence why not."""
    folder = Path.home() / ".cache" / "asleft-tests" / package.replace("@", "-")
    found = folder / "node_modules"
    if (found / package.partition("@")[0]).is_dir():
        return found
    npm = shutil.which("npm")
    if npm is None or shutil.which("node") is None:
        return "node and npm are not installed"
    folder.mkdir(parents=True, exist_ok=True)
    with TemporaryDirectory(dir=folder) as made:  # whole or not at all, whoever else installs it meanwhile
        command = [npm, "install", "--no-audit", "--no-fund", "--silent", "--prefix", made, package]
        done = subprocess.run(command, capture_output=True, text=True, timeout=300, check=False)
        if done.returncode != 0:
            return f"npm cannot install {package}: {done.stderr[-200:]}"
        with suppress(OSError):
            (Path(made) / "node_modules").rename(found)
    return found


def environment(modules: Path) -> dict[str, str]:
    """What a process of node finds the package by."""
    return {**os.environ, "NODE_PATH": str(modules)}
