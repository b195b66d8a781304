"""The families of instruments, by the name that settings files use. A new family is one entry here."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from asleft.instruments.csv_replay import CsvReplay, read_csv_settings
from asleft.instruments.faults import Table
from asleft.instruments.modbus_settings import read_modbus_settings
from asleft.instruments.protocol import Instrument


@dataclass(frozen=True, slots=True)
class Prepared:
    """An instrument as its settings describe it, not opened yet."""

    valves: tuple[str, ...]
    """Ids of its valves."""
    burst_every_s: float
    """How often to look for new bursts."""
    build: Callable[[], Instrument]
    """Makes the instrument."""


def _modbus_tcp(table: Table, _folder: Path) -> Prepared:
    settings = read_modbus_settings(table)

    def build() -> Instrument:
        # The Modbus library is loaded only where an instrument needs it.
        from asleft.instruments.modbus_tcp import ModbusTcpInstrument

        return ModbusTcpInstrument(settings)

    return Prepared(tuple(valve.valve for valve in settings.valves), settings.burst_every_s, build)


def _csv_replay(table: Table, folder: Path) -> Prepared:
    settings = read_csv_settings(table)
    located = replace(settings, file=folder / settings.file)
    return Prepared((settings.valve,), 1.0, lambda: CsvReplay(located))


FAMILIES: Mapping[str, Callable[[Table, Path], Prepared]] = {
    "modbus-tcp": _modbus_tcp,
    "csv-replay": _csv_replay,
}
"""How to read the settings of each family; relative file names count from the folder of the settings file."""


def prepare(table: Table, folder: Path) -> Prepared:
    """Settings of one `[[instrument]]` entry; faults go into the table's list, and then nothing must be built."""
    family = table.choice("family", tuple(FAMILIES))
    return FAMILIES[family](table, folder)
