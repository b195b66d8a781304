"""A TCP proxy on loopback whose link can be cut, black-holed and slowed."""

from __future__ import annotations

import selectors
import socket
import threading
import time


class Proxy:
    """Forwards to a port that may change its owner; one thread for all connections."""

    def __init__(self, target_port: int) -> None:
        self._target = target_port
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._server.getsockname()[1]
        self.mode = "open"
        """`open`, `cut` (refused and broken), `black hole` (nothing passes, nothing is said) or `slow`."""
        self.slow_bytes_per_s = 4_000.0
        self._pairs: dict[socket.socket, socket.socket] = {}
        self._waiting: dict[socket.socket, bytes] = {}  # taken from one side, not yet given to the other
        self._selector = selectors.DefaultSelector()
        self._selector.register(self._server, selectors.EVENT_READ)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def cut(self) -> None:
        """Break every connection and take no new one until `heal`."""
        self.mode = "cut"

    def black_hole(self) -> None:
        """Let nothing pass, in either direction, and tell nobody."""
        self.mode = "black hole"

    def slow(self) -> None:
        """Let a trickle pass."""
        self.mode = "slow"

    def heal(self) -> None:
        """As if nothing had been."""
        self.mode = "open"

    def close(self) -> None:
        """End it."""
        self._stop.set()
        self._thread.join()
        self._drop_all()
        self._server.close()

    def _run(self) -> None:
        while not self._stop.is_set():
            if self.mode == "cut":
                self._drop_all()
            if self.mode == "black hole":
                time.sleep(0.02)
                continue
            for key, _ in self._selector.select(0.02):
                if key.fileobj is self._server:
                    self._accept()
                else:
                    self._read(key.fileobj)  # type: ignore[arg-type]
            for side in list(self._waiting):
                self._pass_on(side)
            if self.mode == "slow":
                time.sleep(0.05)

    def _accept(self) -> None:
        client, _ = self._server.accept()
        if self.mode == "cut":
            client.close()
            return
        try:
            far = socket.create_connection(("127.0.0.1", self._target), 1.0)
        except OSError:
            client.close()
            return
        for side, other in ((client, far), (far, client)):
            side.setblocking(False)
            self._pairs[side] = other
            self._selector.register(side, selectors.EVENT_READ)

    def _read(self, side: socket.socket) -> None:
        if side not in self._pairs or len(self._waiting.get(side, b"")) > 100_000:
            return
        try:
            data = side.recv(65_536)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if not data:
            self._drop(side)
            return
        self._waiting[side] = self._waiting.get(side, b"") + data

    def _pass_on(self, side: socket.socket) -> None:
        other, data = self._pairs.get(side), self._waiting.pop(side, b"")
        if other is None or not data:
            return
        most = int(self.slow_bytes_per_s * 0.05) if self.mode == "slow" else len(data)
        try:
            sent = other.send(data[:most])
        except BlockingIOError:
            sent = 0
        except OSError:
            self._drop(side)
            return
        if sent < len(data):
            self._waiting[side] = data[sent:]

    def _drop(self, side: socket.socket) -> None:
        for one in (side, self._pairs.get(side)):
            if one is not None and one in self._pairs:
                self._selector.unregister(one)
                self._pairs.pop(one)
                self._waiting.pop(one, None)
                one.close()

    def _drop_all(self) -> None:
        for side in list(self._pairs):
            self._drop(side)
