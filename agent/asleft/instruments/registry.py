"""The families of instruments, by the name that settings files use. A new family is one entry here."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from importlib.util import find_spec
from pathlib import Path

from asleft.instruments.broker import BrokerFilesError, password, tls_context
from asleft.instruments.csv_replay import CsvReplay, read_csv_settings
from asleft.instruments.feed import Feed
from asleft.instruments.modbus_address import ModbusAddress
from asleft.instruments.modbus_settings import read_modbus_settings, read_serial_line, read_tcp_address
from asleft.instruments.mqtt_in_settings import read_mqtt_in_settings
from asleft.instruments.opcua_settings import read_opcua_settings
from asleft.instruments.protocol import Instrument
from asleft.instruments.table_feed import RowSource, TableFeed
from asleft.instruments.table_settings import TableSettings, read_influxdb, read_parquet, read_postgres
from asleft.wire.settings import Section


@dataclass(frozen=True, slots=True)
class Places:
    """Where the files are that settings name."""

    settings: Path
    """Folder of the settings file; relative names count from it."""
    credential: Callable[[str], Path]
    """Where a certificate, key or password file of that name is."""


@dataclass(frozen=True, slots=True)
class Prepared:
    """An instrument as its settings describe it, not opened yet."""

    valves: tuple[str, ...]
    """Ids of its valves."""
    burst_every_s: float
    """How often to look for new bursts."""
    build: Callable[[], Sequence[Instrument | Feed]]
    """Makes the instrument, or one for each part of it that must not wait for another."""
    check: Callable[[], Sequence[str]] = list
    """What is wrong with files and libraries that the settings need, as sentences; none when all is well."""


def _modbus(read_address: Callable[[Section], ModbusAddress], table: Section, _places: Places) -> Prepared:
    settings = read_modbus_settings(table, read_address)

    def build() -> Sequence[Instrument]:
        # The Modbus library is loaded only where an instrument needs it.
        from asleft.instruments.modbus import build_instruments

        return build_instruments(settings)

    return Prepared(tuple(valve.valve for valve in settings.valves), settings.burst_every_s, build)


def _csv_replay(table: Section, places: Places) -> Prepared:
    settings = read_csv_settings(table)
    located = replace(settings, file=places.settings / settings.file)
    return Prepared((settings.valve,), 1.0, lambda: [CsvReplay(located)])


def _opcua(table: Section, places: Places) -> Prepared:
    _needs(table, "asyncua", "opcua")
    settings = read_opcua_settings(table, places.credential)

    def build() -> Sequence[Feed]:
        from asleft.instruments.opcua import OpcUaFeed

        return [OpcUaFeed(settings)]

    def check() -> list[str]:
        from asleft.instruments.opcua_client import FileFault, check_files

        try:
            asyncio.run(check_files(settings.address))
        except FileFault as fault:
            return [str(fault)]
        return []

    return Prepared(tuple(valve.valve for valve in settings.valves), 1.0, build, check)


def _mqtt_in(table: Section, places: Places) -> Prepared:
    settings = read_mqtt_in_settings(table, places.credential)

    def build() -> Sequence[Feed]:
        from asleft.instruments.mqtt_in import MqttInFeed

        return [MqttInFeed(settings)]

    def check() -> list[str]:
        try:
            password(settings.broker.password_file)
            if settings.broker.ca_file is not None:
                tls_context(settings.broker)
        except BrokerFilesError as error:
            return [str(error)]
        return []

    return Prepared(tuple(valve.valve for valve in settings.valves), 1.0, build, check)


def _postgresql(table: Section, places: Places) -> Prepared:
    _needs(table, "psycopg", "database")
    address, settings = read_postgres(table, places.credential)

    def connect() -> RowSource:
        from asleft.instruments.postgresql_rows import PostgresRows

        return PostgresRows(address, settings.timeout_s)

    return _table(settings, connect, (address.password_file, address.ca_file))


def _influxdb(table: Section, places: Places) -> Prepared:
    address, settings = read_influxdb(table, places.credential)

    def connect() -> RowSource:
        from asleft.instruments.influxdb_rows import InfluxRows

        return InfluxRows(address, settings.timeout_s)

    files = (address.token_file, address.password_file, address.ca_file)
    return _table(settings, connect, files)


def _parquet(table: Section, places: Places) -> Prepared:
    _needs(table, "pyarrow", "parquet")
    folder, settings = read_parquet(table, places.settings)

    def connect() -> RowSource:
        from asleft.instruments.parquet_rows import ParquetRows

        return ParquetRows(folder)

    return _table(settings, connect, (folder,))


def _table(
    settings: TableSettings,
    connect: Callable[[], RowSource],
    files: Sequence[Path | None],
) -> Prepared:
    def build() -> Sequence[Feed]:
        return [TableFeed(settings, connect)]

    def check() -> list[str]:
        return [
            f"{file}: there is no such file or folder" for file in files if file is not None and not file.exists()
        ]

    return Prepared(tuple(valve.valve for valve in settings.valves), 1.0, build, check)


def _needs(table: Section, module: str, extra: str) -> None:
    """A fault where the library of a family is not installed."""
    if find_spec(module) is None:
        table.fault("family", f"needs a library that is not installed: pip install 'asleft[{extra}]'")


FAMILIES: Mapping[str, Callable[[Section, Places], Prepared]] = {
    "modbus-tcp": partial(_modbus, read_tcp_address),
    "modbus-rtu": partial(_modbus, read_serial_line),
    "opc-ua": _opcua,
    "mqtt-in": _mqtt_in,
    "postgresql": _postgresql,
    "influxdb": _influxdb,
    "parquet": _parquet,
    "csv-replay": _csv_replay,
}
"""How to read the settings of each family; relative file names count from the folder of the settings file."""


def prepare(table: Section, places: Places) -> Prepared | None:
    """Settings of one `[[instrument]]` entry; faults go into the table's list, and then nothing must be built.

    None without a known family: which other keys there are is then not known either.
    """
    read = table.choice("family", FAMILIES, needed="which kind of instrument this is")
    return read(table, places) if read is not None else None
