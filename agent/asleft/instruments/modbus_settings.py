"""Settings of a Modbus TCP instrument: the `[[instrument]]` table of an agent's file. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from asleft.instruments.faults import Table
from asleft.instruments.modbus_bursts import MAX_BURST_READINGS, BurstLayout
from asleft.instruments.modbus_registers import BIT_TABLES, KINDS, REGISTER_TABLES, TABLES, Point
from asleft.instruments.protocol import ValveForm
from asleft.wire.topics import valid_valve

WORD_ORDERS = ("high first", "low first")
"""Which register of a 32-bit number comes first."""

_SCALE_LIMIT = 1e9
_VALVE_RULE = "allowed are a-z, 0-9, '-' and '.', a letter or digit at both ends, at most 64 characters"


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
    """One Modbus TCP instrument."""

    name: str
    """What messages call it; host:port when absent."""
    host: str
    """Name or address."""
    port: int
    """TCP port; 502 when absent."""
    timeout_s: float
    """How long to wait for a reply; 0.5 when absent."""
    bridge: int
    """Gaps of up to this many unconfigured registers are read along to save a request; 0 when absent. Only for a
    device known to answer for such registers."""
    burst_every_s: float
    """How often to look for new bursts; 1.0 when absent."""
    valves: tuple[ModbusValveSettings, ...]
    """The valves it serves."""


def read_modbus_settings(table: Table) -> ModbusSettings:
    """Settings from the file; faults go into the table's list, and then the value must not be used."""
    host = table.text("host", check=bool, rule="a host name or address is needed")
    port = table.integer("port", 1, 65535, 502)
    unit = table.integer("unit", 0, 255, 1)
    settings = ModbusSettings(
        name=table.text("name", f"{host}:{port}"),
        host=host,
        port=port,
        timeout_s=table.number("timeout_s", 0.01, 30.0, 0.5),
        bridge=table.integer("bridge", 0, 120, 0),
        burst_every_s=table.number("burst_every_s", 0.05, 3600.0, 1.0),
        valves=tuple(_read_valve(valve, unit) for valve in table.tables("valve")),
    )
    table.done()
    return settings


def _read_valve(table: Table, unit: int) -> ModbusValveSettings:
    valve = table.text("id", check=valid_valve, rule=_VALVE_RULE)
    own_unit = table.integer("unit", 0, 255, unit)
    default_table = table.choice("table", TABLES, "input")
    word_order = table.choice("word_order", WORD_ORDERS, WORD_ORDERS[0])
    points = tuple(_read_point(channel, default_table, word_order) for channel in table.tables("channel"))
    for name in sorted({point.name for point in points if sum(other.name == point.name for other in points) > 1}):
        table.fault("channel", f"has two entries of name {name!r}")
    burst = _read_burst(table.table("burst")) if table.has("burst") else None
    table.done()
    return ModbusValveSettings(valve, own_unit, points, burst)


def _read_point(table: Table, default_table: str, word_order: str) -> Point:
    name = table.text("name", check=_is_channel_name, rule="allowed are a-z, 0-9, '_', '-' and '.', at most 64")
    where = table.choice("table", TABLES, default_table)
    scale, offset = _read_scaling(table)
    bits = where in BIT_TABLES
    kind = table.choice("type", ("bit",) if bits else tuple(KINDS), "bit" if bits else "int16")
    point = Point(
        name=name,
        unit=table.text("unit", "1", check=lambda text: len(text) <= 32, rule="at most 32 characters"),
        table=where,
        address=table.integer("register", 0, 65535),
        kind=kind,
        high_word_first=table.choice("word_order", WORD_ORDERS, word_order) == WORD_ORDERS[0],
        bit=table.integer("bit", 0, 15, 0),
        scale=scale,
        offset=offset,
    )
    if table.has("bit") and (kind != "bit" or bits):
        table.fault("bit", 'names a bit of a register, which needs type = "bit" and a register table')
    if point.address + point.width > 65536:
        table.fault("register", f"is {point.address}, a {kind} there would reach beyond 65535")
    table.done()
    return point


def _read_burst(table: Table) -> BurstLayout:
    scale, offset = _read_scaling(table)
    defaults = BurstLayout("", "", "input", (0,), 1, 1.0, 0.0)
    layout = BurstLayout(
        channel=table.text("channel", "current", check=_is_channel_name, rule="that is no channel name"),
        unit=table.text("unit", "A", check=lambda text: len(text) <= 32, rule="at most 32 characters"),
        table=table.choice("table", REGISTER_TABLES, "input"),
        buffers=table.integers("buffers", 0, 65535, 1, 4),
        readings=table.integer("readings", 1, MAX_BURST_READINGS),
        scale=scale,
        offset=offset,
        sequence_before=table.integer("sequence_before", 0, 65535, defaults.sequence_before),
        rate=table.integer("rate", 0, 65535, defaults.rate),
        start=table.integer("start", 0, 65535, defaults.start),
        count=table.integer("count", 0, 65535, defaults.count),
        samples=table.integer("samples", 0, 65535, defaults.samples),
        sequence_after=table.integer("sequence_after", 0, 65535) if table.has("sequence_after") else None,
    )
    for first in layout.buffers:
        if first + layout.length > 65536:
            table.fault("buffers", f"a buffer of {layout.length} registers at {first} would reach beyond 65535")
    table.done()
    return layout


def _read_scaling(table: Table) -> tuple[float, float]:
    """Scale and offset: given as such, or by two counts and the values they stand for, as data sheets do."""
    if not (table.has("counts") or table.has("values")):
        scale = table.number("scale", -_SCALE_LIMIT, _SCALE_LIMIT, 1.0)
        offset = table.number("offset", -_SCALE_LIMIT, _SCALE_LIMIT, 0.0)
        if scale == 0:
            table.fault("scale", "is 0, so that every reading would be the same")
        return scale, offset
    for key in ("scale", "offset"):
        if table.has(key):
            table.fault(key, "is given beside counts and values, which say the same")
    counts = table.pair("counts", -_SCALE_LIMIT, _SCALE_LIMIT)
    values = table.pair("values", -_SCALE_LIMIT, _SCALE_LIMIT)
    if counts[0] == counts[1] or values[0] == values[1]:
        table.fault("counts", "and values must each hold two different numbers")
        return 1.0, 0.0
    scale = (values[1] - values[0]) / (counts[1] - counts[0])
    return scale, values[0] - scale * counts[0]


def _is_channel_name(text: str) -> bool:
    return 1 <= len(text) <= 64 and all(letter in "abcdefghijklmnopqrstuvwxyz0123456789_-." for letter in text)
