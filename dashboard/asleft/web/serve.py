"""Serving the dashboard: on loopback as it is, on other addresses only once there are accounts."""

from __future__ import annotations

import errno
import ipaddress
import socket
from collections.abc import Callable

from asleft.web.secure import LARGEST_REQUEST_BYTES
from dash import Dash
from waitress.server import create_server

THREADS = 16
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
    """Answers until interrupted. From `proxy` (its address, or * for whoever connects) the forwarded headers count.

    Such headers of anybody else are thrown away, or anyone could claim any address to the throttle and the audit.
    """
    trusted = (
        {}
        if proxy is None
        else {"trusted_proxy": proxy, "trusted_proxy_headers": "x-forwarded-for x-forwarded-proto"}
    )
    server = create_server(
        app.server,
        sockets=[listener],
        threads=THREADS,
        ident="asleft",
        max_request_body_size=LARGEST_REQUEST_BYTES,
        clear_untrusted_proxy_headers=True,
        **trusted,
    )
    try:
        server.run()
    finally:
        server.close()
