"""A real mosquitto on a free port of loopback for tests of instruments, with its rules as a test gives them."""

from __future__ import annotations

import shutil
import socket
import subprocess
import time
from pathlib import Path

from paho.mqtt.publish import single


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Mosquitto:
    """Started at once; `kill` and `start` again keep the port, and the sessions if `persistent`."""

    def __init__(
        self, folder: Path, access: str = "allow_anonymous true", *, persistent: bool = False, plain: bool = False
    ) -> None:
        """`plain`: `access` has TLS for `port`, and `publish` takes a second one without it."""
        found = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
        assert found, "these tests need a real broker: install the Debian package mosquitto"
        self._binary = found
        self.port = free_port()
        self._config = folder / "mosquitto.conf"
        keep = f"persistence true\npersistence_location {folder}/\nautosave_interval 1" if persistent else ""
        self._plain_port = free_port() if plain else self.port
        self._config.write_text(
            f"per_listener_settings true\nuser root\nlog_dest stderr\n{keep or 'persistence false'}\n"
            + (f"listener {self._plain_port} 127.0.0.1\nallow_anonymous true\n" if plain else "")
            + f"listener {self.port} 127.0.0.1\n{access}\n"
        )
        self.start()

    def start(self) -> None:
        self._process = subprocess.Popen([self._binary, "-c", str(self._config)], stderr=subprocess.DEVNULL)
        until_s = time.monotonic() + 120
        while True:
            try:
                socket.create_connection(("127.0.0.1", self.port), 1).close()
            except OSError:
                assert self._process.poll() is None, "mosquitto ended at once"
                assert time.monotonic() < until_s
                time.sleep(0.05)
            else:
                return

    def publish(self, topic: str, payload: str, *, retain: bool = False, qos: int = 1) -> None:
        """One message on a connection of its own, taken by the broker when this returns."""
        single(topic, payload, qos, retain, hostname="127.0.0.1", port=self._plain_port)

    def kill(self) -> None:
        self._process.kill()
        self._process.wait(10)
