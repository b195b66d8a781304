"""A Modbus server that is not ours: libmodbus (Debian's libmodbus5) through ctypes, on TCP or a serial line."""

from __future__ import annotations

import ctypes
import os
import select
import socket
import threading
import tty
from collections.abc import Callable
from ctypes import POINTER, c_char, c_char_p, c_int, c_uint8, c_uint16, c_void_p

_LIBRARY = "libmodbus.so.5"
_LONGEST = 260  # MODBUS_TCP_MAX_ADU_LENGTH


class _Mapping(ctypes.Structure):
    """`modbus_mapping_t` of modbus.h."""

    _fields_ = (
        ("nb_bits", c_int),
        ("start_bits", c_int),
        ("nb_input_bits", c_int),
        ("start_input_bits", c_int),
        ("nb_input_registers", c_int),
        ("start_input_registers", c_int),
        ("nb_registers", c_int),
        ("start_registers", c_int),
        ("tab_bits", POINTER(c_uint8)),
        ("tab_input_bits", POINTER(c_uint8)),
        ("tab_input_registers", POINTER(c_uint16)),
        ("tab_registers", POINTER(c_uint16)),
    )


def _load() -> ctypes.CDLL:
    library = ctypes.CDLL(_LIBRARY, use_errno=True)
    library.modbus_new_tcp.restype = c_void_p
    library.modbus_new_tcp.argtypes = [c_char_p, c_int]
    library.modbus_new_rtu.restype = c_void_p
    library.modbus_new_rtu.argtypes = [c_char_p, c_int, c_char, c_int, c_int]
    library.modbus_mapping_new.restype = POINTER(_Mapping)
    for name in ("set_slave", "tcp_listen", "tcp_accept", "connect", "receive", "reply", "close", "free"):
        getattr(library, f"modbus_{name}").argtypes = None
    return library


class LibmodbusServer:
    """Answers as one unit until `stop`. `inputs` and `holdings` are its registers, `silent` lets it hear and say
    nothing, as a unit that hangs does."""

    def __init__(self, unit: int = 1) -> None:
        self._library = _load()
        self._unit = unit
        self._mapping = self._library.modbus_mapping_new(16, 16, 400, 400)
        self.inputs = self._mapping.contents.tab_input_registers
        self.holdings = self._mapping.contents.tab_registers
        self.silent = False
        self.requests = 0
        self._stop = threading.Event()
        self._threads: list[threading.Thread] = []
        self._open_fds: list[int] = []

    def on_line(self, device: str, baud_rate: int = 19200) -> None:
        """Serve RTU on a serial port."""
        context = c_void_p(self._library.modbus_new_rtu(device.encode(), baud_rate, b"N", 8, 1))
        self._library.modbus_set_slave(context, self._unit)
        assert self._library.modbus_connect(context) == 0
        self._run(lambda: self._serve(context))

    def on_tcp(self) -> int:
        """Serve Modbus TCP on a free port of loopback; the port."""
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port: int = probe.getsockname()[1]
        context = c_void_p(self._library.modbus_new_tcp(b"127.0.0.1", port))
        listening = c_int(self._library.modbus_tcp_listen(context, 4))
        assert listening.value >= 0

        def accept() -> None:
            while not self._stop.is_set():
                if select.select([listening.value], [], [], 0.05)[0]:
                    self._library.modbus_tcp_accept(context, ctypes.byref(listening))
                    self._serve(context)
            os.close(listening.value)

        self._run(accept)
        return port

    def _run(self, work: Callable[[], None]) -> None:
        thread = threading.Thread(target=work, daemon=True)
        thread.start()
        self._threads.append(thread)

    def _serve(self, context: c_void_p) -> None:
        request = (c_uint8 * _LONGEST)()
        self._library.modbus_get_socket.argtypes = [c_void_p]
        while not self._stop.is_set():
            if not select.select([self._library.modbus_get_socket(context)], [], [], 0.05)[0]:
                continue
            length = self._library.modbus_receive(context, request)
            if length < 0:
                if ctypes.get_errno() in {0, 104}:  # ECONNRESET: the client has gone
                    return
                continue
            self.requests += 1
            if not self.silent and length > 0:
                self._library.modbus_reply(context, request, length, self._mapping)
        self._library.modbus_close(context)

    def stop(self) -> None:
        """End its threads."""
        self._stop.set()
        for thread in self._threads:
            thread.join(5)


class Line:
    """Two pseudo-terminals joined by a copying thread: a serial line with a port at each end."""

    def __init__(self) -> None:
        self._masters: list[int] = []
        self.ports: list[str] = []
        self._slaves: list[int] = []
        for _ in range(2):
            master, slave = os.openpty()
            tty.setraw(master)
            tty.setraw(slave)
            self._masters.append(master)
            self._slaves.append(slave)  # kept open, else the master reads an error between two openings
            self.ports.append(os.ttyname(slave))
        self._stop = threading.Event()
        self.noise = b""
        """Bytes that the line puts before the next thing it carries."""
        self._thread = threading.Thread(target=self._copy, daemon=True)
        self._thread.start()

    def _copy(self) -> None:
        while not self._stop.is_set():
            for source in select.select(self._masters, [], [], 0.05)[0]:
                target = self._masters[1 - self._masters.index(source)]
                noise, self.noise = self.noise, b""
                os.write(target, noise + os.read(source, 4096))

    def close(self) -> None:
        """End the copying and close all ends."""
        self._stop.set()
        self._thread.join(5)
        for fd in (*self._masters, *self._slaves):
            os.close(fd)


class SerialServer:
    """What passes a serial line through to TCP, byte by byte, for one client at a time."""

    def __init__(self, device: str) -> None:
        self._fd = os.open(device, os.O_RDWR | os.O_NOCTTY)
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        while not self._stop.is_set():
            if not select.select([self._listener], [], [], 0.05)[0]:
                continue
            client, _ = self._listener.accept()
            with client:
                while not self._stop.is_set():
                    ready = select.select([client, self._fd], [], [], 0.05)[0]
                    if self._fd in ready:
                        client.sendall(os.read(self._fd, 4096))
                    if client in ready:
                        data = client.recv(4096)
                        if not data:
                            break
                        os.write(self._fd, data)

    def close(self) -> None:
        """End it."""
        self._stop.set()
        self._thread.join(5)
        self._listener.close()
        os.close(self._fd)
