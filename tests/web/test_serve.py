from __future__ import annotations

import argparse
import os
import signal
import socket
import subprocess
import sys
import urllib.request

import pytest
from asleft.cli import web
from asleft.web.serve import NoFreePortError, NotLoopbackError, address, bind, check_loopback


def test_without_accounts_only_the_machine_itself_is_served():
    for own in ("127.0.0.1", "127.0.0.2", "::1", "localhost"):
        check_loopback(own, "--data data")
    for other in ("0.0.0.0", "192.168.1.4", "::", "plant.example", ""):
        with pytest.raises(NotLoopbackError, match="asleft users add NAME --role administrator --data data"):
            check_loopback(other, "--data data")


def test_a_taken_port_is_told_and_the_next_one_used():
    told: list[tuple[int, int]] = []
    with bind("127.0.0.1", 0, lambda *_: None) as first:
        port = first.getsockname()[1]
        with bind("127.0.0.1", port, lambda *pair: told.append(pair)) as second:
            assert second.getsockname()[1] > port
            assert told[0] == (port, port + 1)
            assert address(second) == f"http://127.0.0.1:{second.getsockname()[1]}/"


def test_no_free_port_is_an_error_that_says_what_to_do(monkeypatch):
    monkeypatch.setattr("asleft.web.serve.TRIES", 1)
    with bind("127.0.0.1", 0, lambda *_: None) as first, pytest.raises(NoFreePortError, match="--port"):
        bind("127.0.0.1", first.getsockname()[1], lambda *_: None)


def options(*words: str) -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    web.add_arguments(parser)
    return parser.parse_args(words)


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        (("--host", "0.0.0.0"), "--host 0.0.0.0"),
        (("--port", "70000"), "--port 70000"),
        (("--zone", "Nowhere/Else", "--port", "0"), "--zone"),
        (("--behind-proxy", "127.0.0.1"), "asleft users add"),
        (("--idle-minutes", "0"), "--idle-minutes 0"),
        (("--session-hours", "1000"), "--session-hours 1000"),
        (("--keep-audit-days", "-1"), "--keep-audit-days -1: at least 1"),
        (("--keep-audit-lines", "10"), "--keep-audit-lines 10: at least 1000"),
    ],
)
def test_bad_arguments_are_refused_in_a_sentence(tmp_path, capsys, words, complaint):
    assert web.run(options("--data", str(tmp_path), *words)) == 2
    assert complaint in capsys.readouterr().err


def test_a_file_is_no_data_folder(tmp_path, capsys):
    path = tmp_path / "file"
    path.write_text("x")
    assert web.run(options("--data", str(path))) == 2
    assert "not a folder" in capsys.readouterr().err


def test_the_command_serves_an_empty_folder_until_it_is_stopped(tmp_path):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        code = (
            "import argparse, sys\nfrom asleft.cli import web\np = argparse.ArgumentParser()\nweb.add_arguments(p)\n"
            "sys.exit(web.run(p.parse_args()))"
        )
        process = subprocess.Popen(
            [sys.executable, "-c", code, "--data", str(tmp_path / "new"), "--port", str(port)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONUNBUFFERED": "1"},
        )
        try:
            line = process.stdout.readline()
            assert line.startswith("dashboard: http://127.0.0.1:")
            assert process.stdout.readline().startswith("no accounts: open to everybody on this machine")
            url = line.split(" ", 1)[1].strip()
            assert f":{port}/" not in url
            with urllib.request.urlopen(url, timeout=120) as answer:
                assert answer.status == 200
                assert answer.url == url  # there are no accounts, so nobody is asked
        finally:
            process.send_signal(signal.SIGTERM)
            out, err = process.communicate(timeout=120)
    assert process.returncode == 0, err
    assert f"port {port} is taken" in err
    assert "Traceback" not in err
    assert out == ""
