"""Modbus TCP in front of the live plant: one server per press, one unit per valve, reading only."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence

from asleft.sim.live import LivePlant
from asleft.sim.registers import BUFFER_LENGTH, BUFFERS, READ_CODES, READINGS, STATUS
from pymodbus.constants import ExcCodes
from pymodbus.pdu import DecodePDU, ExceptionResponse, ModbusPDU
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice


class PortTakenError(OSError):
    """A port cannot be listened on."""


class _Refused(ModbusPDU):
    """A request that is answered with exception 1, illegal function, whatever it contains."""

    def encode(self) -> bytes:
        return b""

    def decode(self, data: bytes) -> None:
        """Take any content."""

    async def datastore_update(self, context: object, device_id: int) -> ModbusPDU:
        return ExceptionResponse(self.function_code, ExcCodes.ILLEGAL_FUNCTION, device_id=device_id)


def refusals() -> list[type[ModbusPDU]]:
    """One refusing request per function code the protocol library knows, except those that are answered."""
    codes = sorted(set(DecodePDU.pdu_table) - set(READ_CODES))
    return [type(f"Refused{code}", (_Refused,), {"function_code": code}) for code in codes]


def device(plant: LivePlant, lane: int, unit: int) -> SimDevice:
    """The Modbus device of one valve: registers are looked up when they are read; all else is refused."""

    async def look_up(
        function_code: int,
        start_address: int,
        address: int,
        count: int,
        current_registers: list[int],
        set_values: list[int] | list[bool] | None,
    ) -> ExcCodes | None:
        if function_code not in READ_CODES or set_values is not None:
            return ExcCodes.ILLEGAL_FUNCTION
        if function_code == 2:
            current_registers[0] = plant.registers(lane)[STATUS]
        elif address < READINGS:
            current_registers[:READINGS] = plant.registers(lane)
        else:
            for first, words in zip(BUFFERS, plant.burst_buffers(lane), strict=True):
                touched = address < first + BUFFER_LENGTH and address + count > first
                if touched and words is not None and current_registers[first - start_address] != words[0]:
                    current_registers[first - start_address : first - start_address + BUFFER_LENGTH] = words
        return None

    def room(address: int, count: int) -> SimData:
        return SimData(address, values=[0] * count, datatype=DataType.REGISTERS, readonly=True)

    bits = SimData(0, values=[False] * 16, datatype=DataType.BITS, readonly=True)
    # The library wants all four tables to exist; coils and holding registers are never answered.
    tables = ([bits], [bits], [room(0, 1)], [room(0, READINGS), *(room(first, BUFFER_LENGTH) for first in BUFFERS)])
    return SimDevice(unit, simdata=tables, action=look_up)


class PressServers:
    """One listening server per press."""

    def __init__(self, plant: LivePlant, presses: Sequence[str], host: str, ports: Sequence[int]) -> None:
        self._plant = plant
        self._places = list(zip(presses, ports, strict=True))
        self._host = host
        self._servers: list[ModbusTcpServer] = []
        #: Press -> port it is served on, known once `start` is through.
        self.ports: dict[str, int] = {}

    def units(self, press: str) -> dict[int, int]:
        """Unit identifier -> lane of the valves of `press`: 1, 2, ... in the plant's order."""
        lanes = [lane for lane, model in enumerate(self._plant.models) if model.press_key == press]
        return dict(enumerate(lanes, start=1))

    async def start(self) -> None:
        """Listen on all ports. Raises PortTakenError naming the first that cannot be had; none stays open then."""
        for press, port in self._places:
            devices = [device(self._plant, lane, unit) for unit, lane in self.units(press).items()]
            server = ModbusTcpServer(devices, address=(self._host, port), custom_pdu=refusals())
            if not await server.listen():
                await self.stop()
                raise PortTakenError(
                    f"cannot listen on {self._host}:{port} for {press}: the port is taken or not allowed"
                )
            self._servers.append(server)
            transport = server.transport
            self.ports[press] = (
                transport.sockets[0].getsockname()[1] if isinstance(transport, asyncio.Server) else port
            )

    async def stop(self) -> None:
        """Close all servers and their connections."""
        for server in self._servers:
            await server.shutdown()  # type: ignore[no-untyped-call]
        self._servers.clear()
