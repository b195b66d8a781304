"""Modbus TCP: a request and the reply that belongs to it, on a socket of our own. It can build reads alone."""

from __future__ import annotations

import contextlib
import socket
import struct
import time

from asleft.instruments.modbus_address import TcpAddress
from asleft.instruments.modbus_port import ConnectionLost, NoReply, refuse_writes

_REQUEST = struct.Struct(">HHHBBHH")
"""MBAP header (transaction, protocol 0, length, unit), function code, first address, count (Modbus messaging on
TCP/IP, 3.1.3)."""
_HEADER = struct.Struct(">HHHB")
_LENGTH_OF_REQUEST = 6  # from the unit on
_LENGTHS = range(3, 255)
"""Of a reply, from the unit on: function code and one byte at least, a PDU of 253 bytes at most."""
_LONGEST_FRAME = 260


class ModbusTcp:
    """See `asleft.instruments.modbus_port.ModbusPort`, which it implements."""

    def __init__(self, address: TcpAddress, timeout_s: float) -> None:
        self._address = address
        self.timeout_s = timeout_s
        """For connecting, and from a request to the end of its reply (s)."""
        self._socket: socket.socket | None = None
        self._transaction = 0
        self._received = b""  # behind the last frame that was taken

    @property
    def connected(self) -> bool:
        """Whether it is open, as far as is known."""
        return self._socket is not None

    def connect(self) -> bool:
        """Open it; False if that is not possible."""
        self.close()
        try:
            self._socket = socket.create_connection((self._address.host, self._address.port), self.timeout_s)
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        except OSError:
            self.close()
            return False
        return True

    def close(self) -> None:
        """Close it."""
        closing, self._socket, self._received = self._socket, None, b""
        if closing is not None:
            with contextlib.suppress(OSError):
                closing.close()

    def ask(self, unit: int, code: int, address: int, count: int) -> bytes:
        """The reply to one request, from its function code on. See `ModbusPort.ask`."""
        refuse_writes(code)
        if self._socket is None:
            raise ConnectionLost("not connected")
        self._transaction = transaction = (self._transaction + 1) & 0xFFFF
        until_s = time.monotonic() + self.timeout_s
        try:
            self._socket.settimeout(self.timeout_s)
            self._socket.sendall(_REQUEST.pack(transaction, 0, _LENGTH_OF_REQUEST, unit, code, address, count))
            while time.monotonic() < until_s:
                replied, replying_unit, reply = self._next_frame(self._socket, until_s)
                if replied != transaction:
                    continue  # of a request that was given up, or of another client of a gateway that mixes them
                if replying_unit != unit:
                    raise NoReply(f"unit {replying_unit} replied")
                return reply
            raise TimeoutError
        except TimeoutError:
            raise NoReply(f"no reply within {self.timeout_s:g} s") from None
        except OSError as error:
            raise ConnectionLost(str(error)) from error

    def _next_frame(self, connection: socket.socket, until_s: float) -> tuple[int, int, bytes]:
        """Transaction, unit, and all behind them of the next whole frame."""
        received = self._received
        need = _HEADER.size
        while True:
            if len(received) >= _HEADER.size:
                transaction, protocol, length, unit = _HEADER.unpack_from(received)
                if protocol or length not in _LENGTHS:
                    raise NoReply("what came is not Modbus TCP")
                need = _HEADER.size - 1 + length
                if len(received) >= need:
                    self._received = received[need:]
                    return transaction, unit, received[_HEADER.size : need]
            connection.settimeout(max(until_s - time.monotonic(), 1e-3))
            came = connection.recv(_LONGEST_FRAME)
            if not came:
                raise ConnectionLost("the other side closed it")
            received += came
