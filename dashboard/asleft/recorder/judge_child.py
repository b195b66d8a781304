"""The judging process as its recorder sees it."""

from __future__ import annotations

import logging
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path

from asleft.monitoring.logs import level_name
from asleft.recorder.outage import Outage
from asleft.store.opening import EMBEDDED

log = logging.getLogger(__name__)

RESTART_S = 2.0
"""Pause before a judging process that ended is started again; it doubles each time, up to a minute."""
STEADY_S = 60.0
"""One that has run so long has begun well."""
STOP_S = 15.0
"""How long a judging process may take to finish its step when we stop."""


class JudgeChild:
    """The judging process: started, started again when it ends, ended by closing its input."""

    def __init__(
        self,
        data_dir: Path,
        judge_module: str | None = None,
        samples: str = EMBEDDED,
        records: Path | str | None = None,
        recorder: str | None = None,
        *,
        helping: bool = False,
    ) -> None:
        """`recorder`: our name, where several recorders share the valves. `helping`: only with valves far behind."""
        self._command = [sys.executable, "-m", "asleft.recorder.judge_process", "--data", str(data_dir)]
        self._command += ["--samples", samples, "--log-level", level_name()]
        if isinstance(records, str):
            self._command += ["--records", records]
        if recorder is not None:
            self._command += ["--recorder", recorder]
        if helping:
            self._command.append("--helping")
        if judge_module is not None:
            self._command += ["--judge", judge_module]
        self._process: subprocess.Popen[bytes] | None = None
        self._start_at_s = self._started_s = 0.0
        self._ending = Outage(
            log, "the judging process ends by itself", time.monotonic, first_s=RESTART_S, longest_s=60
        )

    def maintain(self) -> None:
        """Start it if it is not running and its pause is over."""
        if self._process is not None and self._process.poll() is not None:
            wait_s = self._ending.failed(f"code {self._process.returncode}; its last words stand before this")
            self._close()
            self._start_at_s = time.monotonic() + wait_s
        if self._process is not None and time.monotonic() - self._started_s > STEADY_S:
            self._ending.over()
        if self._process is None and time.monotonic() >= self._start_at_s:
            self._started_s = time.monotonic()
            self._process = subprocess.Popen(self._command, stdin=subprocess.PIPE)

    def alive(self) -> bool:
        """Whether it runs."""
        return self._process is not None and self._process.poll() is None

    @property
    def pid(self) -> int | None:
        """Its process id."""
        return None if self._process is None else self._process.pid

    def let_go(self) -> None:
        """Tell it to end after its step."""
        if self._process is not None and self._process.stdin is not None:
            self._process.stdin.close()

    def stop(self, within_s: float = STOP_S) -> None:
        """Let it finish its step and end; kill it if it takes longer than `within_s`, which loses nothing."""
        if self._process is None:
            return
        self.let_go()
        try:
            self._process.wait(within_s)
        except subprocess.TimeoutExpired:
            log.warning("the judging process does not end, killing it; its step will be judged again")
            self._process.kill()
            self._process.wait()
        self._process = None

    def _close(self) -> None:
        self.let_go()
        self._process = None


def stop_together(children: Sequence[JudgeChild]) -> None:
    """End all of them within `STOP_S`, however many there are: a service manager kills what takes too long."""
    for child in children:
        child.let_go()
    until_s = time.monotonic() + STOP_S
    for child in children:
        child.stop(max(until_s - time.monotonic(), 0.0))
