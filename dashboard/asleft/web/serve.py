"""Serving the dashboard: the address, the port and its limits; beyond loopback only once there are accounts."""

from __future__ import annotations

import errno
import ipaddress
import socket
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from asleft.web.secure import LARGEST_REQUEST_BYTES
from dash import Dash
from waitress.adjustments import Adjustments
from waitress.channel import HTTPChannel
from waitress.server import TcpWSGIServer
from waitress.task import ThreadedTaskDispatcher

# The port: how many connections are held, how long a request may take to arrive, and an answer to be fetched.
#
# waitress alone keeps every connection that is not silent, a hundred in all and then no more, so that unfinished
# requests of one machine shut everybody out. Here a request has to arrive in time however slowly it trickles, one
# address has a share, and where all places are taken the oldest unfinished request makes room for the new one.


@dataclass(frozen=True, slots=True)
class PortLimits:
    """What one connection may take. Browsers open six to a server (as browsers do; no standard says so)."""

    header_s: float = 20.0
    """From a connection's or request's first sign until its head is there."""
    body_s: float = 60.0
    """From the same moment until all of it is there: 2 MB in a minute is less than a telephone line carries."""
    fetch_s: float = 60.0
    """How long an answer may lie without a byte of it being fetched."""
    idle_s: float = 75.0
    """How long a connection is kept between two requests."""
    of_one_address: int = 64
    in_all: int = 500
    """Below the 1024 open files that a process usually may have."""
    every_s: int = 2
    """How often times are looked at."""


class Channel(HTTPChannel):  # type: ignore[misc]
    """A connection that knows when what it is in the middle of has begun (unix s)."""

    def __init__(self, server: Server, sock: socket.socket, addr: Any, adj: Any, map: Any = None) -> None:  # noqa: A002, ANN401
        super().__init__(server, sock, addr, adj, map=map)
        self.begun_s: float = self.creation_time
        self.asked = False
        server.make_room_for(self)

    def received(self, data: bytes) -> bool:
        """Take what has arrived."""
        if self.request is None:
            self.begun_s = time.time()
        self.asked = True
        return bool(super().received(data))

    def is_over(self, now_s: float, limits: PortLimits) -> bool:
        """Whether its time is up."""
        if self.total_outbufs_len:
            return bool(now_s - self.last_activity > limits.fetch_s)
        if self.requests:  # it is being answered
            return False
        if self.request is not None:
            return now_s - self.begun_s > (limits.body_s if self.request.headers_finished else limits.header_s)
        if not self.asked:
            return now_s - self.begun_s > limits.header_s
        return bool(now_s - self.last_activity > limits.idle_s)


class Server(TcpWSGIServer):  # type: ignore[misc]
    """A server that keeps `PortLimits`. `uncounted`: the address of a proxy, from which everybody comes; "*" any."""

    channel_class = Channel

    def __init__(self, *given: Any, limits: PortLimits, uncounted: str | None, **named: Any) -> None:  # noqa: ANN401
        self.limits, self.uncounted = limits, uncounted
        super().__init__(*given, **named)

    def maintenance(self, now: float) -> None:
        """Close what has run out of time."""
        for channel in list(self.active_channels.values()):
            if channel.is_over(now, self.limits):
                channel.handle_close()  # not `will_close`, which waits until something can be written

    def make_room_for(self, newest: Channel) -> None:
        """Have the connection close that has waited longest for the rest of its request, where there are too many."""
        open_now = [channel for channel in self.active_channels.values() if not channel.will_close]
        if self.uncounted not in ("*", newest.addr[0]):
            _turn_out(
                [channel for channel in open_now if channel.addr[0] == newest.addr[0]], self.limits.of_one_address
            )
        _turn_out(open_now, self.limits.in_all)


def server_of(
    application: Any,  # noqa: ANN401
    listener: socket.socket,
    *,
    threads: int,
    largest_body: int,
    proxy: str | None,
    limits: PortLimits,
) -> Server:
    """A server over a listening socket; `run` answers until it is interrupted, `close` lets go of the socket.

    From `proxy` (its address, or * for whoever connects) the forwarded headers count; such headers of anybody else
    are thrown away, or anyone could claim any address to the throttle and the audit.
    """
    trusted: dict[str, Any] = {}
    if proxy is not None:
        trusted = {"trusted_proxy": proxy, "trusted_proxy_headers": "x-forwarded-for x-forwarded-proto"}
    settings = Adjustments(
        sockets=[listener],
        threads=threads,
        ident="asleft",
        max_request_body_size=largest_body,
        max_request_header_size=32_768,
        connection_limit=10_000,  # `PortLimits.in_all` holds long before
        cleanup_interval=limits.every_s,
        asyncore_use_poll=True,  # the usual way cannot watch files of numbers above 1023
        clear_untrusted_proxy_headers=True,
        **trusted,
    )
    dispatcher = ThreadedTaskDispatcher()
    dispatcher.set_thread_count(threads)
    place = (listener.family, listener.type, listener.proto, listener.getsockname())
    return Server(
        application,
        {},
        True,
        listener,
        dispatcher=dispatcher,
        adj=settings,
        sockinfo=place,
        bind_socket=False,
        limits=limits,
        uncounted=proxy,
    )


def _turn_out(channels: Sequence[Channel], most: int) -> None:
    if len(channels) <= most:
        return
    waiting = [channel for channel in channels if not channel.requests and not channel.total_outbufs_len]
    oldest = min(waiting, key=lambda channel: channel.begun_s, default=None)
    if oldest is not None:
        oldest.will_close = True


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
