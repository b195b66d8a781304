"""Connections that take a place and give nothing, straight at the port of a real server."""

from __future__ import annotations

import socket
import threading
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing

import pytest
from asleft.web.serve import PortLimits, Server, bind, server_of

HALF = b"GET / HTTP/1.1\r\nHost: localhost\r\nX-Slow: "
PATIENCE_S = 60.0  # until a test gives up; nothing is measured by it


def answer(_environ: dict, start: Callable) -> list[bytes]:
    start("200 OK", [("Content-Type", "text/plain"), ("Content-Length", "5")])
    return [b"here\n"]


class Running:
    """A server in a thread of its own."""

    def __init__(self, limits: PortLimits, proxy: str | None, application: Callable) -> None:
        self.listener = bind("0.0.0.0", 0, lambda *_: None)
        self.port = self.listener.getsockname()[1]
        self.server: Server = server_of(
            application, self.listener, threads=4, largest_body=1_000_000, proxy=proxy, limits=limits
        )
        self.thread = threading.Thread(target=self.server.run, daemon=True)
        self.thread.start()

    def connect(self, start: bytes, source: str = "127.0.0.1") -> socket.socket:
        made = socket.create_connection(("127.0.0.1", self.port), PATIENCE_S, (source, 0))
        made.sendall(start)
        return made

    def fetch(self) -> bytes:
        with urllib.request.urlopen(f"http://127.0.0.1:{self.port}/", timeout=PATIENCE_S) as found:
            return found.read()

    def held(self) -> int:
        return sum(not channel.will_close for channel in list(self.server.active_channels.values()))

    def stop(self) -> None:
        self.server.task_dispatcher.shutdown()
        self.server.close()
        for channel in list(self.server.active_channels.values()):
            channel.will_close = True
        self.thread.join(PATIENCE_S)
        assert not self.thread.is_alive()


@pytest.fixture
def running() -> Iterator[Callable[..., Running]]:
    started: list[Running] = []

    def start(proxy: str | None = None, application: Callable = answer, **limits: float) -> Running:
        started.append(Running(PortLimits(**limits), proxy, application))
        return started[-1]

    yield start
    for one in started:
        one.stop()


def closes(connection: socket.socket, drip: bytes = b"") -> bool:
    """Whether the other side closes, however long we go on sending a byte at a time."""
    connection.settimeout(0.05)
    until = time.monotonic() + PATIENCE_S
    while time.monotonic() < until:
        try:
            if drip:
                connection.sendall(drip)
            if connection.recv(65_536) == b"":
                return True
        except TimeoutError:
            continue
        except OSError:
            return True
    return False


def test_unfinished_requests_of_one_machine_shut_nobody_out(running):
    """150 of them stopped the server: it took a hundred connections in all."""
    one = running()
    with ExitStack() as stack:
        for _ in range(150):
            stack.enter_context(closing(one.connect(HALF)))
        assert one.fetch() == b"here\n"
        assert one.held() <= PortLimits().of_one_address


def test_nor_do_those_of_twenty_machines(running):
    one = running(in_all=100)
    with ExitStack() as stack:
        for machine in range(20):
            for _ in range(15):
                stack.enter_context(closing(one.connect(HALF, f"127.0.1.{machine + 1}")))
        assert one.fetch() == b"here\n"
        assert one.held() <= 100


def test_behind_a_proxy_everybody_comes_from_one_address(running):
    one = running(proxy="127.0.0.1", of_one_address=2)
    with ExitStack() as stack:
        for _ in range(30):
            stack.enter_context(closing(one.connect(HALF)))
        assert one.fetch() == b"here\n"
        assert one.held() >= 30


@pytest.mark.parametrize(
    ("start", "drip"),
    [
        (b"", b""),
        (HALF, b""),
        (HALF, b"x"),
        (b"POST / HTTP/1.1\r\nHost: localhost\r\nContent-Length: 900000\r\n\r\n", b""),
        (b"POST / HTTP/1.1\r\nHost: localhost\r\nContent-Length: 900000\r\n\r\n", b"x"),
        (b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n", b""),
    ],
    ids=["nothing", "half a head", "a head that trickles", "no body", "a body that trickles", "silence afterwards"],
)
def test_what_does_not_arrive_in_time_is_closed(running, start, drip):
    one = running(header_s=0.3, body_s=0.3, idle_s=0.3, every_s=0)
    with closing(one.connect(start)) as connection:
        assert closes(connection, drip)


def test_an_answer_that_nobody_fetches_lets_its_thread_go(running):
    finished = threading.Event()

    def endless(_environ: dict, start: Callable) -> Iterator[bytes]:
        start("200 OK", [("Content-Type", "text/plain")])
        try:
            while True:
                yield b"x" * 1_000_000
        finally:
            finished.set()

    one = running(application=endless, fetch_s=0.3, every_s=0)
    with closing(one.connect(b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n")):
        assert finished.wait(PATIENCE_S)


def test_a_request_that_is_being_answered_is_never_turned_out(running):
    go, begun = threading.Event(), threading.Event()

    def slow(environ: dict, start: Callable) -> list[bytes]:
        begun.set()
        go.wait(PATIENCE_S)
        return answer(environ, start)

    one = running(application=slow, of_one_address=3, header_s=0.2, idle_s=0.2, every_s=0)
    with closing(one.connect(b"GET / HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n")) as asked:
        assert begun.wait(PATIENCE_S)
        with ExitStack() as stack:
            others = [stack.enter_context(closing(one.connect(HALF))) for _ in range(10)]
            assert all(closes(other) for other in others)
        go.set()
        assert asked.makefile("rb").read().endswith(b"here\n")
