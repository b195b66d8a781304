"""Settings of tables that hold readings already: PostgreSQL, InfluxDB, a folder of Parquet files. Pure."""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urlsplit

from asleft.instruments.channel_settings import read_name_and_unit, read_scaling
from asleft.instruments.protocol import ChannelForm, ValveForm
from asleft.wire.settings import LONGEST_PATH, Section
from asleft.wire.topics import ID_WANTED, valid_valve
from asleft.wire.units import Unit

_S = Unit("s")


@dataclass(frozen=True, slots=True)
class Column:
    """Where one channel is found: value = offset + scale * number."""

    name: str
    unit: str
    column: str
    scale: float = 1.0
    offset: float = 0.0


@dataclass(frozen=True, slots=True)
class TableValve:
    """One valve: a row is one reading of all its channels."""

    valve: str
    columns: tuple[Column, ...]
    time_column: str = "time"
    query: str = ""
    """PostgreSQL: the SELECT whose rows are read."""
    measurement: str = ""
    """InfluxDB."""
    tags: Mapping[str, str] = field(default_factory=dict)
    """InfluxDB: tags that the points must have."""

    def form(self) -> ValveForm:
        """What the rest of the agent needs to know of it."""
        return ValveForm(self.valve, tuple(ChannelForm(one.name, one.unit) for one in self.columns))


@dataclass(frozen=True, slots=True)
class TableSettings:
    """What is common to all of them."""

    name: str
    """What messages call it; where it is, when absent."""
    follow: bool
    """Go on reading as rows come; true when absent. False: from `since` to what is there, and then nothing more."""
    since_ns: int | None
    """Where to begin when nothing is stored yet; None: with what comes from now on."""
    late_s: float
    """A row may be written this long after its time; it is read that much later. 5 when absent."""
    every_s: float
    """How often to look for new rows; 1 when absent."""
    timeout_s: float
    """How long a query may take; 10 when absent."""
    valves: tuple[TableValve, ...]


@dataclass(frozen=True, slots=True)
class PostgresAddress:
    """Where a PostgreSQL database is."""

    host: str
    port: int
    database: str
    user: str
    password_file: Path | None
    ca_file: Path | None
    """With it TLS, the server's certificate and name checked; without, only this machine or a network's own risk."""

    def __str__(self) -> str:
        """As messages name it."""
        return f"{self.host}:{self.port}/{self.database}"


@dataclass(frozen=True, slots=True)
class InfluxAddress:
    """Where an InfluxDB is."""

    url: str
    database: str
    token_file: Path | None
    username: str
    password_file: Path | None
    ca_file: Path | None

    def __str__(self) -> str:
        """As messages name it."""
        return f"{self.url}/{self.database}"


def read_postgres(table: Section, credential: Callable[[str], Path]) -> tuple[PostgresAddress, TableSettings]:
    """Settings of family "postgresql"; faults go into the table's list, and then the value must not be used."""
    address = PostgresAddress(
        host=table.text("host", check=bool, wanted="must be a host name or address") or "127.0.0.1",
        port=table.integer("port", 1, 65535) or 5432,
        database=table.text("database", check=bool, needed="the name of the database") or "",
        user=table.text("user", check=bool, needed="who reads; one that may only read is best") or "",
        password_file=_file(table, "password_file", credential),
        ca_file=_file(table, "ca_file", credential),
    )
    return address, _read_common(table, str(address), _read_query)


def read_influxdb(table: Section, credential: Callable[[str], Path]) -> tuple[InfluxAddress, TableSettings]:
    """Settings of family "influxdb"; faults go into the table's list, and then the value must not be used."""
    url = table.text(
        "url", check=_is_http, wanted='must be "http://HOST:PORT" or https', needed="the server's address"
    )
    address = InfluxAddress(
        url=(url or "http://localhost").rstrip("/"),
        database=table.text("database", check=bool, needed="the name of the database (or mapped bucket)") or "",
        token_file=_file(table, "token_file", credential),
        username=table.text("username") or "",
        password_file=_file(table, "password_file", credential),
        ca_file=_file(table, "ca_file", credential),
    )
    secret = "token_file" if "token_file" in table else "password_file" if "password_file" in table else ""
    if secret and address.url.startswith("http:") and not _is_loopback(address.url):
        table.fault(secret, "is not sent over http to another machine, where others could read it: use https")
    if "password_file" in table and not address.username:
        table.fault("password_file", "is given without a username")
    return address, _read_common(table, str(address), _read_measurement)


def read_parquet(table: Section, folder: Path) -> tuple[Path, TableSettings]:
    """Settings of family "parquet"; faults go into the table's list, and then the value must not be used."""
    name = table.text("folder", most=LONGEST_PATH, check=bool, needed="the folder that holds the files") or ""
    return folder / name, _read_common(table, name, lambda _: {})


def _read_common(table: Section, place: str, more: Callable[[Section], dict[str, object]]) -> TableSettings:
    follow = table.flag("follow")
    since = table.instant("since")
    if follow is False:
        table.require("since", "where to begin, as follow = false reads what is there and no more")
    late_s = table.number("late_s", 0.0, 86_400.0, _S)
    settings = TableSettings(
        name=table.text("name") or place,
        follow=follow is not False,
        since_ns=None if since is None else round(since.timestamp() * 1e6) * 1000,
        late_s=5.0 if late_s is None else late_s,
        every_s=table.number("every_s", 0.2, 3600.0, _S) or 1.0,
        timeout_s=table.number("timeout_s", 0.5, 300.0, _S) or 10.0,
        valves=tuple(_read_valve(valve, more) for valve in table.sections("valve")),
    )
    table.close()
    return settings


def _read_valve(table: Section, more: Callable[[Section], dict[str, object]]) -> TableValve:
    valve = table.text("id", check=valid_valve, wanted=ID_WANTED, needed='the valve\'s id, as "press-4.platen"') or ""
    columns: list[Column] = []
    for channel in table.sections("channel"):
        name, unit = read_name_and_unit(channel, [one.name for one in columns])
        column = channel.text("column", check=bool, wanted="must not be empty") or name
        columns.append(Column(name, unit, column, *read_scaling(channel)))
        channel.close()
    made = TableValve(
        valve,
        tuple(columns),
        time_column=table.text("time_column", check=bool, wanted="must not be empty") or "time",
        **more(table),  # type: ignore[arg-type]
    )
    table.close()
    return made


def _read_query(table: Section) -> dict[str, object]:
    wanted = "must be one SELECT (or WITH ... SELECT) without ;"
    query = table.text("query", most=4000, check=_is_select, wanted=wanted, needed="the SELECT whose rows are read")
    return {"query": query or ""}


def _read_measurement(table: Section) -> dict[str, object]:
    tags = table.section("tags") if "tags" in table else None
    found = {} if tags is None else {key: tags.text(key) or "" for key in tags.keys}
    return {
        "measurement": table.text("measurement", check=bool, needed="the name of the measurement") or "",
        "tags": found,
    }


def _file(table: Section, key: str, credential: Callable[[str], Path]) -> Path | None:
    name = table.text(key, most=LONGEST_PATH, check=bool, wanted="must be a file name")
    return None if name is None else credential(name)


def _is_select(text: str) -> bool:
    return re.match(r"\s*(select|with)\b", text, re.IGNORECASE) is not None and ";" not in text


def _is_http(text: str) -> bool:
    try:
        parts = urlsplit(text)
        _ = parts.port
    except ValueError:
        return False
    return parts.scheme in {"http", "https"} and bool(parts.hostname) and "@" not in parts.netloc and not parts.query


def _is_loopback(url: str) -> bool:
    host = urlsplit(url).hostname or ""
    try:
        return host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
