"""The agent's settings file: what to read, how often, where to keep it, where to send it.

TOML. Unknown keys are faults; all faults of a file are reported at once, each with key, value and limit.
"""

from __future__ import annotations

import tomllib
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from asleft.instruments.faults import SettingsError, Table
from asleft.instruments.registry import Prepared, prepare
from asleft.wire.topics import valid_agent

LEAST_RATE_HZ = 10.0
MOST_RATE_HZ = 200.0
"""Range of the sampling rate."""


@dataclass(frozen=True, slots=True)
class BrokerSettings:
    """`[broker]`: the MQTT broker. The whole table may be absent."""

    host: str
    """Name or address; 127.0.0.1 when absent."""
    port: int
    """TCP port; when absent 1883, or 8883 with TLS."""
    username: str
    """Empty when the broker asks for none."""
    password_file: Path | None
    """File whose first line is the password; it is kept out of this file so that this file can be shown."""
    keepalive_s: int
    """A broker silent for this long is given up; 15 when absent."""
    ca_file: Path | None = None
    """Certificate (PEM) of the authority that signed the broker's; with it TLS, else plain."""
    certificate_file: Path | None = None
    """Our own certificate, by which the broker knows who we are; always together with `key_file`."""
    key_file: Path | None = None
    """The private key of `certificate_file`."""


@dataclass(frozen=True, slots=True)
class SpoolSettings:
    """`[spool]`: where blocks wait for the recorder. The whole table may be absent."""

    file: Path
    """SQLite file, relative to the folder of the settings file; "spool.db" when absent."""
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
class AgentConfig:
    """The whole file."""

    agent: str
    """`agent`: id of this edge box, in topics and blocks; never reused."""
    broker: BrokerSettings
    spool: SpoolSettings
    sampling: SamplingSettings
    instruments: tuple[Prepared, ...]
    """`[[instrument]]`: one entry per device; `family` says which kind, the family says which other keys."""

    @property
    def valves(self) -> tuple[str, ...]:
        """Ids of all valves."""
        return tuple(valve for instrument in self.instruments for valve in instrument.valves)


def load_config(file: Path) -> AgentConfig:
    """Settings from a file. Raises `SettingsError` with every fault, `OSError` if it cannot be read."""
    try:
        text = file.read_bytes().decode()
    except UnicodeDecodeError as error:
        raise SettingsError(str(file), [f"is not UTF-8 at byte {error.start}"]) from error
    return parse_config(text, str(file), file.resolve().parent)


def parse_config(text: str, source: str, folder: Path) -> AgentConfig:
    """Settings from TOML text; relative file names count from `folder`. Raises `SettingsError` with every fault."""
    try:
        raw = tomllib.loads(text)
    except RecursionError:  # brackets in brackets, thousands deep
        raise SettingsError(source, ["is no TOML: nested too deeply"]) from None
    except ValueError as error:  # TOMLDecodeError, and that of a number of thousands of digits
        raise SettingsError(source, [f"is no TOML: {error}"]) from error
    faults: list[str] = []
    top = Table(raw, "", faults)
    config = AgentConfig(
        agent=top.text(
            "agent",
            check=valid_agent,
            rule="allowed are a-z, 0-9, '-' and '.', at most 64 characters",
        ),
        broker=_read_broker(top.table("broker"), folder),
        spool=_read_spool(top.table("spool"), folder),
        sampling=_read_sampling(top.table("sampling")),
        instruments=tuple(prepare(table, folder) for table in top.tables("instrument")),
    )
    for valve, times in Counter(config.valves).items():
        if times > 1 and valve:
            top.fault("instrument", f"valve {valve!r} is served {times} times, once is allowed")
    top.done()
    if faults:
        raise SettingsError(source, faults)
    return config


def _read_broker(table: Table, folder: Path) -> BrokerSettings:
    username = table.text("username", "")
    password_file = folder / table.text("password_file") if table.has("password_file") else None
    if password_file is not None and not username:
        table.fault("password_file", "is given without a username")
    ca_file, certificate_file, key_file = (
        folder / table.text(key) if table.has(key) else None for key in ("ca_file", "certificate_file", "key_file")
    )
    if certificate_file is not None and key_file is None:
        table.fault("key_file", "is missing: certificate_file is of no use without its key")
    if key_file is not None and certificate_file is None:
        table.fault("certificate_file", "is missing: key_file is of no use without its certificate")
    if ca_file is None and (certificate_file is not None or key_file is not None):
        table.fault("ca_file", "is missing: without it the broker's own certificate cannot be checked")
    settings = BrokerSettings(
        host=table.text("host", "127.0.0.1", check=bool, rule="a host name or address is needed"),
        port=table.integer("port", 1, 65535, 1883 if ca_file is None else 8883),
        username=username,
        password_file=password_file,
        ca_file=ca_file,
        certificate_file=certificate_file,
        key_file=key_file,
        keepalive_s=table.integer("keepalive_s", 2, 600, 15),
    )
    table.done()
    return settings


def _read_spool(table: Table, folder: Path) -> SpoolSettings:
    settings = SpoolSettings(
        file=folder / table.text("file", "spool.db", check=bool, rule="a file name is needed"),
        size_mb=table.integer("size_mb", 1, 1_000_000, 512),
    )
    table.done()
    return settings


def _read_sampling(table: Table) -> SamplingSettings:
    settings = SamplingSettings(
        rate_hz=table.number("rate_hz", LEAST_RATE_HZ, MOST_RATE_HZ, 100.0),
        block_s=table.number("block_s", 0.5, 10.0, 1.0),
    )
    table.done()
    return settings
