"""A gateway in front of several units, each of which answers, or misbehaves, as a test says. Plain sockets."""

from __future__ import annotations

import contextlib
import socket
import threading
from collections.abc import Callable

Answer = Callable[["Request"], "bytes | None"]
"""The bytes to send for a request; None for silence, empty to hang up."""


class Request:
    """One request as it came over the wire."""

    def __init__(self, frame: bytes) -> None:
        self.transaction, self.unit, self.code = frame[0:2], frame[6], frame[7]
        self.address, self.count = int.from_bytes(frame[8:10]), int.from_bytes(frame[10:12])

    def reply(self, pdu: bytes) -> bytes:
        """A frame of the right transaction and unit round any bytes."""
        return self.transaction + b"\0\0" + (len(pdu) + 1).to_bytes(2) + bytes([self.unit]) + pdu

    def registers(self, *, code: int | None = None, more: int = 0) -> bytes:
        """What was asked for, or with another function code, or with more registers than that."""
        data = b"".join((self.address + at).to_bytes(2) for at in range(self.count + more))
        return self.reply(bytes([code or self.code, len(data)]) + data)


def good(asked: Request) -> bytes:
    return asked.registers()


class Gateway:
    """Listens on a free port of loopback; each connection has a thread, so silence on one keeps no other waiting."""

    def __init__(self, units: dict[int, Answer]) -> None:
        self.units = units
        self.asked: list[int] = []
        self.connections = 0
        self._sockets: list[socket.socket] = []
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        while True:
            try:
                client, _ = self._listener.accept()
            except OSError:
                return
            self.connections += 1
            self._sockets.append(client)
            threading.Thread(target=self._serve, args=(client,), daemon=True).start()

    def _serve(self, client: socket.socket) -> None:
        with contextlib.suppress(OSError), client:
            while len(frame := client.recv(12)) == 12:
                asked = Request(frame)
                self.asked.append(asked.unit)
                answer = self.units[asked.unit](asked)
                if answer == b"":
                    return
                if answer is not None:
                    client.sendall(answer)

    def close(self) -> None:
        self._listener.close()
        for one in self._sockets:
            with contextlib.suppress(OSError):
                one.close()
