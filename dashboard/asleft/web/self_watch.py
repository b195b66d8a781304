"""Signs of life for the service manager, given while the dashboard answers its own address as it does a browser."""

from __future__ import annotations

import http.client
import logging
import socket
import threading

from asleft.monitoring.service_manager import ServiceManager

log = logging.getLogger(__name__)

EVERY_S = 5.0
PATIENCE_S = 20.0
"""How long an answer may take."""


class SelfWatch(threading.Thread):
    """Asks /healthz of what listens there. Without a service manager it ends at once."""

    def __init__(self, listener: socket.socket, manager: ServiceManager | None = None) -> None:
        super().__init__(name="self watch", daemon=True)
        self._host, self._port = listener.getsockname()[:2]
        self._manager = manager or ServiceManager()
        self._gone = threading.Event()
        self._failing = False

    def run(self) -> None:
        """Ready with the first answer, alive with every further one."""
        if not self._manager.listens:
            return
        while not self.answers():
            if self._gone.wait(0.2):
                return
        self._manager.ready("serving")
        while self._manager.watchdog_s is not None and not self._gone.wait(
            min(EVERY_S, self._manager.watchdog_s / 4)
        ):
            good = self.answers()
            if good:
                self._manager.alive()
            elif not self._failing:
                log.error("the dashboard does not answer its own address within %.0f s", PATIENCE_S)
            self._failing = not good

    def stop(self) -> None:
        """Make `run` return."""
        self._gone.set()

    def answers(self) -> bool:
        """Whether it answers now."""
        host = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(self._host, self._host)
        connection = http.client.HTTPConnection(host, self._port, timeout=PATIENCE_S)
        try:
            connection.request("GET", "/healthz")
            return connection.getresponse().status == 200
        except (OSError, http.client.HTTPException):
            return False
        finally:
            connection.close()
