"""The whole on one machine, as its user starts and ends it."""

from __future__ import annotations

import socket
import time
from pathlib import Path

import pytest
from asleft.store.samples import open_samples_reader
from demo_process import LIVE_S, PATIENCE_S, Demo, Visitor, alive, free_port, newest_age_s

pytestmark = pytest.mark.end_to_end


def test_live_on_one_line_and_nothing_left_behind(demo: Demo) -> None:
    started_s = time.monotonic()
    address = demo.address()
    samples = open_samples_reader(demo.folder / "data")
    demo.until(lambda: newest_age_s(samples) < LIVE_S, "live samples of all valves")
    print(f"live after {time.monotonic() - started_s:.1f} s; the goal is 30 s on a machine that does nothing else")
    assert demo.said.count(address) == 1
    assert demo.lines[0].startswith("broker: mosquitto")
    visitor = Visitor(demo)
    assert "password: only simulated presses" in visitor.first  # the page to sign in says it, too
    for path in ("", "valve/press-1.platen", "health", "audit"):
        assert "react-entry-point" in visitor.page(path)
    pids = list(demo.children())
    assert len(pids) >= 7  # broker, presses, dashboard, recorder, its judging process, two agents
    assert demo.interrupt() == 0
    assert [pid for pid in pids if alive(pid)] == []
    assert "all processes have ended" in demo.said

    again = Demo(demo.folder, "--no-history", "--port", address.rsplit(":", 1)[1].strip("/"))
    try:
        assert again.address() == address
    finally:
        again.end()


def test_a_taken_port_is_told_and_the_next_one_used(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        demo = Demo(tmp_path / "demo", "--no-history", "--port", str(port))
        try:
            address = demo.address()
            used = int(address.rsplit(":", 1)[1].strip("/"))
            assert used > port
            assert f"port {port} is taken, so the dashboard uses {used}" in demo.said
        finally:
            demo.end()


def test_a_second_demo_in_the_same_folder_is_refused(demo: Demo) -> None:
    demo.address()
    second = Demo(demo.folder)
    assert second.process.wait(PATIENCE_S) == 2
    second.end()
    assert "a demo already runs in" in second.said


def test_with_the_embedded_broker_and_it_says_so(tmp_path: Path) -> None:
    demo = Demo(tmp_path / "demo", "--no-history", "--port", str(free_port()), "--broker", "embedded")
    try:
        demo.address()
        samples = open_samples_reader(demo.folder / "data")
        demo.until(lambda: newest_age_s(samples) < LIVE_S, "live samples through the embedded broker")
        assert demo.lines[0] == "broker: the embedded one (amqtt)"
    finally:
        demo.end()
