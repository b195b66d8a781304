"""What each edge box should run: the plant side's own copy of the boxes' settings files, in one folder.

Each `*.toml` of the folder that is the settings of a box, with a template or without, is read as the agent reads it;
its digest is compared with the one that the agent says. The folder is looked at again when a file in it has changed.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping
from pathlib import Path

from asleft.wire.box_settings import read_box_settings
from asleft.wire.settings_faults import Fault, SettingsError
from asleft.wire.topics import valid_agent

log = logging.getLogger(__name__)

LOOK_EVERY_S = 10.0
NOT_EXPECTED = ""
"""Said of an agent of which no file is in the folder."""


class ExpectedBoxes:
    """Agent -> digest of its settings, from a folder."""

    def __init__(self, folder: Path) -> None:
        """Read the folder. Raises `SettingsError` for faults of its files, `OSError` if one cannot be read."""
        self._folder = folder
        self._looked_s = float("-inf")
        self._stamps: Mapping[Path, tuple[int, int]] = _stamps(folder)
        self._digests = _digests(folder)

    def look(self, now_s: float) -> None:
        """Read the folder again if a file has changed, at most every ten seconds; what is wrong is logged once."""
        if now_s - self._looked_s < LOOK_EVERY_S:
            return
        self._looked_s = now_s
        try:
            stamps = _stamps(self._folder)
            if stamps == self._stamps:
                return
            self._stamps = stamps
            self._digests = _digests(self._folder)
        except (SettingsError, OSError) as error:
            log.error("expected settings of edge boxes: %s; going on with those read before", error)
        else:
            log.info("expected settings of %d edge boxes read again", len(self._digests))

    def expected(self, agent: str) -> str:
        """The digest, or `NOT_EXPECTED`."""
        return self._digests.get(agent, NOT_EXPECTED)


def _stamps(folder: Path) -> dict[Path, tuple[int, int]]:
    return {file: ((stat := file.stat()).st_mtime_ns, stat.st_size) for file in sorted(folder.glob("*.toml"))}


def _digests(folder: Path) -> dict[str, str]:
    """Raises `SettingsError` also if two files are of one agent."""
    found: dict[str, tuple[Path, str]] = {}
    for file in sorted(folder.glob("*.toml")):
        settings = read_box_settings(file)
        agent = settings.table.get("agent")
        if not isinstance(agent, str) or not valid_agent(agent):
            continue  # a template, or what it includes
        if agent in found:
            other = found[agent][0].name
            raise SettingsError([Fault(str(file), "agent", agent, f"has its settings in {other} already")])
        found[agent] = (file, settings.digest)
    return {agent: digest for agent, (_, digest) in found.items()}
