"""Modbus TCP: a request and the reply that belongs to it, on a socket of our own. It can build reads alone."""

from __future__ import annotations

import contextlib
import socket
import struct
import threading
import time

from asleft.instruments.modbus_address import TcpAddress
from asleft.instruments.modbus_port import ConnectionLost, NoReply, refuse_writes
from asleft.instruments.steps import Steps, Wait

_REQUEST = struct.Struct(">HHHBBHH")
"""MBAP header (transaction, protocol 0, length, unit), function code, first address, count (Modbus messaging on
TCP/IP, 3.1.3)."""
_HEADER = struct.Struct(">HHHB")
_LENGTH_OF_REQUEST = 6  # from the unit on
_LENGTHS = range(3, 255)
"""Of a reply, from the unit on: function code and one byte at least, a PDU of 253 bytes at most."""
_LONGEST_FRAME = 260

_SO_TIMESTAMPNS = 35
"""Linux: what is received comes with the wall clock's time of its arrival (socket(7)). Python has no name for it."""
_ARRIVAL = struct.Struct("@ll")  # s, ns, as wide as the machine's long
_ROOM_FOR_ARRIVAL = socket.CMSG_SPACE(_ARRIVAL.size)


class ModbusTcp:
    """See `asleft.instruments.modbus_port.ModbusPort`, which it implements."""

    def __init__(self, address: TcpAddress, timeout_s: float) -> None:
        self._address = address
        self.timeout_s = timeout_s
        """For connecting, and from a request to the end of its reply (s)."""
        self.replied_ns = 0
        self._socket: socket.socket | None = None
        self._transaction = 0
        self._received = b""  # behind the last frame that was taken

    @property
    def connected(self) -> bool:
        """Whether it is open, as far as is known."""
        return self._socket is not None

    def connect(self) -> Steps[bool]:
        """Open it; False if that is not possible. A thread does it: looking up a name cannot be done in steps."""
        self.close()
        opened: list[socket.socket] = []
        ended, ending = socket.socketpair()
        threading.Thread(target=self._open, args=(opened, ending), name="connect", daemon=True).start()
        with ended:
            while not _at_end(ended):
                yield Wait(ended.fileno(), time.monotonic_ns() + 1_000_000_000)
        self._socket = opened[0] if opened else None
        return self.connected

    def _open(self, opened: list[socket.socket], ending: socket.socket) -> None:
        with ending, contextlib.suppress(OSError):
            made = socket.create_connection((self._address.host, self._address.port), self.timeout_s)
            made.setblocking(False)
            made.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            with contextlib.suppress(OSError):  # without it a reply counts as come when it is taken
                made.setsockopt(socket.SOL_SOCKET, _SO_TIMESTAMPNS, 1)
            opened.append(made)

    def close(self) -> None:
        """Close it."""
        closing, self._socket, self._received = self._socket, None, b""
        if closing is not None:
            with contextlib.suppress(OSError):
                closing.close()

    def ask(self, unit: int, code: int, address: int, count: int) -> Steps[bytes]:
        """The reply to one request, from its function code on. See `ModbusPort.ask`."""
        refuse_writes(code)
        connection = self._socket
        if connection is None:
            raise ConnectionLost("not connected")
        self._transaction = transaction = (self._transaction + 1) & 0xFFFF
        asked_ns = time.monotonic_ns()
        until_ns = asked_ns + int(1e9 * self.timeout_s)
        request = _REQUEST.pack(transaction, 0, _LENGTH_OF_REQUEST, unit, code, address, count)
        try:
            if connection.send(request) != len(request):
                raise NoReply("it takes no request")
            wait = Wait(connection.fileno(), until_ns)
            while True:
                yield wait
                with contextlib.suppress(BlockingIOError):
                    self._receive(connection, asked_ns)
                while (frame := self._next_frame()) is not None:
                    replied, replying_unit, reply = frame
                    if replied != transaction:
                        continue  # of a request that was given up, or of another client of a gateway that mixes them
                    if replying_unit != unit:
                        raise NoReply(f"unit {replying_unit} replied")
                    return reply
                if time.monotonic_ns() >= until_ns:
                    raise NoReply(f"no reply within {self.timeout_s:g} s")
        except BlockingIOError:
            raise NoReply("it takes no request") from None
        except OSError as error:
            raise ConnectionLost(str(error)) from error

    def _receive(self, connection: socket.socket, asked_ns: int) -> None:
        """Take what has come, and when it came."""
        came, beside, _, _ = connection.recvmsg(_LONGEST_FRAME, _ROOM_FOR_ARRIVAL)
        if not came:
            raise ConnectionLost("the other side closed it")
        self._received += came
        self.replied_ns = now_ns = time.monotonic_ns()
        if beside:
            seconds, rest_ns = _ARRIVAL.unpack_from(beside[0][2])
            arrived_ns = now_ns - (time.time_ns() - seconds * 1_000_000_000 - rest_ns)
            # A wall clock that was set in between would put it elsewhere.
            if asked_ns <= arrived_ns <= now_ns:
                self.replied_ns = arrived_ns

    def _next_frame(self) -> tuple[int, int, bytes] | None:
        """Transaction, unit, and all behind them of the next frame; None while it is not whole."""
        received = self._received
        if len(received) < _HEADER.size:
            return None
        transaction, protocol, length, unit = _HEADER.unpack_from(received)
        if protocol or length not in _LENGTHS:
            raise NoReply("what came is not Modbus TCP")
        end = _HEADER.size - 1 + length
        if len(received) < end:
            return None
        self._received = received[end:]
        return transaction, unit, received[_HEADER.size : end]


def _at_end(stream: socket.socket) -> bool:
    """Whether the other end of a pair was closed."""
    try:
        return not stream.recv(1, socket.MSG_DONTWAIT)
    except BlockingIOError:
        return False
