"""Runs `asleft demo` as a user would, and looks at its processes from outside."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Callable
from pathlib import Path
from urllib.parse import urlencode

from asleft.store.protocols import SampleReader
from fault_parts import free_port

__all__ = ["LIVE_S", "PATIENCE_S", "Demo", "Visitor", "alive", "free_port", "newest_age_s"]

VALVES = 8
LIVE_S = 30.0  # younger than this is live; a starved plant is some blocks behind
PATIENCE_S = 600.0  # only a test that fails waits that long, however slow the machine is


class Demo:
    """One `asleft demo` in a folder of its own."""

    def __init__(self, folder: Path, *options: str) -> None:
        self.folder = folder
        command = [sys.executable, "-m", "asleft.cli.main", "demo", "--data", str(folder), *options]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
        self.lines: list[str] = []
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.lines.append(line.rstrip("\n"))

    @property
    def said(self) -> str:
        return "\n".join(self.lines)

    def address(self) -> str:
        """The dashboard's address, from the one line that names it."""
        self.until(lambda: "Asleft is live at" in self.said, "the address")
        found = re.search(r"Asleft is live at (\S+)", self.said)
        assert found is not None
        return found.group(1)

    def until(self, ready: Callable[[], bool], what: str) -> None:
        end = time.monotonic() + PATIENCE_S
        while not ready():
            assert self.process.poll() is None, f"the demo ended: {self.said}\n{self.logs()}"
            assert time.monotonic() < end, f"{what} did not come in {PATIENCE_S} s: {self.said}\n{self.logs()}"
            time.sleep(0.2)

    def logs(self) -> str:
        """Ends of all logs, for a failure's message."""
        files = sorted((self.folder / "logs").glob("*.log"))
        return "\n".join(f"--- {log.name}\n{log.read_text(errors='replace')[-1500:]}" for log in files)

    def children(self) -> dict[int, str]:
        """Process ids and command lines of everything it started, grandchildren too."""
        return descendants(self.process.pid)

    def pid(self, *words: str) -> int:
        """The one child whose command line has all these words."""
        found = [pid for pid, line in self.children().items() if all(word in line for word in words)]
        assert len(found) == 1, f"{words}: {found} in {self.children()}"
        return found[0]

    def interrupt(self) -> int:
        """Ctrl-C; the exit code."""
        self.process.send_signal(signal.SIGINT)
        return self.process.wait(PATIENCE_S)

    def end(self) -> None:
        """For clean-up: whatever is left goes."""
        if self.process.poll() is None:
            self.process.terminate()
            try:
                self.process.wait(PATIENCE_S)
            except subprocess.TimeoutExpired:
                for pid in self.children():
                    os.kill(pid, signal.SIGKILL)
                self.process.kill()
                self.process.wait()
        self._reader.join(5.0)


def descendants(root: int) -> dict[int, str]:
    """Process id -> command line of all living descendants of a process (Linux)."""
    parent: dict[int, int] = {}
    line: dict[int, str] = {}
    for entry in Path("/proc").iterdir():
        if not entry.name.isdigit():
            continue
        try:
            stat = (entry / "stat").read_text()
            command = (entry / "cmdline").read_bytes().replace(b"\0", b" ").decode(errors="replace")
        except OSError:
            continue  # it has just ended
        fields = stat.rsplit(")", 1)[1].split()
        if fields[0] != "Z":
            parent[int(entry.name)] = int(fields[1])
            line[int(entry.name)] = command
    found: dict[int, str] = {}
    open_pids = [root]
    while open_pids:
        one = open_pids.pop()
        for pid, of in parent.items():
            if of == one and pid not in found:
                found[pid] = line[pid]
                open_pids.append(pid)
    return found


def alive(pid: int) -> bool:
    """Whether a process runs (a zombie does not)."""
    try:
        stat = Path(f"/proc/{pid}/stat").read_text()
    except OSError:
        return False
    return stat.rsplit(")", 1)[1].split()[0] != "Z"


def newest_age_s(samples: SampleReader) -> float:
    """Age of the stalest valve's newest sample; infinite while a valve has none."""
    if len(samples.valves()) < VALVES:
        return float("inf")
    ends = [samples.span(valve) for valve in samples.valves()]
    return max(time.time() - end[1] / 1e9 if end else float("inf") for end in ends)


class Visitor:
    """Somebody who signs in to the dashboard by its form, with what the demo states, and reads pages."""

    def __init__(self, demo: Demo) -> None:
        self.address = demo.address()
        stated = re.search(r"sign in there as (\S+), password: (.+)", demo.said)
        assert stated is not None, demo.said
        self._opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())
        self.first = self.page("")
        word = re.search(r'name="_csrf_token" value="([^"]+)"', self.first)
        assert word is not None, self.first
        form = {"_csrf_token": word.group(1), "name": stated.group(1), "password": stated.group(2), "next": "/health"}
        with self._opener.open(f"{self.address}login", urlencode(form).encode(), timeout=PATIENCE_S) as answer:
            assert answer.url == f"{self.address}health", answer.read().decode()

    def page(self, path: str) -> str:
        """Body of a page."""
        with self._opener.open(self.address + path, timeout=PATIENCE_S) as answer:
            body: bytes = answer.read()
        return body.decode()
