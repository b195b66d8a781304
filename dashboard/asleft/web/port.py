"""The port: how many connections are held, how long a request may take to arrive, and an answer to be fetched.

waitress alone keeps every connection that is not silent, a hundred in all and then no more, so that unfinished
requests of one machine shut everybody out. Here a request has to arrive in time however slowly it trickles, one
address has a share, and where all places are taken the oldest unfinished request makes room for the new one.
"""

from __future__ import annotations

import socket
import time
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from waitress.adjustments import Adjustments
from waitress.channel import HTTPChannel
from waitress.server import TcpWSGIServer
from waitress.task import ThreadedTaskDispatcher


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
