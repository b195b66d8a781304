"""Serving the dashboard: on loopback as it is, on other addresses only once there are accounts."""

from __future__ import annotations

import errno
import ipaddress
import socket
from collections.abc import Callable

from asleft.web.port import PortLimits, server_of
from asleft.web.secure import LARGEST_REQUEST_BYTES
from dash import Dash

THREADS = 48
"""Those that costly answers and passwords cannot take (`web.costly`) are for pages: more than half of them."""
TRIES = 20


class NotLoopbackError(ValueError):
    """The address asked for can be reached from other machines."""


class NoFreePortError(OSError):
    """Neither the port asked for nor those after it are free."""


def is_loopback(host: str) -> bool:
    """Whether only this machine itself can reach that address."""
    try:
        return host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def check_loopback(host: str, place: str) -> None:
    """Raises `NotLoopbackError` unless `host` is this machine's own loopback; where there are no accounts.

    `place` is what leads `asleft users` to the records: "--data DIR".
    """
    if not is_loopback(host):
        raise NotLoopbackError(
            f"--host {host}: can be reached from other machines, and there are no accounts yet, so whoever reached "
            f"it could read everything. Make one first:\n  asleft users add NAME --role administrator {place}\n"
            "or leave --host out, to serve this machine alone"
        )


def bind(host: str, port: int, taken: Callable[[int, int], None]) -> socket.socket:
    """A listening socket on `port`, or the next free one, after telling `taken(port, next)` for each taken.

    Port 0 takes any. Whether the address may be served at all is asked before. Raises `NoFreePortError`, `OSError`.
    """
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


def serve(app: Dash, listener: socket.socket, proxy: str | None = None) -> None:
    """Answers until interrupted. `proxy`: whose forwarded headers count, as `server_of` has it."""
    server = server_of(
        app.server, listener, threads=THREADS, largest_body=LARGEST_REQUEST_BYTES, proxy=proxy, limits=PortLimits()
    )
    try:
        server.run()
    finally:
        server.close()
