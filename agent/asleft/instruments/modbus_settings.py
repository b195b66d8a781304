"""Settings of a Modbus instrument, over TCP or a serial line: the `[[instrument]]` table of an agent's file. Pure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from asleft.instruments.channel_settings import CHANNEL_WANTED, is_channel_name, read_name_and_unit, read_scaling
from asleft.instruments.modbus_address import (
    BAUD_RATES,
    FRAMINGS,
    PARITIES,
    ModbusAddress,
    SerialLine,
    TcpAddress,
)
from asleft.instruments.modbus_bursts import MAX_BURST_READINGS, BurstLayout
from asleft.instruments.modbus_registers import BIT_TABLES, KINDS, REGISTER_TABLES, TABLES, Point
from asleft.instruments.protocol import ValveForm
from asleft.wire.settings import Section
from asleft.wire.topics import ID_WANTED, valid_valve
from asleft.wire.units import Unit

ORDERS = ("high first", "low first")
"""Which register of a 32-bit or 64-bit number comes first, and which byte within a register."""


@dataclass(frozen=True, slots=True)
class ModbusValveSettings:
    """One valve behind a Modbus instrument."""

    valve: str
    unit: int
    """Unit identifier, 0..255; the instrument's when absent."""
    points: tuple[Point, ...]
    """Where each channel is found."""
    burst: BurstLayout | None = None
    """Where its bursts are buffered, if the instrument does that."""

    def form(self) -> ValveForm:
        """What the rest of the agent needs to know of it."""
        return ValveForm(self.valve, tuple(point.form() for point in self.points), self.burst is not None)


@dataclass(frozen=True, slots=True)
class ModbusSettings:
    """One Modbus instrument."""

    name: str
    """What messages call it; host:port or the serial device when absent."""
    address: ModbusAddress
    """Where it is asked."""
    timeout_s: float
    """How long to wait for a reply; 0.5 when absent."""
    bridge: int
    """Gaps of up to this many unconfigured registers are read along to save a request; 0 when absent. Only for a
    device known to answer for such registers."""
    burst_every_s: float
    """How often to look for new bursts; 1.0 when absent."""
    one_connection: bool
    """For a gateway that takes a single client: all units are asked in turn over one connection (and one for bursts).
    False when absent: each unit has its own, so that none waits for another. Always so on a serial line."""
    valves: tuple[ModbusValveSettings, ...]
    """The valves it serves."""


def read_tcp_address(table: Section) -> TcpAddress:
    """Keys of family "modbus-tcp" that say where."""
    host = table.text("host", check=bool, needed="a host name or address") or ""
    port = table.integer("port", 1, 65535) or 502
    return TcpAddress(host, port, rtu=table.word("framing", FRAMINGS) == "rtu")


def read_serial_line(table: Section) -> SerialLine:
    """Keys of family "modbus-rtu" that say where."""
    device = table.text("device", check=bool, needed="a serial port, as /dev/ttyUSB0") or ""
    baud_rate = table.integer("baud_rate", BAUD_RATES[0], BAUD_RATES[-1]) or 19200
    if baud_rate not in BAUD_RATES:
        table.fault("baud_rate", f"must be one of {', '.join(map(str, BAUD_RATES))}")
    parity = table.word("parity", PARITIES) or PARITIES[0]
    # Without parity a second stop bit keeps the character at 11 bits (Modbus over serial line, 2.5.1).
    return SerialLine(device, baud_rate, parity, table.integer("stop_bits", 1, 2) or (2 if parity == "none" else 1))


def read_modbus_settings(table: Section, read_address: Callable[[Section], ModbusAddress]) -> ModbusSettings:
    """Settings from the file; faults go into the table's list, and then the value must not be used."""
    address = read_address(table)
    unit = table.integer("unit", 0, 255)
    one_connection = table.flag("one_connection")
    settings = ModbusSettings(
        name=table.text("name") or str(address),
        address=address,
        timeout_s=table.number("timeout_s", 0.01, 30.0, Unit("s")) or 0.5,
        bridge=table.integer("bridge", 0, 120, "registers") or 0,
        burst_every_s=table.number("burst_every_s", 0.05, 3600.0, Unit("s")) or 1.0,
        one_connection=address.is_line if one_connection is None else one_connection,
        valves=tuple(_read_valve(valve, 1 if unit is None else unit) for valve in table.sections("valve")),
    )
    if address.is_line and not settings.one_connection:
        table.fault("one_connection", "must be left out: all units of a serial line share it")
    if address.is_line and any(valve.burst is not None for valve in settings.valves):
        table.fault("valve", "has a burst, which a serial line cannot carry beside the readings", "burst")
    table.close()
    return settings


def _read_valve(table: Section, unit: int) -> ModbusValveSettings:
    valve = table.text("id", check=valid_valve, wanted=ID_WANTED, needed='the valve\'s id, as "press-4.platen"') or ""
    own_unit = table.integer("unit", 0, 255)
    default_table = table.word("table", TABLES) or "input"
    orders = table.word("word_order", ORDERS) or ORDERS[0], table.word("byte_order", ORDERS) or ORDERS[0]
    points: list[Point] = []
    for channel in table.sections("channel"):
        name, unit_text = read_name_and_unit(channel, [point.name for point in points])
        points.append(_read_point(channel, name, unit_text, default_table, *orders))
    burst = _read_burst(table.section("burst")) if "burst" in table else None
    table.close()
    return ModbusValveSettings(valve, unit if own_unit is None else own_unit, tuple(points), burst)


def _read_point(table: Section, name: str, unit: str, default_table: str, word_order: str, byte_order: str) -> Point:
    where = table.word("table", TABLES) or default_table
    scale, offset = read_scaling(table)
    bits = where in BIT_TABLES
    kind = table.word("type", ("bit",) if bits else KINDS) or ("bit" if bits else "int16")
    point = Point(
        name=name,
        unit=unit,
        table=where,
        address=table.integer("register", 0, 65535, needed="the number of the register, from 0") or 0,
        kind=kind,
        high_word_first=(table.word("word_order", ORDERS) or word_order) == ORDERS[0],
        high_byte_first=(table.word("byte_order", ORDERS) or byte_order) == ORDERS[0],
        bit=table.integer("bit", 0, 15) or 0,
        bits=table.integer("bits", 1, 15) or 1,
        scale=scale,
        offset=offset,
    )
    for key in ("bit", "bits"):
        if key in table and (kind != "bit" or bits):
            table.fault(key, 'names a bit of a register, which needs type = "bit" and a register table')
    if point.bit + point.bits > 16:
        table.fault("bits", f"must be at most {16 - point.bit}: a register has no more from bit {point.bit} on")
    if point.address + point.width > 65536:
        table.fault("register", f'with type = "{kind}" reaches beyond 65535')
    table.close()
    return point


def _read_burst(table: Section) -> BurstLayout:
    scale, offset = read_scaling(table)
    usual = BurstLayout("current", "A", "input", (0,), 1, 1.0, 0.0)

    def register(key: str, default: int) -> int:
        found = table.integer(key, 0, 65535)
        return default if found is None else found

    buffers = table.integers("buffers", 0, 65535, most=4, needed="the first register of each buffer")
    layout = BurstLayout(
        channel=table.text("channel", check=is_channel_name, wanted=CHANNEL_WANTED) or usual.channel,
        unit=table.text("unit", most=32) or usual.unit,
        table=table.word("table", REGISTER_TABLES) or usual.table,
        buffers=buffers or usual.buffers,
        readings=table.integer("readings", 1, MAX_BURST_READINGS, needed="how many readings a buffer holds") or 1,
        scale=scale,
        offset=offset,
        sequence_before=register("sequence_before", usual.sequence_before),
        rate=register("rate", usual.rate),
        start=register("start", usual.start),
        count=register("count", usual.count),
        samples=register("samples", usual.samples),
        sequence_after=table.integer("sequence_after", 0, 65535),
    )
    for first in layout.buffers:
        if first + layout.length > 65536:
            table.fault("buffers", f"a buffer of {layout.length} registers at {first} would reach beyond 65535")
    table.close()
    return layout
