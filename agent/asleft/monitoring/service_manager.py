"""What systemd wants to hear of a service of Type=notify: ready, alive, stopping (sd_notify(3)).

The protocol is one datagram of NAME=VALUE lines to a socket that the environment names. The libraries that exist for
it are no longer kept or need a compiler on every edge box, so the few lines are here.
"""

from __future__ import annotations

import os
import socket
import time
from collections.abc import Callable, Mapping


class ServiceManager:
    """Whoever started us, if it wants to hear anything. For one thread."""

    def __init__(
        self, environment: Mapping[str, str] = os.environ, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._address = environment.get("NOTIFY_SOCKET", "")
        self._clock = clock
        self.watchdog_s = _watchdog_s(environment)
        """We are taken for dead after so long without a sign of life; None: nobody waits for one."""
        self._next_s = clock()
        self._status = ""

    @property
    def listens(self) -> bool:
        """Whether anybody wants to hear of us."""
        return bool(self._address)

    def ready(self, status: str) -> None:
        """Everything is open and at work; `status` is one line for people."""
        self._status = status
        self._tell("READY=1", f"STATUS={status}")

    def alive(self, status: str | None = None) -> None:
        """Call often, and only while the work goes on: three signs go out in the time of the watchdog."""
        if status is not None and status != self._status:
            self._status = status
            self._tell(f"STATUS={status}")
        if self.watchdog_s is not None and self._clock() >= self._next_s:
            self._next_s = self._clock() + self.watchdog_s / 3
            self._tell("WATCHDOG=1")

    def stopping(self) -> None:
        """We end on purpose."""
        self._tell("STOPPING=1")

    def _tell(self, *lines: str) -> None:
        if not self._address:
            return
        # A name that begins with @ is in Linux's abstract space, which has no files.
        address = f"\0{self._address[1:]}" if self._address.startswith("@") else self._address
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as out:
            out.setblocking(False)
            try:
                out.sendto("\n".join(lines).encode(), address)
            except OSError:
                return  # a manager that does not listen must not keep us from working


def _watchdog_s(environment: Mapping[str, str]) -> float | None:
    meant = environment.get("WATCHDOG_PID", "")
    text = environment.get("WATCHDOG_USEC", "")
    if (meant and meant != str(os.getpid())) or not text.isdecimal() or int(text) == 0:
        return None
    return int(text) / 1e6
