"""What goes to the service manager, received as systemd does: datagrams on a socket with a file or without one."""

from __future__ import annotations

import os
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest
from asleft.monitoring.service_manager import ServiceManager


@pytest.fixture(params=["file", "abstract"])
def heard(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[str, socket.socket]]:
    name = str(tmp_path / "notify") if request.param == "file" else f"@asleft-test-{os.getpid()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as inbox:
        inbox.bind(f"\0{name[1:]}" if name.startswith("@") else name)
        inbox.settimeout(10)
        yield name, inbox


def received(inbox: socket.socket) -> list[str]:
    said = []
    inbox.setblocking(False)
    while True:
        try:
            said.append(inbox.recv(4096).decode())
        except BlockingIOError:
            return said


def test_ready_alive_and_stopping(heard: tuple[str, socket.socket]) -> None:
    name, inbox = heard
    now = [0.0]
    manager = ServiceManager({"NOTIFY_SOCKET": name, "WATCHDOG_USEC": "60000000"}, clock=lambda: now[0])
    manager.ready("4 valves")
    assert received(inbox) == ["READY=1\nSTATUS=4 valves"]
    for second in range(60):
        now[0] = float(second)
        manager.alive("4 valves")
    assert received(inbox) == ["WATCHDOG=1"] * 3, "three signs in the time of the watchdog"
    now[0] = 60.0
    manager.alive("5 valves")
    assert received(inbox) == ["STATUS=5 valves", "WATCHDOG=1"]
    manager.stopping()
    assert received(inbox) == ["STOPPING=1"]


def test_without_a_watchdog_there_are_no_signs_of_life(heard: tuple[str, socket.socket]) -> None:
    name, inbox = heard
    for more in ({}, {"WATCHDOG_USEC": "0"}, {"WATCHDOG_USEC": "x"}, {"WATCHDOG_USEC": "9", "WATCHDOG_PID": "1"}):
        manager = ServiceManager({"NOTIFY_SOCKET": name, **more})
        assert manager.watchdog_s is None
        manager.alive()
    assert received(inbox) == []


def test_a_manager_that_is_none_or_gone_keeps_nobody_from_working(tmp_path: Path) -> None:
    ServiceManager({}).ready("good")
    gone = ServiceManager({"NOTIFY_SOCKET": str(tmp_path / "none"), "WATCHDOG_USEC": "1000"})
    gone.ready("good")
    gone.alive()
    gone.stopping()
