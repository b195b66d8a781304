"""A Modbus instrument: slow readings on one connection, bursts on another, and both for each unit; or one for all."""

from __future__ import annotations

import logging
from dataclasses import replace
from functools import partial

from asleft.instruments.modbus_address import TcpAddress
from asleft.instruments.modbus_bursts import BurstReader
from asleft.instruments.modbus_link import ModbusLink, ReadFailed, UnitPatience
from asleft.instruments.modbus_registers import RegisterMap
from asleft.instruments.modbus_settings import ModbusSettings
from asleft.instruments.protocol import Reading, ValveForm
from asleft.instruments.steps import Steps, finish
from asleft.wire.block import Burst, Reason

logger = logging.getLogger(__name__)


def build_instruments(settings: ModbusSettings) -> list[ModbusInstrument]:
    """One for each unit, so that each has a thread and connections of its own and none waits for another.

    With `one_connection` a single one for all.
    """
    units = sorted({valve.unit for valve in settings.valves})
    if len(units) == 1 or settings.one_connection:
        return [ModbusInstrument(settings, neighbours=len(units) - 1)]
    said_s: dict[object, float] = {}  # an address that does not answer is one line and not one for each unit
    return [
        ModbusInstrument(
            replace(
                settings,
                name=f"{settings.name} unit {unit}",
                valves=tuple(valve for valve in settings.valves if valve.unit == unit),
            ),
            neighbours=1,
            said_s=said_s,
        )
        for unit in units
    ]


class ModbusInstrument:
    """See `asleft.instruments.protocol.Instrument`, which it implements."""

    def __init__(
        self, settings: ModbusSettings, neighbours: int = 0, said_s: dict[object, float] | None = None
    ) -> None:
        """`neighbours`: how many other units may have to wait for one that is silent; see `UnitPatience`.

        `said_s`: when its connections last logged what, shared with other instruments at the same address.
        """
        self._settings = settings
        self._said_s = {} if said_s is None else said_s
        self._patience = {valve.unit: UnitPatience(settings.timeout_s, neighbours) for valve in settings.valves}
        self._forms = tuple(valve.form() for valve in settings.valves)
        self._maps = [(valve.unit, RegisterMap(valve.points, settings.bridge)) for valve in settings.valves]
        self._link = self._new_link()
        self._burst_link = self._new_link()
        self._burst_readers = [
            BurstReader(valve.burst, partial(self._burst_link.read, valve.unit)) if valve.burst is not None else None
            for valve in settings.valves
        ]

    @property
    def name(self) -> str:
        """What the settings call it."""
        return self._settings.name

    @property
    def valves(self) -> tuple[ValveForm, ...]:
        """The valves it serves."""
        return self._forms

    def open(self) -> None:
        """Nothing to do: the first reading connects."""

    @property
    def never_blocks(self) -> bool:
        """A line's library waits for replies itself."""
        address = self._settings.address
        return isinstance(address, TcpAddress) and not address.rtu

    def read_once(self, index: int) -> Reading:
        """What `reading` returns, waited for on this thread."""
        return finish(self.reading(index))

    def reading(self, index: int) -> Steps[Reading]:
        """All channels of one valve, now; what failed is marked with its reason."""
        unit, register_map = self._maps[index]
        replies: list[list[int] | Reason] = []
        for read in register_map.reads:
            try:
                replies.append((yield from self._link.reading(unit, read)))
            except ReadFailed as failure:
                replies.append(failure.reason)
        return register_map.decode(replies, self._link.replied_ns)

    def read_bursts(self, index: int) -> list[Burst]:
        """New bursts of one valve; none while the instrument does not answer."""
        reader = self._burst_readers[index]
        if reader is None:
            return []
        torn, lost = reader.torn, reader.lost
        try:
            bursts = reader.take_new()
        except ReadFailed as failure:
            logger.debug("%s: no bursts: %s", self.name, failure)
            return []
        if reader.lost > lost:
            logger.warning(
                "%s: gave up %d bursts of %s (%d torn readings)",
                self.name,
                reader.lost - lost,
                self._forms[index].valve,
                reader.torn - torn,
            )
        return bursts

    def close(self) -> None:
        """Close both connections."""
        self._link.close()
        self._burst_link.close()

    def _new_link(self) -> ModbusLink:
        settings = self._settings
        return ModbusLink(settings.address, settings.timeout_s, self._patience, said_s=self._said_s)
