"""An address for machines that watch: /healthz, /readyz and /metrics. Off unless somebody names the address."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

from prometheus_client import CollectorRegistry, ProcessCollector, generate_latest
from prometheus_client.exposition import CONTENT_TYPE_LATEST
from prometheus_client.registry import Collector

MOST_AT_ONCE = 8
"""Requests answered at a time; more are hung up on."""
REQUEST_S = 5.0
"""How long a client may take to ask."""
_LOOK_FOR_END_S = 0.1
OK, NOT_OK = b"ok\n", b"not ok\n"


class BadAddress(ValueError):  # noqa: N818 - reads as what it says
    """No HOST:PORT, or it cannot be listened on."""


def host_and_port(text: str) -> tuple[str, int]:
    """Of HOST:PORT or [IPv6]:PORT. Raises `BadAddress`."""
    host, colon, port = text.rpartition(":")
    host = host.removeprefix("[").removesuffix("]")
    if not colon or not host or not port.isascii() or not port.isdigit() or int(port) > 65_535:
        raise BadAddress(f"{text!r}: HOST:PORT is expected, with a port up to 65535")
    return host, int(port)


class Endpoint:
    """Serves on threads of its own until `close`.

    `healthy`: the process does its work, restart it if not. `ready`: it can do it now, or waits for somebody else.
    """

    def __init__(
        self,
        address: str,
        collector: Collector,
        healthy: Callable[[], bool],
        ready: Callable[[], bool],
    ) -> None:
        """Listen. Raises `BadAddress`."""
        registry = CollectorRegistry()
        registry.register(collector)
        ProcessCollector(registry=registry)
        handler = _handler(registry, {"/healthz": healthy, "/readyz": ready})
        host, port = host_and_port(address)
        try:
            self._server = _server(host)((host, port), handler)
        except OSError as error:
            raise BadAddress(f"{address}: cannot be listened on: {error.strerror or error}") from error
        self.port: int = self._server.server_address[1]
        """The port, where 0 was asked for."""
        self._thread = threading.Thread(
            target=self._server.serve_forever, args=(_LOOK_FOR_END_S,), name="metrics", daemon=True
        )
        self._thread.start()

    def close(self) -> None:
        """Stop listening."""
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()


class _Server(ThreadingHTTPServer):
    daemon_threads = True
    request_queue_size = 16

    def __init__(self, address: tuple[str, int], handler: type[BaseHTTPRequestHandler]) -> None:
        self._free = threading.Semaphore(MOST_AT_ONCE)
        super().__init__(address, handler)

    def process_request(self, request: socket.socket | tuple[bytes, socket.socket], client_address: object) -> None:
        if self._free.acquire(blocking=False):
            super().process_request(request, client_address)
        else:
            self.shutdown_request(request)

    def process_request_thread(
        self, request: socket.socket | tuple[bytes, socket.socket], client_address: object
    ) -> None:
        try:
            super().process_request_thread(request, client_address)
        finally:
            self._free.release()

    def handle_error(self, request: object, client_address: object) -> None:
        """A client that vanishes is no event."""


class _Server6(_Server):
    address_family = socket.AF_INET6


def _server(host: str) -> type[_Server]:
    return _Server6 if ":" in host else _Server


def _handler(registry: CollectorRegistry, probes: dict[str, Callable[[], bool]]) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        timeout = REQUEST_S
        server_version, sys_version = "asleft", ""

        def do_GET(self) -> None:
            if self.path in probes:
                good = probes[self.path]()
                self._answer(200 if good else 503, "text/plain; charset=utf-8", OK if good else NOT_OK)
            elif self.path == "/metrics":
                self._answer(200, CONTENT_TYPE_LATEST, generate_latest(registry))
            else:
                self._answer(404, "text/plain; charset=utf-8", b"/healthz, /readyz, /metrics\n")

        def _answer(self, status: int, kind: str, body: bytes) -> None:
            self.send_response(status)
            self.send_header("Content-Type", kind)
            self.send_header("Content-Length", str(len(body)))
            self.send_header("Cache-Control", "no-store")
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - the library's name
            """Who asks is no event."""

    return Handler
