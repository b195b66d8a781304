"""Starts the demo's processes, restarts one that dies, and ends them all, by process id."""

from __future__ import annotations

import ctypes
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

_STOP_S = 45.0
"""As the services have it: a recorder stores what it has, then its judging may take 15 s to end its step."""
_SAY_AFTER_S = 3.0
_FIRST_WAIT_S, _LONGEST_WAIT_S = 0.5, 8.0
_CALM_S = 30.0
_PR_SET_PDEATHSIG = 1


@dataclass(slots=True)
class Part:
    """One process: how it is started, its log, and how it fares."""

    name: str
    command: Sequence[str]
    log: Path
    once: bool = False  # ends by itself when it is done
    last_work: str = "it ends what it has begun"
    """What it does between the request to end and its end, for people who wait."""
    process: subprocess.Popen[bytes] | None = None
    started_s: float = 0.0
    again_at_s: float = 0.0
    wait_s: float = _FIRST_WAIT_S
    done: bool = False


@dataclass(slots=True)
class Household:
    """All parts, in the order of starting; they are ended in the opposite order."""

    environment: Mapping[str, str] = field(default_factory=dict)
    parts: list[Part] = field(default_factory=list)

    def start(self, part: Part) -> None:
        """Start a part and watch over it from now on."""
        self.parts.append(part)
        self._launch(part)

    def _launch(self, part: Part) -> None:
        part.log.parent.mkdir(parents=True, exist_ok=True)
        with part.log.open("ab") as log:
            part.process = subprocess.Popen(
                list(part.command),
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=subprocess.STDOUT,
                env={**os.environ, **self.environment},
                start_new_session=True,  # Ctrl-C reaches us alone, and we end them in order
                preexec_fn=_end_with_parent if sys.platform == "linux" else None,
            )
        part.started_s = time.monotonic()

    def look_after(self) -> list[str]:
        """Restart what has died; sentences about what happened."""
        told = []
        now = time.monotonic()
        for part in self.parts:
            process = part.process
            if part.done:
                continue
            if process is not None:
                code = process.poll()
                if code is None:
                    if now - part.started_s > _CALM_S:
                        part.wait_s = _FIRST_WAIT_S
                    continue
                part.process = None
                if part.once and code == 0:
                    part.done = True
                    continue
                part.again_at_s = now + part.wait_s
                told.append(f"{part.name} ended with {_how(code)}; starting it again (log: {part.log})")
                part.wait_s = min(2.0 * part.wait_s, _LONGEST_WAIT_S)
            elif now >= part.again_at_s:
                self._launch(part)
        return told

    def stop(self, say: Callable[[str], object] = print) -> list[str]:
        """End every part, the last started first; names of those that had to be killed.

        What takes longer than a few seconds is said, and what it still does.
        """
        killed = []
        for part in reversed(self.parts):
            process = part.process
            if process is None or process.poll() is not None:
                continue
            process.terminate()
            if _ends_within(process, _SAY_AFTER_S):
                continue
            say(f"waiting for {part.name}: {part.last_work}")
            if not _ends_within(process, _STOP_S - _SAY_AFTER_S):
                process.kill()
                process.wait()
                killed.append(part.name)
        self.parts.clear()
        return killed


def _ends_within(process: subprocess.Popen[bytes], seconds: float) -> bool:
    try:
        process.wait(seconds)
    except subprocess.TimeoutExpired:
        return False
    return True


def _how(code: int) -> str:
    return f"signal {signal.Signals(-code).name}" if code < 0 else f"code {code}"


def _end_with_parent() -> None:
    """In the child, before it becomes the program: have the kernel end it if we vanish without a word (Linux)."""
    ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGTERM)
