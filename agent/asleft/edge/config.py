"""The agent's settings file: what to read, how often, where to keep it, where to send it.

TOML. Unknown keys are faults; all faults of a file are reported at once, each with key, value and limit.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from asleft.instruments.broker import BrokerSettings, read_broker
from asleft.instruments.registry import Places, Prepared, prepare
from asleft.wire.box_settings import BoxSettings, read_box_settings
from asleft.wire.settings import LONGEST_PATH, Section, parse_toml
from asleft.wire.topics import ID_WANTED, valid_agent
from asleft.wire.units import Unit

LEAST_RATE_HZ = 10.0
MOST_RATE_HZ = 200.0
"""Range of the sampling rate."""


@dataclass(frozen=True, slots=True)
class SpoolSettings:
    """`[spool]`: where blocks wait for the recorder. The whole table may be absent."""

    file: Path
    """SQLite file; "spool.db" when absent. A relative name counts from the folder the service manager gives for state
    (STATE_DIRECTORY), else from the folder of the settings file."""
    size_mb: int
    """Upper bound of its size; 512 when absent. 8 valves of 9 channels at 100 Hz fill about 60 MB in an hour."""


@dataclass(frozen=True, slots=True)
class SamplingSettings:
    """`[sampling]`: the pace. The whole table may be absent."""

    rate_hz: float
    """Readings of every channel each second, 10 to 200; 100 when absent."""
    block_s: float
    """Length of a block, 0.5 to 10; 1 when absent."""

    @property
    def block_size(self) -> int:
        """Readings in a block."""
        return max(1, round(self.rate_hz * self.block_s))


@dataclass(frozen=True, slots=True)
class MetricsSettings:
    """`[metrics]`: an address for machines that watch. The whole table may be absent."""

    address: str
    """HOST:PORT that answers /metrics, /healthz and /readyz to whoever can reach it; empty, when absent: none."""


@dataclass(frozen=True, slots=True)
class Folders:
    """Where relative file names count from."""

    settings: Path
    """The folder of the settings file."""
    state: Path
    """For the spool."""
    credentials: Path | None
    """For the broker's certificates, keys and passwords that the service manager hands over; before `settings`."""

    def credential(self, name: str) -> Path:
        """Where such a file is: among what was handed over, if it is there, else beside the settings."""
        if self.credentials is not None and (self.credentials / name).is_file():
            return self.credentials / name
        return self.settings / name


def folders_of(settings: Path, environment: Mapping[str, str] = os.environ) -> Folders:
    """By what systemd puts into the environment (systemd.exec(5)); without it all count from `settings`."""
    state = environment.get("STATE_DIRECTORY", "").split(":")[0]
    credentials = environment.get("CREDENTIALS_DIRECTORY", "")
    return Folders(settings, Path(state) if state else settings, Path(credentials) if credentials else None)


@dataclass(frozen=True, slots=True)
class AgentConfig:
    """The whole file."""

    agent: str
    """`agent`: id of this edge box, in topics and blocks; never reused. A '.' is for those that have it already."""
    broker: BrokerSettings
    spool: SpoolSettings
    sampling: SamplingSettings
    metrics: MetricsSettings
    instruments: tuple[Prepared, ...]
    """`[[instrument]]`: one entry per device; `family` says which kind, the family says which other keys."""
    digest: str = ""
    """What tells these settings from others; the plant side compares it with what it expects."""

    @property
    def valves(self) -> tuple[str, ...]:
        """Ids of all valves."""
        return tuple(valve for instrument in self.instruments for valve in instrument.valves)


def load_config(file: Path) -> AgentConfig:
    """Settings from a file, or from a box's values and its template (`wire.box_settings`).

    Raises `SettingsError` with every fault, `OSError` if the file cannot be read.
    """
    return _config(read_box_settings(file), folders_of(file.resolve().parent))


def parse_config(text: str, source: str, folders: Folders | Path) -> AgentConfig:
    """Settings from TOML text; relative file names count from `folders`. Raises `SettingsError` with every fault."""
    if isinstance(folders, Path):
        folders = Folders(folders, folders, None)
    return _config(BoxSettings(parse_toml(text, source), source), folders)


def _config(settings: BoxSettings, folders: Folders) -> AgentConfig:
    top = Section([], settings.source, "", settings.table)
    agent = top.text("agent", check=valid_agent, wanted=ID_WANTED, needed='the id of this edge box, as "hall-1"')
    instruments: list[Prepared] = []
    served: set[str] = set()
    for entry in top.sections("instrument"):
        instrument = prepare(entry, Places(folders.settings, folders.credential))
        if instrument is not None:
            for valve in instrument.valves:
                if valve and valve in served:
                    entry.fault("", f'valve "{valve}" is served twice, once is allowed')
                served.add(valve)
            instruments.append(instrument)
    config = AgentConfig(
        agent=agent or "",
        broker=_read_broker(top.section("broker"), folders),
        spool=_read_spool(top.section("spool"), folders.state),
        sampling=_read_sampling(top.section("sampling")),
        metrics=_read_metrics(top.section("metrics")),
        instruments=tuple(instruments),
        digest=settings.digest,
    )
    top.finish()
    return config


def _read_broker(table: Section, folders: Folders) -> BrokerSettings:
    settings = read_broker(table, folders.credential)
    table.close()
    return settings


def _read_spool(table: Section, folder: Path) -> SpoolSettings:
    settings = SpoolSettings(
        file=folder / (table.text("file", most=LONGEST_PATH, check=bool, wanted="must be a file name") or "spool.db"),
        size_mb=table.integer("size_mb", 1, 1_000_000, "MB") or 512,
    )
    table.close()
    return settings


def _read_sampling(table: Section) -> SamplingSettings:
    settings = SamplingSettings(
        rate_hz=table.number("rate_hz", LEAST_RATE_HZ, MOST_RATE_HZ, Unit("Hz")) or 100.0,
        block_s=table.number("block_s", 0.5, 10.0, Unit("s")) or 1.0,
    )
    table.close()
    return settings


def _read_metrics(table: Section) -> MetricsSettings:
    wanted = 'must be "HOST:PORT", as "127.0.0.1:9464"'
    settings = MetricsSettings(address=table.text("address", check=_is_address, wanted=wanted) or "")
    table.close()
    return settings


def _is_address(text: str) -> bool:
    host, _, port = text.rpartition(":")
    return not text or (bool(host) and port.isascii() and port.isdigit() and int(port) <= 65_535)
