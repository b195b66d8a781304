"""The demo's broker: mosquitto where it is installed, else an embedded one from the extra `demo`."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

from asleft.cli.errors import UserError

_USUAL_PLACES = ("/usr/sbin/mosquitto", "/usr/local/sbin/mosquitto", "/opt/homebrew/sbin/mosquitto")

CONFIGURATION = """\
# Made by asleft demo: loopback only, nobody else can reach it.
listener {port} 127.0.0.1
allow_anonymous true
persistence false
max_queued_messages 100000
max_inflight_messages 200
log_type error
log_type warning
log_type notice
"""


@dataclass(frozen=True, slots=True)
class Broker:
    """How to start it, and what to call it."""

    name: str
    command: tuple[str, ...]


def find_mosquitto() -> str | None:
    """Path of the installed mosquitto; Debian puts it where a user's PATH does not look."""
    found = shutil.which("mosquitto")
    return found or next((place for place in _USUAL_PLACES if os.access(place, os.X_OK)), None)


def choose(kind: str, port: int, folder: Path) -> Broker:
    """The broker to start on `port` of loopback; `kind` is auto, mosquitto or embedded.

    Raises:
        UserError: the one asked for is not installed.
    """
    mosquitto = find_mosquitto() if kind != "embedded" else None
    if mosquitto is not None:
        text = CONFIGURATION.format(port=port)
        if hasattr(os, "geteuid") and os.geteuid() == 0:
            # Started by root it would become the user mosquitto, who may not read this folder.
            text += "user root\n"
        file = folder / "mosquitto.conf"
        file.write_text(text, encoding="utf-8")
        return Broker(f"mosquitto{_version_of(mosquitto)}", (mosquitto, "-c", str(file)))
    if kind == "mosquitto":
        raise UserError("mosquitto is not installed here; install it, or leave --broker at auto")
    from importlib.util import find_spec

    if find_spec("amqtt") is None:
        raise UserError(
            "no broker: mosquitto is not installed, and neither is the embedded one.\n"
            "Install mosquitto, or: pip install 'asleft[demo]'"
        )
    command = (sys.executable, "-m", "asleft.cli.demonstration.embedded_broker", "--port", str(port))
    return Broker("the embedded one (amqtt)", command)


def _version_of(mosquitto: str) -> str:
    """Its version with a space before it, or nothing if it does not say."""
    told = subprocess.run([mosquitto, "-h"], capture_output=True, text=True, check=False, timeout=10.0).stdout
    words = told.split()
    return f" {words[2]}" if words[:2] == ["mosquitto", "version"] and len(words) > 2 else ""
