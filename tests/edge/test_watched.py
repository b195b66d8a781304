"""How an agent is watched and how it ends: by its service manager, its metrics, signals, and threads that hang."""

from __future__ import annotations

import logging
import os
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest
from asleft.edge import main as command
from asleft.edge import service
from asleft.edge.config import folders_of, load_config, parse_config
from asleft.edge.metrics import AgentCollector
from asleft.edge.service import Agent
from asleft.edge.spool import Spool, SpoolError
from asleft.monitoring.logs import OneLine
from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.parser import text_string_to_metric_families

SETTINGS = """
agent = "hall-2"
[broker]
port = 1
[[instrument]]
family = "csv-replay"
file = "log.csv"
valve = "press-1.one"
loop = true
channel = [{ name = "command", unit = "mA" }, { name = "current", unit = "A" }]
"""
WAIT_S = 120.0


@pytest.fixture
def settings(tmp_path: Path) -> Path:
    (tmp_path / "log.csv").write_text("time,command,current\n0,12,0.5\n1,12,0.5\n")
    file = tmp_path / "box.toml"
    file.write_text(SETTINGS)
    return file


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[socket.socket]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as inbox:
        inbox.bind(str(tmp_path / "notify"))
        inbox.settimeout(WAIT_S)
        yield inbox


def hear(inbox: socket.socket, word: str) -> None:
    deadline = time.monotonic() + WAIT_S
    while word not in inbox.recv(4096).decode():
        assert time.monotonic() < deadline


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def test_a_service_from_its_start_to_its_end(settings: Path, manager: socket.socket) -> None:
    port = free_port()
    settings.write_text(SETTINGS + f'[metrics]\naddress = "127.0.0.1:{port}"\n')
    state = settings.parent / "state"
    state.mkdir()
    environment = {"NOTIFY_SOCKET": manager.getsockname(), "WATCHDOG_USEC": "3000000", "STATE_DIRECTORY": str(state)}
    process = subprocess.Popen(
        [sys.executable, "-m", "asleft.edge.main", str(settings)],
        env={**os.environ, **environment},
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        hear(manager, "READY=1")
        hear(manager, "WATCHDOG=1")
        assert (state / "spool.db").exists()
        assert not (settings.parent / "spool.db").exists()
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/metrics", timeout=WAIT_S) as answer:
            assert b"asleft_agent_waiting_blocks" in answer.read()
        process.send_signal(signal.SIGINT)
        process.send_signal(signal.SIGTERM)
        hear(manager, "STOPPING=1")
        _, said = process.communicate(timeout=WAIT_S)
    finally:
        process.kill()
    assert process.returncode == 0
    assert "Traceback" not in said
    assert said.rstrip().endswith("agent hall-2: stopped")


def test_interrupted_before_it_serves_it_ends_without_a_word(
    settings: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def interrupted(*_: object) -> None:
        signal.raise_signal(signal.SIGINT)

    monkeypatch.setattr("asleft.edge.config.load_config", interrupted)
    before = [signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)]
    try:
        assert command.main([str(settings)]) == 130
    finally:
        for number, handler in zip((signal.SIGINT, signal.SIGTERM), before, strict=True):
            signal.signal(number, handler)
    assert capsys.readouterr().err == ""


def test_whoever_reads_only_the_first_line_is_no_error(settings: Path) -> None:
    reader, writer = os.pipe()
    os.close(reader)
    done = subprocess.run(
        [sys.executable, "-m", "asleft.edge.main", str(settings), "--once"],
        stdout=writer,
        stderr=subprocess.PIPE,
        text=True,
        check=False,
    )
    os.close(writer)
    assert (done.returncode, done.stderr) == (1, "")


def test_a_spool_that_was_closed_says_so(tmp_path: Path) -> None:
    spool = Spool(tmp_path / "spool.db", "hall-2", 1 << 20)
    spool.close()
    with pytest.raises(SpoolError, match="closed"):
        spool.append([])


def test_a_thread_that_hangs_is_named_keeps_the_watchdog_silent_and_ends_the_agent_all_the_same(
    settings: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(service, "_JOIN_S", 0.2)
    agent = Agent(load_config(settings))
    sampler = agent._samplers[0]
    hung, go_on = [False], [False]

    def read(_: int) -> object:
        hung[0] = True
        while not go_on[0]:
            time.sleep(0.01)
        raise OSError("let go")

    monkeypatch.setattr(sampler._instrument, "read_once", read)
    agent.start()
    deadline = time.monotonic() + WAIT_S
    while not hung[0]:
        assert time.monotonic() < deadline
        time.sleep(0.01)
    assert agent.healthy()
    assert not agent.ready(), "there is no broker"
    sampler.alive_at_s = time.monotonic() - service._HANGING_S - 1
    with caplog.at_level(logging.INFO):
        assert not agent.healthy()
        assert not agent.healthy()
        agent.stop()
    said = [record for record in caplog.records if record.name.startswith("asleft.edge.service")]
    words = [record.getMessage() for record in said]
    assert sum("sample log.csv has given no sign of life" in word for word in words) == 1, words
    assert any("ending without waiting longer for: sample log.csv" in word for word in words)
    assert not any(record.exc_info for record in caplog.records)
    go_on[0] = True
    agent._sampling[0].thread.join(WAIT_S)
    agent._spool.close()


def test_the_metrics_are_in_base_units_and_end_as_they_should(settings: Path) -> None:
    agent = Agent(load_config(settings))
    registry = CollectorRegistry()
    registry.register(AgentCollector(agent.figures))
    text = generate_latest(registry).decode()
    families = {family.name: family for family in text_string_to_metric_families(text)}
    assert all(name.startswith("asleft_agent") for name in families)
    for family in families.values():
        assert family.documentation.endswith(".")
        if family.type == "counter":
            assert all(one.name.endswith("_total") for one in family.samples)
    assert families["asleft_agent_spool_limit_bytes"].samples[0].value == 512 * 1024 * 1024
    agent._spool.close()


def test_files_that_the_service_manager_hands_over_come_first(tmp_path: Path) -> None:
    (tmp_path / "keys").mkdir()
    (tmp_path / "keys" / "agent.key").write_text("x")
    folders = folders_of(
        tmp_path / "etc", {"STATE_DIRECTORY": "/var/lib/x:/other", "CREDENTIALS_DIRECTORY": str(tmp_path / "keys")}
    )
    secure = '[broker]\nca_file = "ca.crt"\ncertificate_file = "agent.crt"\nkey_file = "agent.key"\n'
    config = parse_config(SETTINGS.replace("[broker]\n", secure), "box.toml", folders)
    assert config.spool.file == Path("/var/lib/x/spool.db")
    assert config.broker.ca_file == tmp_path / "etc" / "ca.crt"
    assert config.broker.key_file == tmp_path / "keys" / "agent.key"
    assert folders_of(tmp_path, {}).state == tmp_path


def check(settings: Path, file: str, capsys: pytest.CaptureFixture[str]) -> tuple[int, str]:
    settings.write_text(SETTINGS + f"[spool]\nfile = {file!r}\n")
    return command.main([str(settings), "--check"]), capsys.readouterr().err


def test_check_tries_the_place_of_the_spool(settings: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = settings.parent
    assert check(settings, "spool.db", capsys) == (0, "")
    assert check(settings, "made/later/spool.db", capsys) == (0, "")
    assert {one.name for one in folder.iterdir()} == {"box.toml", "log.csv"}, "nothing is made by checking"
    (folder / "file").touch()
    status, said = check(settings, "file/spool.db", capsys)
    assert status == 2
    assert "box.toml: spool: " in said
    assert check(settings, "/proc/spool.db", capsys)[0] == 2, "a place where nothing can be written"
    Spool(folder / "other.db", "hall-9", 1 << 20).close()
    status, said = check(settings, "other.db", capsys)
    assert status == 2
    assert "belongs to agent 'hall-9', not to 'hall-2'" in said
    (folder / "text.db").write_text("no database " * 100)
    assert "would be set aside" in check(settings, "text.db", capsys)[1]
    running = Spool(folder / "running.db", "hall-2", 1 << 20)
    assert check(settings, "running.db", capsys) == (0, "")
    running.close()


def test_an_address_for_metrics_that_is_none_is_a_fault_of_the_file(
    settings: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    settings.write_text(SETTINGS + '[metrics]\naddress = "9464"\n')
    assert command.main([str(settings), "--check"]) == 2
    assert 'metrics.address = "9464": must be "HOST:PORT"' in capsys.readouterr().err


def test_a_log_line_of_the_agent_is_one_line() -> None:
    record = logging.LogRecord("asleft", logging.ERROR, __file__, 1, "spool %s", ("a\nb",), None)
    assert "\n" not in OneLine("%(message)s").format(record)
