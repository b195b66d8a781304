"""Certificates of a plant, made by its own script: of a server on this machine, and of an agent."""

from __future__ import annotations

import subprocess
from dataclasses import dataclass
from pathlib import Path

_SCRIPT = Path(__file__).parent.parent / "compose" / "certificates.sh"
AGENT = "hall-1"


@dataclass(frozen=True, slots=True)
class Authority:
    """Has ca.crt, broker.crt and broker.key for localhost, and those of `AGENT`, in its folder."""

    folder: Path

    def file(self, name: str) -> str:
        """Path of one of them, for settings."""
        return str(self.folder / name)


def make_authority(folder: Path) -> Authority:
    """One that nobody trusts yet."""
    for words in (["broker", "localhost", "127.0.0.1"], ["agent", AGENT]):
        subprocess.run([str(_SCRIPT), "-d", str(folder), *words], check=True, capture_output=True)
    return Authority(folder)
