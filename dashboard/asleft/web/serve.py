"""Serving the dashboard on this machine: loopback only, as there are no accounts yet."""

from __future__ import annotations

import errno
import ipaddress
import socket
from collections.abc import Callable

from dash import Dash
from waitress.server import create_server

THREADS = 16
TRIES = 20


class NotLoopbackError(ValueError):
    """The address asked for can be reached from other machines."""


class NoFreePortError(OSError):
    """Neither the port asked for nor those after it are free."""


def check_loopback(host: str) -> None:
    """Raises `NotLoopbackError` unless `host` is this machine's own loopback."""
    try:
        own = host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        own = False
    if not own:
        raise NotLoopbackError(
            f"--host {host}: only the machine's own addresses (127.0.0.1, ::1, localhost) are served, because the "
            "dashboard has no accounts and whoever reached it could read everything"
        )


def bind(host: str, port: int, taken: Callable[[int, int], None]) -> socket.socket:
    """A listening socket on `port`, or the next free one, after telling `taken(port, next)` for each taken.

    Port 0 takes any. Raises `NotLoopbackError`, `NoFreePortError`.
    """
    check_loopback(host)
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    for candidate in range(port, port + TRIES):
        if candidate > 65_535:
            break
        listener = socket.socket(family, socket.SOCK_STREAM)
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listener.bind((host, candidate))
            listener.listen(128)
        except OSError as error:
            listener.close()
            if error.errno not in (errno.EADDRINUSE, errno.EACCES):
                raise
            taken(candidate, candidate + 1)
            continue
        return listener
    raise NoFreePortError(f"no free port from {port} to {min(port + TRIES - 1, 65_535)}; name another with --port")


def address(listener: socket.socket) -> str:
    """What to type into the browser."""
    host, port = listener.getsockname()[:2]
    return f"http://[{host}]:{port}/" if ":" in host else f"http://{host}:{port}/"


def serve(app: Dash, listener: socket.socket) -> None:
    """Answers until interrupted."""
    server = create_server(app.server, sockets=[listener], threads=THREADS, ident="asleft")
    try:
        server.run()
    finally:
        server.close()
