"""Free ports on loopback."""

from __future__ import annotations

import socket

LOOPBACK = "127.0.0.1"
_TRIES = 50


def is_free(port: int) -> bool:
    """Whether a server could listen on this port of the loopback address now."""
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((LOOPBACK, port))
        except OSError:
            return False
        return True


def first_free(port: int) -> int:
    """This port, or the next free one above it.

    Raises:
        OSError: none of the next 50 is free.
    """
    for candidate in range(port, min(port + _TRIES, 65_536)):
        if is_free(candidate):
            return candidate
    raise OSError(f"no free port between {port} and {min(port + _TRIES, 65_536) - 1}")


def any_free(count: int) -> list[int]:
    """Some free ports, all different, chosen by the system."""
    sockets = [socket.socket(socket.AF_INET, socket.SOCK_STREAM) for _ in range(count)]
    try:
        for one in sockets:
            one.bind((LOOPBACK, 0))
        return [one.getsockname()[1] for one in sockets]
    finally:
        for one in sockets:
            one.close()


def answers(port: int) -> bool:
    """Whether something listens there."""
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        probe.settimeout(1.0)
        return probe.connect_ex((LOOPBACK, port)) == 0
