from __future__ import annotations

import asyncio
import contextlib
import socket
import threading
from collections.abc import Awaitable, Callable, Iterator
from dataclasses import dataclass, field

import pytest
from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

Action = Callable[[int, int, int, int, list[int], object], Awaitable[ExcCodes | None]]


@dataclass
class Device:
    """A Modbus TCP server on a thread of its own; its registers are plain lists that a test may change."""

    inputs: list[int] = field(default_factory=lambda: [0] * 400)
    holdings: list[int] = field(default_factory=lambda: [0] * 100)
    port: int = 0
    on_read: Callable[[int, int, int], None] | None = None  # function code, address, count
    silent: bool = False
    _loop: asyncio.AbstractEventLoop | None = None
    _server: ModbusTcpServer | None = None
    _thread: threading.Thread | None = None

    async def _action(
        self, code: int, start: int, address: int, count: int, registers: list[int], new: object
    ) -> ExcCodes | None:
        if self.on_read is not None:
            self.on_read(code, address, count)
        while self.silent:
            await asyncio.sleep(0.01)
        if code in (3, 4):
            # Only the asked-for stretch: shifting a whole table for each reading would be slow.
            source = self.inputs if code == 4 else self.holdings
            registers[address - start : address - start + count] = source[address : address + count]
        return None

    def start(self) -> None:
        with socket.socket() as probe:
            if not self.port:
                probe.bind(("127.0.0.1", 0))
                self.port = probe.getsockname()[1]
        ready = threading.Event()
        self._thread = threading.Thread(target=self._run, args=(ready,), daemon=True)
        self._thread.start()
        assert ready.wait(10)

    def _run(self, ready: threading.Event) -> None:
        async def serve() -> None:
            self._loop = asyncio.get_running_loop()
            device = SimDevice(
                1,
                (
                    [SimData(0, values=[True, False] * 8, datatype=DataType.BITS)],
                    [SimData(0, values=[False, True, True, False] * 4, datatype=DataType.BITS)],
                    [SimData(0, values=self.holdings[:], datatype=DataType.REGISTERS)],
                    [SimData(0, values=self.inputs[:], datatype=DataType.REGISTERS)],
                ),
                action=self._action,
            )
            self._server = ModbusTcpServer(device, address=("127.0.0.1", self.port))
            await self._server.serve_forever(background=True)
            ready.set()
            await self._server.serving

        asyncio.run(serve())

    def stop(self) -> None:
        self.silent = False
        if self._loop is None or self._server is None or self._thread is None:
            return
        with contextlib.suppress(RuntimeError):
            asyncio.run_coroutine_threadsafe(self._server.shutdown(), self._loop).result(5)
        self._thread.join(5)
        self._loop = self._server = self._thread = None


@pytest.fixture
def device() -> Iterator[Device]:
    made = Device()
    made.start()
    yield made
    made.stop()


class Recorder:
    """A TCP proxy that notes every byte going to the server, and can tear the connection down."""

    def __init__(self, target_port: int) -> None:
        self._target_port = target_port
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self.sent = bytearray()
        self._pairs: list[socket.socket] = []
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        while True:
            try:
                client, _ = self._listener.accept()
            except OSError:
                return
            server = socket.create_connection(("127.0.0.1", self._target_port))
            self._pairs += [client, server]
            threading.Thread(target=self._copy, args=(client, server, True), daemon=True).start()
            threading.Thread(target=self._copy, args=(server, client, False), daemon=True).start()

    def _copy(self, source: socket.socket, target: socket.socket, note: bool) -> None:
        with contextlib.suppress(OSError):
            while data := source.recv(65536):
                if note:
                    self.sent += data
                target.sendall(data)
        for one in (source, target):
            with contextlib.suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)

    def drop(self) -> None:
        for one in self._pairs:
            with contextlib.suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)
            one.close()
        self._pairs = []

    def close(self) -> None:
        self._listener.close()
        self.drop()

    def function_codes(self) -> list[int]:
        """Function code of every request sent so far, taken apart from the bytes themselves."""
        codes = []
        data = bytes(self.sent)
        while data:
            assert data[2:4] == b"\0\0", "not the Modbus protocol"
            length = int.from_bytes(data[4:6], "big")
            codes.append(data[7])
            data = data[6 + length :]
        return codes


@pytest.fixture
def recorder(device: Device) -> Iterator[Recorder]:
    made = Recorder(device.port)
    yield made
    made.close()
